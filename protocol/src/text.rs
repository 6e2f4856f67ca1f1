//! A short ASCII text kept in place, so that a channel table outlives the lines it came from without allocating.

use core::fmt;

/// Up to `N` bytes of ASCII (`N` below 256); bytes beyond the length are 0, so that equality is that of the texts.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) struct Text<const N: usize> {
    bytes: [u8; N],
    len: u8,
}

impl<const N: usize> Text<N> {
    pub(crate) const EMPTY: Self = Self {
        bytes: [0; N],
        len: 0,
    };

    /// Copies `text`; what goes beyond `N` bytes is left off (the codec's limits are not longer than that).
    pub(crate) fn new(text: &str) -> Self {
        let mut copy = Self::EMPTY;
        for (to, &from) in copy.bytes.iter_mut().zip(text.as_bytes()) {
            *to = from;
            copy.len = copy.len.saturating_add(1);
        }
        copy
    }

    pub(crate) fn as_str(&self) -> &str {
        let bytes = self.bytes.get(..usize::from(self.len)).unwrap_or_default();
        core::str::from_utf8(bytes).unwrap_or_default()
    }
}

impl<const N: usize> fmt::Debug for Text<N> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Debug::fmt(self.as_str(), f)
    }
}
