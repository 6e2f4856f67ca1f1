//! The guided bench test in a browser: `/bench`.
//!
//! Page and terminal are two faces of one test. What both show is a [`Stand`], which whoever projects the record tells; what
//! both understand of a person's words is in [`said`]; results and plan are told by the heart ([`Sheet`]). Nothing of a test
//! is kept here but which cautions somebody has acknowledged so far, until he has acknowledged all and the record has that.

mod acknowledging;
mod files;
mod routes;
pub mod said;
mod stand;
mod stream;
mod view;

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use nightclamp_analysis::bench::{Beside, Results, Sheet};
use nightclamp_analysis::job::{Job, TemperatureScale};
use nightclamp_protocol::BoardId;
use tokio::sync::watch;

use acknowledging::Acknowledging;
pub(crate) use files::table;
pub(crate) use routes::{act, caution, invented, page, reading, state};
pub use stand::{Stand, Told};
pub(crate) use stream::live;

/// An invented bench, where there is no hardware: its switch, and what an ohmmeter across its protector would show.
pub trait Invented: Send + Sync + 'static {
    /// The person's switch.
    fn switch(&self, on: bool);
    /// How it stands.
    fn is_on(&self) -> bool;
    /// The ohmmeter.
    fn meter(&self) -> String;
}

/// What came of a test.
struct CameOfIt {
    results: Sheet,
    beside: Option<Sheet>,
}

/// A bench test that is served. Cloning it is cheap.
#[derive(Clone)]
pub struct BenchTest(Arc<Shared>);

struct Shared {
    told: Told,
    unit: String,
    board: BoardId,
    scale: TemperatureScale,
    /// The plan in words.
    plan: Vec<(&'static str, String)>,
    invented: Option<Arc<dyn Invented>>,
    beside: Option<Arc<Beside>>,
    acknowledging: Mutex<Acknowledging>,
    /// Counts what changes that is not in `told`.
    changed: watch::Sender<u64>,
    was_opened: AtomicBool,
}

impl BenchTest {
    /// The bench test that `job` plans, as far as `told` tells it, with `beside` beside what comes of it; `None` if it plans none.
    pub fn of(
        job: &Job,
        told: Told,
        invented: Option<Arc<dyn Invented>>,
        beside: Option<Arc<Beside>>,
    ) -> Option<Self> {
        let (plan, unit) = (job.bench.as_ref()?, job.units.first()?);
        Some(Self(Arc::new(Shared {
            told,
            unit: unit.name.clone(),
            board: unit.board,
            scale: job.temperature,
            plan: plan.told(unit, job.temperature),
            invented,
            beside,
            acknowledging: Mutex::default(),
            changed: watch::Sender::new(0),
            was_opened: AtomicBool::new(false),
        })))
    }

    /// Whether anybody has looked at the page.
    pub fn was_opened(&self) -> bool {
        self.0.was_opened.load(Ordering::Relaxed)
    }

    fn opened(&self) {
        self.0.was_opened.store(true, Ordering::Relaxed);
    }

    /// What came of it, and what stands beside that, in words.
    fn told(&self, results: &Results) -> CameOfIt {
        let (beside, scale) = (self.0.beside.as_ref(), self.0.scale);
        CameOfIt {
            results: results.told(scale),
            beside: beside.map(|beside| beside.told(results, scale)),
        }
    }

    fn stand(&self) -> Option<Arc<Stand>> {
        self.0.told.stand.borrow().clone()
    }

    /// Never kept across an await.
    fn acknowledging(&self) -> MutexGuard<'_, Acknowledging> {
        let acknowledging = self.0.acknowledging.lock();
        acknowledging.unwrap_or_else(PoisonError::into_inner)
    }

    fn tell_pages(&self) {
        self.0
            .changed
            .send_modify(|count| *count = count.wrapping_add(1));
    }
}
