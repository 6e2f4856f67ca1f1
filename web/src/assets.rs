//! The page and its parts, compiled in: nothing is fetched from anywhere, nothing is read from disk.

use axum::extract::{Path, State};
use axum::http::header;
use axum::response::{IntoResponse, Redirect, Response};

use crate::problem::Problem;
use crate::serve::Site;

const HTML: &str = "text/html; charset=utf-8";
const CSS: &str = "text/css; charset=utf-8";
const SCRIPT: &str = "text/javascript; charset=utf-8";
const SVG: &str = "image/svg+xml";

/// Name, content type, text.
type Asset = (&'static str, &'static str, &'static str);

macro_rules! asset {
    ($name:literal, $kind:expr) => {
        ($name, $kind, include_str!(concat!("../assets/", $name)))
    };
}

const PAGE: Asset = asset!("index.html", HTML);
const BENCH: Asset = asset!("bench.html", HTML);
const LOGIN: Asset = asset!("login.html", HTML);

const SETUP: Asset = asset!("setup.html", HTML);

/// Everything under `/assets/`.
const ASSETS: &[Asset] = &[
    asset!("style.css", CSS),
    asset!("icon.svg", SVG),
    asset!("api.js", SCRIPT),
    asset!("away.js", SCRIPT),
    asset!("alarm.js", SCRIPT),
    asset!("bench.css", CSS),
    asset!("bench.js", SCRIPT),
    asset!("benchcurve.js", SCRIPT),
    asset!("benchparts.js", SCRIPT),
    asset!("cards.js", SCRIPT),
    asset!("chart.js", SCRIPT),
    asset!("clock.js", SCRIPT),
    asset!("compare.js", SCRIPT),
    asset!("cycle.js", SCRIPT),
    asset!("cycles.js", SCRIPT),
    asset!("cycling.js", SCRIPT),
    asset!("dangers.js", SCRIPT),
    asset!("dom.js", SCRIPT),
    asset!("figures.js", SCRIPT),
    asset!("files.js", SCRIPT),
    asset!("gestures.js", SCRIPT),
    asset!("link.js", SCRIPT),
    asset!("login.js", SCRIPT),
    asset!("main.js", SCRIPT),
    asset!("moved.js", SCRIPT),
    asset!("overlay.js", SCRIPT),
    asset!("notes.js", SCRIPT),
    asset!("plot.js", SCRIPT),
    asset!("scale.js", SCRIPT),
    asset!("scheme.js", SCRIPT),
    asset!("setup-fields.js", SCRIPT),
    asset!("setup-plan.js", SCRIPT),
    asset!("setup.css", CSS),
    asset!("setup.js", SCRIPT),
    asset!("shapes.js", SCRIPT),
    asset!("shown.js", SCRIPT),
    asset!("story.js", SCRIPT),
    asset!("strip.js", SCRIPT),
    asset!("tiles.js", SCRIPT),
    asset!("words.js", SCRIPT),
];

/// `GET /`. While there is no job yet, the way to make one.
pub async fn page(State(site): State<Site>) -> Response {
    match site.desk() {
        Some(desk) if !desk.is_recording() => Redirect::to("/setup").into_response(),
        _ => respond(&PAGE),
    }
}

/// `GET /bench`, where there is a bench test.
pub fn bench() -> Response {
    respond(&BENCH)
}

/// `GET /login`
pub async fn login() -> Response {
    respond(&LOGIN)
}

/// `GET /setup`
pub async fn setup() -> Response {
    respond(&SETUP)
}

/// `GET /assets/{name}`
pub async fn asset(Path(name): Path<String>) -> Response {
    match ASSETS.iter().find(|(known, ..)| *known == name) {
        Some(asset) => respond(asset),
        None => Problem::not_found("no such part of the page").into_response(),
    }
}

fn respond((_, kind, text): &Asset) -> Response {
    ([(header::CONTENT_TYPE, *kind)], *text).into_response()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_whole_page_stays_small() {
        let bytes: usize = ASSETS
            .iter()
            .chain([&PAGE, &BENCH, &LOGIN, &SETUP])
            .map(|(.., text)| text.len())
            .sum();
        assert!(bytes < 300_000, "{bytes} bytes");
    }

    #[test]
    fn nothing_in_it_points_elsewhere_or_needs_a_weaker_policy() {
        for (name, _, text) in ASSETS.iter().chain([&PAGE, &BENCH, &LOGIN, &SETUP]) {
            for forbidden in [
                "https://",
                "//cdn",
                "innerHTML",
                "outerHTML",
                "insertAdjacentHTML",
                "eval(",
                " style=\"",
                " onclick=",
            ] {
                assert!(!text.contains(forbidden), "{name} holds {forbidden}");
            }
        }
    }
}
