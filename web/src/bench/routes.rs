//! The bench test's addresses. Each that changes something is under the rules of [`change`](crate::change).

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use nightclamp_analysis::bench::{ACTS, Act, Guidance};
use serde::Deserialize;
use serde_json::json;

use super::said::{self, Not};
use super::{BenchTest, view};
use crate::assets;
use crate::change::Told;
use crate::hand::Said;
use crate::problem::Problem;
use crate::serve::Site;
use crate::setup::Desk;

/// The body of `POST /api/v1/bench/cautions`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReadCaution {
    /// The key of the caution that has been read and is kept to.
    caution: String,
    /// By whom.
    by: String,
}

/// The body of `POST /api/v1/bench/acts`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NewAct {
    /// What was done: see [`Act`].
    act: String,
    /// By whom.
    by: String,
}

/// The body of `POST /api/v1/bench/readings`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NewReading {
    /// Which is meant: it has to be the one that is asked for.
    what: String,
    /// What the ohmmeter shows: a figure, with or without its unit, or `OL`.
    value: String,
    /// By whom.
    by: String,
}

/// The body of `POST /api/v1/bench/invented`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Switched {
    /// How the invented bench's switch is to stand.
    on: bool,
}

/// The bench test that is served.
pub fn of(site: &Site) -> Result<&BenchTest, Problem> {
    let none =
        || Problem::not_found("this job plans no bench test: there is no table [bench] in it");
    site.bench().ok_or_else(none)
}

/// What to do now, for whoever has something to say to that.
fn guidance(test: &BenchTest) -> Result<Guidance, Problem> {
    let stand = test.stand().ok_or_else(|| {
        let detail = "the board has not spoken yet: nothing was taken down";
        Problem::new(StatusCode::CONFLICT, detail)
    })?;
    Ok(stand.guidance.clone())
}

/// `GET /bench`; while the plan is still to be made, the way to it.
pub async fn page(State(site): State<Site>) -> Result<Response, Problem> {
    if site
        .desk()
        .is_some_and(|desk| desk.plans_bench() && !desk.is_recording())
    {
        return Ok(Redirect::to("/setup").into_response());
    }
    of(&site)?.opened();
    Ok(assets::bench())
}

/// `GET /api/v1/bench`: plan, cautions, and where it stands.
pub async fn state(State(site): State<Site>) -> Result<Response, Problem> {
    let (test, live) = (of(&site)?, site.live());
    test.opened();
    let results = test.0.told.results.borrow().clone();
    let results = results.map(|results| test.told(&results));
    let state = json!({ "test": view::fixed(test, live, may_plan(&site)), "now": view::now(test, live, results) });
    Ok(Json(state).into_response())
}

/// Whether the plan may be changed by the set-up page.
fn may_plan(site: &Site) -> bool {
    site.desk().is_some_and(Desk::plans_bench)
}

/// `POST /api/v1/bench/cautions`: one caution has been read; with the last of them the record has that all were.
pub async fn caution(
    State(site): State<Site>,
    Told(read): Told<ReadCaution>,
) -> Result<Response, Problem> {
    let test = of(&site)?;
    let now = guidance(test)?;
    let acknowledged = said::acknowledged(&read.by, &now)?;
    let were_all = test.acknowledging().read(read.by.trim(), &read.caution);
    let were_all = were_all.ok_or_else(|| Problem::unfit("caution: there is none of this key"))?;
    test.tell_pages();
    if !were_all {
        return Ok(Json(json!({ "at_us": null })).into_response());
    }
    keep(&site, acknowledged).await
}

/// `POST /api/v1/bench/acts`
pub async fn act(State(site): State<Site>, Told(new): Told<NewAct>) -> Result<Response, Problem> {
    let test = of(&site)?;
    // Cautions are acknowledged one by one, by the address above.
    let act = Act::named(&new.act).filter(|act| *act != Act::Acknowledged);
    let act = act.ok_or_else(|| {
        let known = ACTS.iter().filter(|act| **act != Act::Acknowledged);
        let known: Vec<_> = known.map(|act| act.as_str()).collect();
        Problem::unfit(format!("act: one of {} is needed", known.join(", ")))
    })?;
    let said = said::act(act, &new.by, &guidance(test)?)?;
    keep(&site, said).await
}

/// `POST /api/v1/bench/readings`
pub async fn reading(
    State(site): State<Site>,
    Told(new): Told<NewReading>,
) -> Result<Response, Problem> {
    let test = of(&site)?;
    let (by, now) = (said::name(&new.by)?, guidance(test)?);
    let said = said::reading(&test.0.unit, Some(&new.what), &new.value, by, &now)?;
    keep(&site, said).await
}

/// `POST /api/v1/bench/invented`: the switch of an invented bench. There is no other that could be switched.
pub async fn invented(
    State(site): State<Site>,
    Told(switched): Told<Switched>,
) -> Result<Response, Problem> {
    let test = of(&site)?;
    let invented = test.0.invented.as_ref().ok_or_else(|| {
        let detail = "on: this bench is real, and switches are for people";
        Problem::new(StatusCode::CONFLICT, detail)
    })?;
    invented.switch(switched.on);
    test.tell_pages();
    Ok(Json(json!({ "on": switched.on })).into_response())
}

/// Has it written into the log of the test's board.
async fn keep(site: &Site, said: Said) -> Result<Response, Problem> {
    let noted = site.hand().note(of(site)?.0.board, said).await?;
    Ok((StatusCode::CREATED, Json(json!({ "at_us": noted.at_us }))).into_response())
}

impl From<Not> for Problem {
    fn from(not: Not) -> Self {
        let detail = format!("{}: {}", not.field, not.why);
        if not.is_untimely {
            Self::new(StatusCode::CONFLICT, detail)
        } else {
            Self::unfit(detail)
        }
    }
}
