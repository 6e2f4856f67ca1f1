//! What the record itself shows of the machine where no nameplate does, with its spread.

use crate::evidence::Evidence;
use crate::rows::{CycleRow, StartKind};
use crate::statistics::{Summary, summary};

/// What is added to a level that the clamp could not show whole.
const AT_LEAST: &str = ", at least that: the clamp was at the end of its range";
/// A run this long has a level, s.
const RUN_S: f64 = 60.0;

/// Where the locked-rotor level comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LockedFrom {
    /// From starts that failed: their highest reading, the winding still cool.
    Failed,
    /// From the inrush of sound starts: at sample periods near the length of a start it reads low.
    Inrush,
}

/// Levels learned from a record; `None` where it shows nothing of the kind. Learned, not given: to be shown as such.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Learned {
    /// Running current, A.
    pub running_a: Option<Summary>,
    /// Locked-rotor current, A, and what it comes from.
    pub locked_a: Option<(Summary, LockedFrom)>,
    /// The clamp has reached the end of its range: the locked-rotor current is at least what it says.
    pub is_saturated: bool,
    /// Length of a sound start, s, to a sample period.
    pub start_s: Option<Summary>,
    /// What the clamp shows with nothing in it, A.
    pub floor_a: Option<Summary>,
    /// Its standard deviation from sample to sample, A.
    pub noise_a: Option<Summary>,
}

/// What the cycles show.
pub fn learned(evidence: &Evidence<'_>) -> Learned {
    let cycles = evidence.believed();
    let of = |figure: fn(&CycleRow) -> Option<f64>| summary(cycles.iter().filter_map(figure));
    let failed = of(|c| {
        c.peak_a
            .filter(|_| c.on_seen && c.start == StartKind::LockedRotor)
    });
    let inrush = of(|c| {
        c.peak_a
            .filter(|_| c.on_seen && c.start == StartKind::Normal)
    });
    Learned {
        running_a: of(|c| {
            let ran_s = c.on_s.unwrap_or(0.0);
            c.run_a
                .filter(|_| c.start != StartKind::LockedRotor && ran_s >= RUN_S)
        }),
        locked_a: failed
            .map(|failed| (failed, LockedFrom::Failed))
            .or(inrush.map(|inrush| (inrush, LockedFrom::Inrush))),
        is_saturated: evidence.is_saturated(),
        start_s: of(|c| c.start_s),
        floor_a: of(|c| c.floor_a),
        noise_a: of(|c| c.noise_a),
    }
}

impl Learned {
    /// In lines for people: each what, the median, from least to most, and how many it rests on.
    pub fn words(&self) -> Vec<String> {
        let line = |what: &str, of: Summary, unit: &str, digits: usize| {
            let (median, least, most) = (of.median, of.least, of.most);
            format!(
                "{what}: {median:.digits$} {unit}, from {least:.digits$} to {most:.digits$} {unit}, learned from {}",
                of.count
            )
        };
        let mut lines = Vec::new();
        lines.extend(
            self.running_a
                .map(|of| line("running current", of, "A", 2) + " runs"),
        );
        lines.extend(self.locked_a.map(|(of, from)| match from {
            LockedFrom::Failed => {
                let end = if self.is_saturated { AT_LEAST } else { "" };
                line("locked-rotor current", of, "A", 1) + " starts that failed" + end
            }
            LockedFrom::Inrush => {
                line("highest current of a start", of, "A", 1) + " sound starts, at least that"
            }
        }));
        lines.extend(
            self.start_s
                .map(|of| line("length of a start", of, "s", 2) + " sound starts"),
        );
        lines.extend(
            self.floor_a
                .map(|of| line("clamp with nothing in it", of, "A", 3) + " off-times"),
        );
        lines.extend(
            self.noise_a
                .map(|of| line("its noise", of, "A", 3) + " off-times"),
        );
        lines
    }
}
