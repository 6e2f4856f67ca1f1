//! A bench test as JSON.

use std::sync::Arc;

use nightclamp_analysis::bench::{
    ACTS, Act, Block, CAUTIONS, Caution, Guidance, PARTIAL, Sheet, WHO, runs,
};
use nightclamp_analysis::job::TemperatureScale;
use serde::Serialize;
use serde_json::{Value, json};

use super::stand::{Stand, UNSEEN};
use super::{BenchTest, CameOfIt};
use crate::live::{Live, wall_us};
use crate::view::NowView;

/// What does not change while the program runs: `GET /api/v1/bench`, beside [`now`].
pub fn fixed(test: &BenchTest, live: &Live, may_plan: bool) -> Value {
    let caution = |c: &Caution| json!({ "key": c.key, "head": c.head, "text": c.text });
    let act = |act: &Act| json!({ "act": act.as_str(), "words": act.words() });
    json!({
        "job": live.shared().job,
        "unit": test.0.unit,
        "may_plan": may_plan,
        "plan": test.0.plan,
        "who": WHO,
        "cautions": CAUTIONS.iter().map(caution).collect::<Vec<_>>(),
        "acts": ACTS.iter().map(act).collect::<Vec<_>>(),
        "partial": PARTIAL,
        "unseen": UNSEEN,
        "is_invented": test.0.invented.is_some(),
    })
}

/// What changes: a message of the stream.
#[derive(Serialize)]
struct Message<'a> {
    run: i64,
    wall_us: i64,
    #[serde(flatten)]
    now: &'a NowView,
    /// Who is reading the cautions, and what he has read.
    acknowledging: AcknowledgingView,
    /// Where it stands; null before the board has spoken.
    stand: Option<StandView>,
    /// What came of it, if that is new to the reader; null while the test is not over, or where nothing has changed.
    results: Option<Sheet>,
    /// What stands beside it; new whenever that is, null where nothing was asked for.
    beside: Option<Sheet>,
    /// The invented bench, if it is one.
    invented: Option<InventedView>,
}

#[derive(Serialize)]
struct AcknowledgingView {
    by: String,
    read: Vec<&'static str>,
}

#[derive(Serialize)]
struct InventedView {
    is_on: bool,
    meter: String,
}

#[derive(Serialize)]
struct StandView {
    step: &'static str,
    /// Record time, µs.
    since_us: i64,
    now_us: i64,
    /// Since the newest sample came, s.
    heard_s: f64,
    repeat: u32,
    repeats: u32,
    line: String,
    figures: Vec<FigureView>,
    closes: Option<String>,
    danger: Option<String>,
    asks: Option<AsksView>,
    acts: Vec<&'static str>,
    by: Option<String>,
    runs: Block,
}

#[derive(Serialize)]
struct FigureView {
    label: &'static str,
    value: String,
    unit: &'static str,
}

#[derive(Serialize)]
struct AsksView {
    what: &'static str,
    words: &'static str,
    unit: &'static str,
}

/// As it is now, with what came of it for whoever does not have that yet.
pub fn now(test: &BenchTest, live: &Live, came_of_it: Option<CameOfIt>) -> Value {
    let now = Arc::clone(&live.view().now);
    let (results, beside) = match came_of_it {
        Some(came_of_it) => (Some(came_of_it.results), came_of_it.beside),
        None => (None, None),
    };
    let acknowledging = {
        let acknowledging = test.acknowledging();
        AcknowledgingView {
            by: acknowledging.by().to_owned(),
            read: acknowledging.keys(),
        }
    };
    let message = Message {
        run: live.shared().run,
        wall_us: wall_us(),
        now: &now,
        acknowledging,
        stand: test
            .stand()
            .map(|stand| StandView::of(&stand, test.0.scale)),
        results,
        beside,
        invented: test.0.invented.as_ref().map(|invented| InventedView {
            is_on: invented.is_on(),
            meter: invented.meter(),
        }),
    };
    json!(message)
}

impl StandView {
    fn of(stand: &Stand, scale: TemperatureScale) -> Self {
        let guidance: &Guidance = &stand.guidance;
        let figures = guidance.figures.iter().map(|figure| {
            let (value, unit) = figure.as_shown(scale);
            FigureView {
                label: figure.label,
                value,
                unit,
            }
        });
        Self {
            step: guidance.step.as_str(),
            since_us: guidance.since,
            now_us: guidance.now,
            heard_s: stand.heard.elapsed().as_secs_f64(),
            repeat: guidance.repeat,
            repeats: guidance.repeats,
            line: guidance.line.clone(),
            figures: figures.collect(),
            closes: guidance.closes(),
            danger: stand.danger(),
            asks: guidance.asks.map(|what| AsksView {
                what: what.as_str(),
                words: what.words(),
                unit: what.unit(),
            }),
            acts: guidance.acts.iter().map(|act| act.as_str()).collect(),
            by: stand.by.clone(),
            runs: runs(&stand.runs, scale),
        }
    }
}
