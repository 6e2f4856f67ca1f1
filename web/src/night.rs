//! A stretch in sentences, each with where it can be seen and the rows it rests on.

use axum::Json;
use axum::extract::State;
use axum::http::Uri;
use axum::response::{IntoResponse, Response};
use nightclamp_analysis::evidence::Span;
use nightclamp_analysis::findings::learned;
use nightclamp_analysis::night::{Counts, Night, RowRef, Sentence, night};
use nightclamp_analysis::rows::RecordTime;
use serde::Serialize;
use serde_json::json;

use crate::evidence::Copied;
use crate::live::Live;
use crate::params::Params;
use crate::problem::Problem;

/// Places and rows of a sentence that are sent at most, the most telling first.
pub const PLACES_MAX: usize = 60;

/// A stretch.
#[derive(Serialize)]
struct NightView {
    from_us: RecordTime,
    to_us: RecordTime,
    /// Rows from before it were let go of: they are in the tables on disk.
    cut: bool,
    counts: Counts,
    sentences: Vec<SentenceView>,
    /// What the record shows of the machine where the nameplate does not, in words, as learned.
    learned: Vec<String>,
}

/// One sentence.
#[derive(Serialize)]
pub struct SentenceView {
    kind: &'static str,
    /// `plain`, `look`, `doubt` or `danger`.
    weight: &'static str,
    text: String,
    check: String,
    /// Where it can be seen: begin and end, µs.
    places: Vec<[RecordTime; 2]>,
    /// `cycle` with its `on_at`, or `event` with its `time`.
    rows: Vec<RowView>,
    /// How many rows it rests on.
    rows_total: usize,
}

#[derive(Serialize)]
struct RowView {
    of: &'static str,
    at_us: RecordTime,
}

impl From<Sentence> for SentenceView {
    fn from(said: Sentence) -> Self {
        let place = |place: &Span| [place.from, place.until];
        let row = |row: &RowRef| match *row {
            RowRef::Cycle(at_us) => RowView { of: "cycle", at_us },
            RowRef::Event(at_us) => RowView { of: "event", at_us },
        };
        Self {
            kind: said.kind.as_str(),
            weight: said.weight.as_str(),
            text: said.text,
            check: said.check,
            places: said.places.iter().take(PLACES_MAX).map(place).collect(),
            rows: said.rows.iter().take(PLACES_MAX).map(row).collect(),
            rows_total: said.rows.len(),
        }
    }
}

/// `GET /api/v1/night?unit=&from=&to=`: a stretch in sentences; without from and to the whole record.
pub async fn told(State(live): State<Live>, uri: Uri) -> Result<Response, Problem> {
    let params = Params::from_uri(&uri)?;
    let copied = Copied::of(&live, &params)?;
    let Night {
        period,
        counts,
        sentences,
    } = night(&copied.evidence(), copied.asked);
    let night = NightView {
        from_us: period.from,
        to_us: period.until,
        cut: copied.is_cut,
        counts,
        sentences: sentences.into_iter().map(SentenceView::from).collect(),
        learned: learned(&copied.evidence_asked()).words(),
    };
    Ok(Json(json!({ "unit": params.unit, "night": night })).into_response())
}

/// `GET /api/v1/summary?unit=&from=&to=`: a stretch in a few counts.
pub async fn summary(State(live): State<Live>, uri: Uri) -> Result<Response, Problem> {
    let params = Params::from_uri(&uri)?;
    let copied = Copied::of(&live, &params)?;
    let Night { counts, .. } = night(&copied.evidence(), copied.asked);
    Ok(Json(json!({ "unit": params.unit, "summary": counts })).into_response())
}

/// What is said of a stretch that rests on the cycle which began at `on_at`.
pub fn resting_on(copied: &Copied, on_at: RecordTime) -> Vec<SentenceView> {
    let night = night(&copied.evidence(), copied.asked);
    let rests = |said: &Sentence| {
        said.weight != nightclamp_analysis::night::Weight::Plain
            && said.rows.contains(&RowRef::Cycle(on_at))
    };
    let of_it = night.sentences.into_iter().filter(rests);
    of_it.map(SentenceView::from).collect()
}
