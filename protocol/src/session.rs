//! One port's stream of good records: which boot, which channel table.
//!
//! A new boot begins with `N boot`, with an `H` of another boot or board, or with a sample whose clock went back although it
//! cannot have wrapped. From there samples wait until a complete set of `H` and `C` has come. Whoever feeds a session
//! holds the samples that wait, bounds how long (120 s), and knows that a new boot takes from those still waiting their
//! chance of a table.

use crate::table::{Gathering, Table};
use crate::{BoardId, Channel, Hello, Notice, Record, Refusal, Sample};

/// How far the board's clock and the arrival may disagree over a wrap, in µs: buffers, and a stalled host.
const WRAP_SLACK_US: i64 = 60_000_000;
/// Further disagreement allowed: one part in this many (1 %, far more than a ceramic resonator is off).
const WRAP_SLACK_PART: i64 = 100;

/// What a record meant for its stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// A sample that belongs to the table in force.
    Sample,
    /// A sample that has to wait for the next complete set; the caller holds it.
    Waiting,
    /// A sample whose clock went back where arrival does not agree with a wrap: a new boot has begun with it, and it
    /// waits.
    SampleOfNewBoot,
    /// A sample with SEQ and MS of the one before: the same line again, to be counted and skipped.
    Repeated,
    /// The record does not fit what the board said before: as if the line had not come, and counted.
    Refused(Refusal),
    /// `N boot`, or an `H` of another boot or board: what follows waits.
    BootBegun,
    /// A complete set is in force from here.
    TableBegun(TableChange),
    /// Accepted, changes nothing.
    Nothing,
}

/// How a complete set compares with the one before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TableChange {
    /// The first of the stream.
    First,
    /// The same again.
    Confirmed,
    /// The first of a new boot, whatever it says.
    NewBoot,
    /// Another table within one boot: a fault of the board. The new table holds from here.
    NewTable,
    /// Another board's.
    NewBoard,
    /// Only the period differs, within one boot: legal after `P`.
    NewPeriod,
}

/// Follows boots and channel tables of one stream.
#[derive(Debug, Clone)]
pub struct Session {
    /// The last complete set.
    table: Option<Table>,
    /// A boot has begun since the last complete set, so that it does not hold.
    waiting: bool,
    /// Board and boot of the last `H`; none while a boot has begun that no `H` has named.
    named: Option<(BoardId, u32)>,
    /// The set whose `C` lines are coming.
    gathering: Option<Gathering>,
    /// The last sample of this boot.
    last: Option<Tick>,
}

/// When a sample was: by the board's counters and by arrival.
#[derive(Debug, Clone, Copy)]
struct Tick {
    seq: u16,
    ms: u32,
    arrival_us: i64,
}

impl Default for Session {
    fn default() -> Self {
        Self::new()
    }
}

impl Session {
    /// At the beginning of a stream: no table, samples wait.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            table: None,
            waiting: true,
            named: None,
            gathering: None,
            last: None,
        }
    }

    /// Takes the next good record; `arrival_us` is when its line had arrived, in µs of any clock of the host. Arrival is
    /// used for nothing but telling a wrap of the board's clock, every 49.7 days, from a new boot.
    pub fn accept(&mut self, record: &Record<'_>, arrival_us: i64) -> Outcome {
        match record {
            Record::Sample(sample) => self.sample(sample, arrival_us),
            Record::Hello(hello) => self.hello(hello),
            Record::Channel(channel) => self.channel(channel),
            Record::Notice(Notice { what: "boot", .. }) => {
                self.begin_boot();
                Outcome::BootBegun
            }
            Record::Notice(_) | Record::Answer(_) | Record::Unknown(_) => Outcome::Nothing,
        }
    }

    /// The table in force for a sample that comes now; `None` while samples have to wait.
    #[must_use]
    pub const fn table(&self) -> Option<&Table> {
        if self.waiting {
            None
        } else {
            self.table.as_ref()
        }
    }

    fn begin_boot(&mut self) {
        self.waiting = true;
        self.named = None;
        self.gathering = None;
        self.last = None;
    }

    fn hello(&mut self, hello: &Hello<'_>) -> Outcome {
        let name = (hello.id, hello.boot);
        let another = self.named.is_some_and(|named| named != name);
        if another {
            self.begin_boot();
        }
        self.named = Some(name);
        self.gathering = Some(Gathering::new(hello));
        if another {
            Outcome::BootBegun
        } else {
            Outcome::Nothing
        }
    }

    /// A `C` outside a set (its `H` was damaged, or the set is complete) changes nothing.
    fn channel(&mut self, channel: &Channel<'_>) -> Outcome {
        let Some(gathering) = &mut self.gathering else {
            return Outcome::Nothing;
        };
        if let Err(refusal) = gathering.add(channel) {
            if matches!(refusal, Refusal::Contradiction(_)) {
                // The H of a second set must have been lost in between; a mixture of two sets is neither.
                self.gathering = None;
            }
            return Outcome::Refused(refusal);
        }
        let Some(table) = gathering.complete().cloned() else {
            return Outcome::Nothing;
        };
        let change = self.change_to(&table);
        self.gathering = None;
        self.waiting = false;
        self.table = Some(table);
        Outcome::TableBegun(change)
    }

    fn change_to(&self, new: &Table) -> TableChange {
        match &self.table {
            None => TableChange::First,
            Some(old) if old.id != new.id => TableChange::NewBoard,
            Some(_) if self.waiting => TableChange::NewBoot,
            Some(old) if old == new => TableChange::Confirmed,
            Some(old) if old.same_but_for_period(new) => TableChange::NewPeriod,
            Some(_) => TableChange::NewTable,
        }
    }

    fn sample(&mut self, sample: &Sample, arrival_us: i64) -> Outcome {
        let now = Tick {
            seq: sample.seq,
            ms: sample.ms,
            arrival_us,
        };
        if let Some(last) = self.last {
            if last.seq == now.seq && last.ms == now.ms {
                return Outcome::Repeated;
            }
            if last.is_of_boot_before(&now) {
                self.begin_boot();
                self.last = Some(now);
                return Outcome::SampleOfNewBoot;
            }
        }
        match self.table() {
            Some(table) if !table.fits(sample) => return Outcome::Refused(Refusal::ValueCount),
            _ => self.last = Some(now),
        }
        if self.waiting {
            Outcome::Waiting
        } else {
            Outcome::Sample
        }
    }
}

impl Tick {
    /// Whether the board's clock went back to `next` and did not wrap: then the way forward, modulo 2^32 ms, is not
    /// what passed by arrival. SEQ wraps within hours and says nothing here.
    fn is_of_boot_before(&self, next: &Self) -> bool {
        if next.ms >= self.ms {
            return false;
        }
        let forward_us = i64::from(next.ms.wrapping_sub(self.ms)) * 1000;
        let passed_us = next.arrival_us.saturating_sub(self.arrival_us);
        let slack_us = WRAP_SLACK_US + forward_us / WRAP_SLACK_PART;
        passed_us.saturating_sub(forward_us).saturating_abs() > slack_us
    }
}
