//! Every address of the dashboard, in one table: the router is made of it, and a test holds `GET /api/v1/openapi.json`
//! against it. What an address takes and gives is written down in `web/openapi/`.

use axum::Router;
use axum::routing::{MethodRouter, get};

use crate::change::change;
use crate::serve::Site;
use crate::setup::routes as setup;
use crate::{
    api, assets, bench, cycles, cycling, laid, login, metrics, night, notes, openapi, stream,
    tables,
};

/// One address.
struct Route {
    /// Its path, parameters in braces.
    path: &'static str,
    /// What it takes; `HEAD` comes with `GET`.
    methods: &'static [&'static str],
    answered_by: fn() -> MethodRouter<Site>,
}

const GET: &[&str] = &["GET"];
const POST: &[&str] = &["POST"];

const fn route(
    path: &'static str,
    methods: &'static [&'static str],
    answered_by: fn() -> MethodRouter<Site>,
) -> Route {
    Route {
        path,
        methods,
        answered_by,
    }
}

/// Every address there is.
const ROUTES: &[Route] = &[
    route("/", GET, || get(assets::page)),
    route("/assets/{name}", GET, || get(assets::asset)),
    route("/login", &["GET", "POST"], || {
        change(login::log_in).get(assets::login)
    }),
    route("/logout", POST, || change(login::log_out)),
    route("/api/v1/now", GET, || get(api::now)),
    route("/api/v1/live", GET, || get(stream::live)),
    route("/api/v1/events", GET, || get(api::events)),
    route("/api/v1/series", GET, || get(api::series)),
    route("/api/v1/happened", GET, || get(api::happened)),
    route("/api/v1/cycles", GET, || get(cycles::list)),
    route("/api/v1/cycle", GET, || get(cycles::one)),
    route("/api/v1/cycling", GET, || get(cycling::told)),
    route("/api/v1/table", GET, || get(tables::table)),
    route("/api/v1/laid", GET, || get(laid::file)),
    route("/api/v1/night", GET, || get(night::told)),
    route("/api/v1/summary", GET, || get(night::summary)),
    route("/api/v1/marks", POST, || change(notes::mark)),
    route("/api/v1/readings", POST, || change(notes::reading)),
    route("/setup", GET, || get(assets::setup)),
    route("/api/v1/setup", GET, || get(setup::present)),
    route("/api/v1/setup/ports", GET, || get(setup::ports)),
    route("/api/v1/setup/listen", POST, || change(setup::listen)),
    route("/api/v1/setup/check", POST, || change(setup::check)),
    route("/api/v1/setup/look-over", POST, || change(setup::look_over)),
    route("/api/v1/setup/save", POST, || change(setup::save)),
    route("/api/v1/setup/zero", POST, || change(setup::zero)),
    route("/bench", GET, || get(bench::page)),
    route("/api/v1/bench", GET, || get(bench::state)),
    route("/api/v1/bench/live", GET, || get(bench::live)),
    route("/api/v1/bench/table", GET, || get(bench::table)),
    route("/api/v1/bench/cautions", POST, || change(bench::caution)),
    route("/api/v1/bench/acts", POST, || change(bench::act)),
    route("/api/v1/bench/readings", POST, || change(bench::reading)),
    route("/api/v1/bench/invented", POST, || change(bench::invented)),
    route("/api/v1/openapi.json", GET, || get(openapi::document)),
    route("/metrics", GET, || get(metrics::metrics)),
    route("/healthz", GET, || get(api::healthz)),
    route("/readyz", GET, || get(api::readyz)),
];

/// Every address and the methods it takes, parameters of its path in braces.
pub fn routes() -> impl Iterator<Item = (&'static str, &'static [&'static str])> {
    ROUTES.iter().map(|route| (route.path, route.methods))
}

/// A router of the table.
pub fn router() -> Router<Site> {
    ROUTES.iter().fold(Router::new(), |router, route| {
        router.route(route.path, (route.answered_by)())
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // a test that fails should say where

    use axum::body::Body;
    use axum::http::{Request, StatusCode};
    use nightclamp_analysis::job::Job;
    use tower::ServiceExt;

    use super::*;
    use crate::Live;

    /// As small as a job can be.
    const JOB: &str = include_str!("../../fixtures/jobs/good/smallest.toml");

    #[tokio::test]
    async fn every_address_takes_what_the_table_says_and_nothing_else() {
        let (live, _feed) = Live::new(&Job::parse(JOB, "job.toml").unwrap());
        let app = router().with_state(Site::new(live));
        for route in ROUTES {
            for method in ["GET", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"] {
                let request = Request::builder().method(method).uri(route.path);
                let request = request.body(Body::empty()).unwrap();
                let answer = app.clone().oneshot(request).await.unwrap();
                let is_taken = answer.status() != StatusCode::METHOD_NOT_ALLOWED;
                let is_said = route.methods.contains(&method);
                assert_eq!(is_taken, is_said, "{method} {}", route.path);
            }
        }
    }
}
