//! The channel table: what a sample's values mean.

use crate::text::Text;
use crate::{
    BoardId, Channel, Hello, MAX_BODY_BYTES, MAX_CHANNELS, MAX_PLACE_BYTES, MAX_SENSOR_BYTES,
    Quantity, Refusal, Sample,
};

/// A complete channel table: one `H` and all its `C`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Table {
    /// The board.
    pub id: BoardId,
    /// The boot it was said in, as the board counts them.
    pub boot: u32,
    /// Nominal sample period in ms.
    pub period_ms: u32,
    firmware: Text<MAX_BODY_BYTES>,
    channels: [TableChannel; MAX_CHANNELS],
    len: u8,
}

impl Table {
    /// The firmware's own name for itself.
    #[must_use]
    pub fn firmware(&self) -> &str {
        self.firmware.as_str()
    }

    /// The channels, in the order of a sample's values.
    #[must_use]
    pub fn channels(&self) -> &[TableChannel] {
        self.channels
            .get(..usize::from(self.len))
            .unwrap_or_default()
    }

    /// Whether a sample has one value for every channel: to be asked for samples that had to wait.
    #[must_use]
    pub fn fits(&self, sample: &Sample) -> bool {
        sample.readings.len() == usize::from(self.len)
    }

    /// Whether everything but the period is the same.
    pub(crate) fn same_but_for_period(&self, other: &Self) -> bool {
        self.id == other.id
            && self.boot == other.boot
            && self.firmware == other.firmware
            && self.channels() == other.channels()
    }
}

/// One channel of a [`Table`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TableChannel {
    /// What it measures; decides the unit.
    pub quantity: Quantity,
    /// A value is the integer sent times 10 to this power.
    pub exp: i8,
    place: Text<MAX_PLACE_BYTES>,
    sensor: Text<MAX_SENSOR_BYTES>,
}

impl TableChannel {
    /// Where it measures.
    #[must_use]
    pub fn place(&self) -> &str {
        self.place.as_str()
    }

    /// With what it measures.
    #[must_use]
    pub fn sensor(&self) -> &str {
        self.sensor.as_str()
    }

    const UNDECLARED: Self = Self {
        quantity: Quantity::Contact,
        exp: 0,
        place: Text::EMPTY,
        sensor: Text::EMPTY,
    };
}

impl From<&Channel<'_>> for TableChannel {
    fn from(channel: &Channel<'_>) -> Self {
        Self {
            quantity: channel.quantity,
            exp: channel.exp,
            place: Text::new(channel.place),
            sensor: Text::new(channel.sensor),
        }
    }
}

/// A table whose `C` lines have not all come.
#[derive(Debug, Clone)]
pub(crate) struct Gathering {
    table: Table,
    /// Bit n is set once channel n has come.
    come: u16,
}

impl Gathering {
    pub(crate) fn new(hello: &Hello<'_>) -> Self {
        let table = Table {
            id: hello.id,
            boot: hello.boot,
            period_ms: hello.period_ms,
            firmware: Text::new(hello.firmware),
            channels: [TableChannel::UNDECLARED; MAX_CHANNELS],
            // The codec gives no more; a record may also be made by hand.
            len: hello.channels.min(MAX_CHANNELS as u8),
        };
        Self { table, come: 0 }
    }

    /// Takes one channel. One that came before and says the same again changes nothing.
    pub(crate) fn add(&mut self, channel: &Channel<'_>) -> Result<(), Refusal> {
        let index = channel.index;
        let declared = TableChannel::from(channel);
        if index >= self.table.len {
            return Err(Refusal::UndeclaredChannel(index));
        }
        if self
            .others(index)
            .any(|other| other.place == declared.place)
        {
            return Err(Refusal::DuplicatePlace(index));
        }
        let has_come = self.has_come(usize::from(index));
        let Some(place) = self.table.channels.get_mut(usize::from(index)) else {
            return Err(Refusal::UndeclaredChannel(index));
        };
        if has_come && *place != declared {
            return Err(Refusal::Contradiction(index));
        }
        *place = declared;
        self.come |= 1 << index;
        Ok(())
    }

    /// The table, once every channel has come.
    pub(crate) fn complete(&self) -> Option<&Table> {
        (self.come.count_ones() == u32::from(self.table.len)).then_some(&self.table)
    }

    fn has_come(&self, index: usize) -> bool {
        self.come & (1 << index) != 0
    }

    /// The channels that have come, without the one of this index.
    fn others(&self, index: u8) -> impl Iterator<Item = &TableChannel> {
        let come = move |at: usize| at != usize::from(index) && self.has_come(at);
        self.table
            .channels
            .iter()
            .enumerate()
            .filter(move |&(at, _)| come(at))
            .map(|(_, channel)| channel)
    }
}
