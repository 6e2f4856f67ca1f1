//! The bench test of a protector: a plan, a sequence that tells a person what to do, results, and a verdict with its uncertainty.
//!
//! A bench test is a record like a night's: its plan is a job file with a table `[bench]` ([`Plan`], `daemon/BENCHPLAN.md`), the
//! boards are captured, recorded and projected by the same code, and what a person does becomes a note in the raw log
//! ([`Act`], and [`crate::reading`] for the ohmmeter). [`Bench`] is a [`crate::rows::Sink`] beside the tables': fed with the rows of
//! a projection, it follows the sequence. It has no other input, so live, after a crash and in replay it says the same.
//!
//! ```text
//! let job = Job::parse(text, file)?;              // job.bench is the plan
//! let mut bench = Bench::new(&job)?;              // None: no plan in it
//! projection.feed(0, raw, &mut Both(&mut tables, &mut bench));
//! let now = bench.guidance();                     // what to do now, figures to show large, danger: once a second
//! writer.append_note(us, &Act::Acknowledged.note(by)?);  // a person's act, and through the record it comes back
//! let results = bench.results();                  // when bench.revision() has changed
//! ```
//!
//! - [`CAUTIONS`], [`WHO`]: to be shown and acknowledged before anything is started.
//! - [`Guidance`]: the step, one line, large figures, when it closes again, danger.
//! - [`Repeat`]: one run with its figures.
//! - [`Results`]: everything a printed sheet needs: runs, [`Judged`] (statistics, verdicts), [`Curve`], remarks.
//! - [`Verdict`], [`Uncertain`]: GUM, JCGM 106 and ILAC-G8, each cited where it is used.
//! - [`Beside`]: two protectors, or bench and site, side by side.
//! - [`Sheet`]: results and plan in words, for whoever shows them.
//! - [`Act`]: what a person can say; [`Guidance::acts`] names those that mean something now.

mod beside;
mod caution;
mod conformity;
mod curve;
mod guidance;
mod judge;
mod note;
mod plan;
mod planned;
mod repeat;
mod results;
mod sequence;
mod session;
mod sheet;
mod shown;
mod told;
mod uncertainty;
mod watch;

pub use beside::{Beside, Second};
pub use caution::{CAUTIONS, Caution, WHO};
pub use conformity::{Verdict, conformance, decide};
pub use curve::{Curve, CurvePoint, MeasuredPoint, ONE_DISC, Reference};
pub use guidance::{Figure, Guidance, Shown};
pub use judge::{
    DRIFT_FROM, Drift, Function, Judged, Judgement, PARTIAL, Resistance, Statistic, TOO_FEW,
};
pub use note::{ACTS, Act};
pub use plan::{ClampClass, Classes, Limit, Load, MeterClass, Plan, Start, TripLimit, Window};
pub use repeat::{Ended, Repeat, Timed};
pub use results::{Constants, Pair, Results, side_by_side};
pub use sequence::Step;
pub use session::Bench;
pub use sheet::{Block, Drawn, Mark, PairRow, RUN_COLUMNS, RunRow, Sheet};
pub use shown::temperature;
pub use told::runs;
pub use uncertainty::{Part, Uncertain, coverage_factor};
pub use watch::Instant;
