//! What a person adds to the record: marks and readings by hand. Each is safe on disk before it is answered.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use nightclamp_analysis::reading::{self, Reading};
use serde::Deserialize;
use serde_json::json;

use crate::change::Told;
use crate::hand::{MARK_CHARS_MAX, Mark, Refused, Said};
use crate::problem::Problem;
use crate::serve::Site;

/// The body of `POST /api/v1/marks`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NewMark {
    /// The unit beside which it happened.
    unit: String,
    /// What happened.
    text: String,
}

/// The body of `POST /api/v1/readings`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NewReading {
    /// The unit it was taken of.
    unit: String,
    /// What was measured: see [`What`](nightclamp_analysis::reading::What).
    what: String,
    /// A figure, with or without its unit, or `OL`.
    value: String,
    /// Who says so.
    #[serde(default)]
    by: String,
}

/// `POST /api/v1/marks`
pub async fn mark(State(site): State<Site>, Told(new): Told<NewMark>) -> Result<Response, Problem> {
    let mark = Mark::new(&new.text).ok_or_else(|| {
        Problem::unfit(format!(
            "text: 1 to {MARK_CHARS_MAX} characters on one line are needed"
        ))
    })?;
    keep(&site, &new.unit, Said::Mark(mark)).await
}

/// `POST /api/v1/readings`
pub async fn reading(
    State(site): State<Site>,
    Told(new): Told<NewReading>,
) -> Result<Response, Problem> {
    let NewReading {
        unit,
        what,
        value,
        by,
    } = &new;
    let reading = Reading::new(unit, what, value, by).map_err(|why| {
        let key = match why {
            reading::Refused::Unit => "unit",
            reading::Refused::What => "what",
            reading::Refused::Value => "value",
            reading::Refused::By => "by",
        };
        Problem::unfit(format!("{key}: {why}"))
    })?;
    keep(&site, unit, Said::Reading(reading)).await
}

/// Has it written into the log of the unit's board.
async fn keep(site: &Site, unit: &str, said: Said) -> Result<Response, Problem> {
    let board = site.live().view().unit(unit).map(|unit| unit.board);
    let board =
        board.ok_or_else(|| Problem::not_found("unit: the job has no compressor of this name"))?;
    let noted = site.hand().note(board, said).await?;
    let answer = json!({ "at_us": noted.at_us });
    Ok((StatusCode::CREATED, Json(answer)).into_response())
}

impl From<Refused> for Problem {
    fn from(refused: Refused) -> Self {
        let status = match refused {
            Refused::NoHand => StatusCode::FORBIDDEN,
            Refused::NoSuchBoard => StatusCode::CONFLICT,
            Refused::NotSafeYet => StatusCode::GATEWAY_TIMEOUT,
            Refused::Busy | Refused::Lost => StatusCode::SERVICE_UNAVAILABLE,
        };
        Self::new(status, refused.to_string())
    }
}
