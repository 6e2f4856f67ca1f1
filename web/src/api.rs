//! The answers that are asked for, as against the stream that comes by itself.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use axum::Json;
use axum::extract::State;
use axum::http::{StatusCode, Uri};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use serde_json::json;

use crate::download::DOWNLOAD_ROWS_MAX;
use crate::happened::{self, Stretch};
use crate::live::{Lists, Live, UnitStore, View, wall_us};
use crate::params::Params;
use crate::problem::Problem;
use crate::series::{self, range_of};
use crate::serve::Site;
use crate::view::{EventView, JobView, NowView};

/// `GET /api/v1/now`: the job, whether it may be set up by a page, whether a token let this reader in, how long a download may
/// be, and the state of everything.
#[derive(Serialize)]
struct Now<'a> {
    run: i64,
    wall_us: i64,
    job: &'a JobView,
    set_up: bool,
    guarded: bool,
    download_rows_max: u64,
    #[serde(flatten)]
    now: &'a NowView,
}

/// `GET /api/v1/now`
pub async fn now(State(site): State<Site>) -> Response {
    let live = site.live();
    let now = Arc::clone(&live.view().now);
    let shared = live.shared();
    Json(Now {
        run: shared.run,
        wall_us: wall_us(),
        job: &shared.job,
        set_up: site.desk().is_some(),
        guarded: site.keeper().is_some(),
        download_rows_max: DOWNLOAD_ROWS_MAX,
        now: &now,
    })
    .into_response()
}

/// `GET /api/v1/events?unit=&from=&to=&limit=`: newest first, those of the unit's board among them.
pub async fn events(State(live): State<Live>, uri: Uri) -> Result<Response, Problem> {
    let params = Params::from_uri(&uri)?;
    let (from_us, to_us) = params.range();
    let mut events: Vec<EventView> = {
        let view = live.view();
        let lists = lists_with_board(&view, unit(&view, &params)?);
        let newest =
            lists.map(|(name, lists)| (name, lists.events.newest(from_us, to_us, params.limit)));
        newest
            .flat_map(|(name, rows)| rows.into_iter().map(move |row| EventView::of(&name, row)))
            .collect()
    };
    events.sort_by_key(|event| std::cmp::Reverse(event.time_us()));
    events.truncate(params.limit);
    Ok(Json(json!({ "unit": params.unit, "events": events })).into_response())
}

/// `GET /api/v1/series?unit=&from=&to=&points=`: lowest and highest reading per stretch of time.
pub async fn series(State(live): State<Live>, uri: Uri) -> Result<Response, Problem> {
    let params = Params::from_uri(&uri)?;
    let series = series::of(&live, &params).await?;
    Ok(Json(json!({ "unit": params.unit, "series": series })).into_response())
}

/// `GET /api/v1/happened?unit=&from=&to=&points=&limit=`: what happened, thinned to `limit` marks on a chart of `points`.
pub async fn happened(State(live): State<Live>, uri: Uri) -> Result<Response, Problem> {
    let params = Params::from_uri(&uri)?;
    let happened = {
        let view = live.view();
        let unit = unit(&view, &params)?;
        let (from_us, to_us) = range_of(unit, &params);
        let stretch = Stretch {
            from_us,
            to_us,
            points: params.points,
            slots: params.limit,
            last_us: unit.overview.span().map_or(to_us, |(_, last_us)| last_us),
        };
        let lists: Vec<_> = lists_with_board(&view, unit).collect();
        let events = lists.iter().flat_map(|(_, lists)| lists.events.iter());
        let cycles = lists.iter().flat_map(|(_, lists)| lists.cycles.iter());
        happened::of(&stretch, events, cycles)
    };
    Ok(Json(json!({ "unit": params.unit, "happened": happened })).into_response())
}

/// `GET /healthz`: the program answers.
pub async fn healthz() -> &'static str {
    "alive\n"
}

/// `GET /readyz`: the record on disk has been read, every stage of the recorder moves, and what comes can be written down. A
/// board that is missing does not make it unready.
pub async fn readyz(State(live): State<Live>) -> Response {
    let still_read = || {
        let is_read = live.shared().ready.load(Ordering::Relaxed);
        (!is_read).then(|| "the record on disk is still being read".to_owned())
    };
    let unwritten = || {
        let now = Arc::clone(&live.view().now);
        let notice = now.notices.iter().find(|notice| notice.is_unwritten())?;
        Some(format!("{}: {}", notice.about, notice.text))
    };
    match live.what_is_stuck().or_else(unwritten).or_else(still_read) {
        Some(why) => Problem::new(StatusCode::SERVICE_UNAVAILABLE, why).into_response(),
        None => "ready\n".into_response(),
    }
}

pub(crate) fn unit<'a>(view: &'a View, params: &Params) -> Result<&'a UnitStore, Problem> {
    view.unit(&params.unit)
        .ok_or_else(|| Problem::not_found("unit: the job has no compressor of this name"))
}

/// The rows of a unit and of its board, each with the name they are listed under.
fn lists_with_board<'a>(
    view: &'a View,
    unit: &UnitStore,
) -> impl Iterator<Item = (String, &'a Lists)> + use<'a> {
    let names = [unit.name.clone(), format!("board-{}", unit.board)];
    names.into_iter().filter_map(|name| {
        let lists = view.lists.get(&name)?;
        Some((name, lists))
    })
}
