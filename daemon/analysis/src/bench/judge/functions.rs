//! What a protector has to do at all: open in time, and close again.

use super::{BEYOND, Evidence, Function};
use crate::bench::conformity::Verdict;
use crate::bench::repeat::Ended;
use crate::reading::{Taken, Value, What};
use crate::statistics::proportion_within;

/// A time that differs by less than this from the longest is not said to be within or beyond it where no class is given, s.
const GUARD_S: f64 = 1.0;

impl Evidence<'_> {
    pub(super) fn opens(&self) -> Function {
        let longest_s = self.plan.longest_trip_s;
        let times: Vec<f64> = self
            .openings()
            .filter_map(|run| Some(run.on_s?.s))
            .collect();
        let most_s = times.iter().copied().fold(f64::NAN, f64::max);
        let guard_s = self.plan.sensors.time_s.unwrap_or(GUARD_S);
        let (count, repeats) = (times.len(), self.plan.repeats as usize);
        let (verdict, why) = if self.failed_to_open {
            let why = format!(
                "it carried current for longer than {longest_s} s without opening: welded, or far too late"
            );
            (Verdict::Fail, why)
        } else if count < repeats {
            (
                Verdict::CannotSay,
                format!("{count} of {repeats} openings were timed"),
            )
        } else if most_s + guard_s < longest_s {
            // So few openings promise little: the exact interval says how little.
            let at_least =
                100.0 * proportion_within(self.plan.repeats, self.plan.repeats, 2.0 * BEYOND).0;
            let why = format!(
                "{count} of {count}, the longest {most_s:.2} s; so many show with 95 % that it does in {at_least:.0} % of all \
                 times at least"
            );
            (Verdict::Pass, why)
        } else {
            let why = format!(
                "the longest took {most_s:.2} s, within {guard_s} s of the longest allowed"
            );
            (Verdict::ConditionalPass, why)
        };
        let certain = self
            .openings()
            .all(|run| run.ended == Ended::Opened { certain: true });
        let word = if certain || count == 0 {
            ""
        } else {
            "; that it was the protector and not the switch is the person's word"
        };
        Function {
            what: "opens within the longest time",
            not: "it did not open within the longest time",
            whether: "whether it opens within the longest time",
            verdict,
            why: format!("{why}{word}"),
        }
    }

    pub(super) fn closes(&self) -> Function {
        let due = self.openings().count();
        let closed = self.openings().filter(|run| run.reset.is_some()).count();
        let by_hand = self.is_closed_by_hand();
        let needed = due - usize::from(self.plan.hot_reading && due > 0);
        let (verdict, why) = if self.not_closing && closed < due && !by_hand {
            (
                Verdict::Fail,
                "it stayed open for longer than it may".to_owned(),
            )
        } else if self.not_closing {
            let why = "it closed again only after longer than it may stay open".to_owned();
            (Verdict::Fail, why)
        } else if due > 0 && closed >= needed && (closed > 0 || by_hand) {
            (
                Verdict::Pass,
                format!("{closed} times by current that came back by itself"),
            )
        } else {
            (
                Verdict::CannotSay,
                format!("{closed} of {needed} closings were seen"),
            )
        };
        Function {
            what: "closes again",
            not: "it did not close again in time",
            whether: "whether it closes again",
            verdict,
            why,
        }
    }

    /// A cold reading after it had opened shows that it has closed.
    fn is_closed_by_hand(&self) -> bool {
        self.after_opening()
            .is_some_and(|taken| taken.reading.value != Value::Open)
    }

    /// The newest cold reading after it had opened.
    pub(super) fn after_opening(&self) -> Option<&Taken> {
        let opened_at = self.opened_at?;
        let cold = |taken: &&Taken| taken.reading.what == What::ProtectorCold;
        self.readings
            .iter()
            .rev()
            .filter(cold)
            .find(|taken| taken.at > opened_at)
    }
}
