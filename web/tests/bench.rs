//! The guided bench test as a browser, and somebody who should not be one, gets it. No socket is opened.
#![allow(clippy::unwrap_used)] // a test that fails should say where

use std::sync::{Arc, Mutex};
use std::time::Instant;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{Method, Request, StatusCode};
use nightclamp_analysis::bench::{Bench, CAUTIONS};
use nightclamp_analysis::job::Job;
use nightclamp_analysis::rows::{EventKind, EventRow, Sink};
use nightclamp_protocol::BoardId;
use nightclamp_web::bench::{BenchTest, Stand, Told};
use nightclamp_web::hand::{Answer, Hand, Noted, Said};
use nightclamp_web::{Live, Site, app};
use serde_json::{Value, json};
use tokio::sync::watch;
use tower::ServiceExt;

const PLAN: &str = r#"
job = { name = "Protector off the proofing-room freezer", timezone = "Europe/Lisbon" }
bench = { load = "locked-rotor", repeats = 2 }
[[board]]
id = "7f3a91c2"
[[unit]]
name = "protector"
board = "7f3a91c2"
channels = { current = "common" }
protector = { kind = "external-strip", longest_trip_s = 30 }
"#;

/// Keeps what it is told, as the record would.
#[derive(Default)]
struct Kept(Mutex<Vec<String>>);

impl Hand for Kept {
    fn note(&self, _: BoardId, said: Said) -> Answer<'_, Noted> {
        self.0.lock().unwrap().push(said.note());
        Box::pin(async { Ok(Noted { at_us: 1 }) })
    }
}

/// A test after these notes, and what is noted from now on.
fn after(notes: &[&str]) -> (Router, Arc<Kept>) {
    let job = Job::parse(PLAN, "plan.toml").unwrap();
    let mut bench = Bench::new(&job).unwrap();
    for (at, note) in (1..).zip(notes) {
        let row = EventRow {
            time: at,
            kind: EventKind::Mark,
            cause: None,
            current_a: None,
            case_c: None,
            detail: (*note).to_owned(),
        };
        bench.event("protector", row);
    }
    let stand = Stand {
        guidance: bench.guidance(),
        by: None,
        runs: Vec::new(),
        heard: Instant::now(),
    };
    let told = Told {
        stand: watch::Sender::new(Some(Arc::new(stand))).subscribe(),
        results: watch::Sender::new(None).subscribe(),
    };
    let (hand, live) = (Arc::new(Kept::default()), Live::new(&job).0);
    let site = Site::new(live)
        .with_hand(hand.clone())
        .with_bench(BenchTest::of(&job, told, None, None));
    (app(site), hand)
}

async fn ask(app: &Router, request: Request<Body>) -> (StatusCode, Value) {
    let answer = app.clone().oneshot(request).await.unwrap();
    let status = answer.status();
    let body = to_bytes(answer.into_body(), 1 << 20).await.unwrap();
    (status, serde_json::from_slice(&body).unwrap_or_default())
}

async fn get(app: &Router, path: &str) -> (StatusCode, Value) {
    let request = Request::get(path).header("host", "localhost");
    ask(app, request.body(Body::empty()).unwrap()).await
}

/// The status, and what the problem says, if it is one.
async fn post(app: &Router, path: &str, body: Value) -> (u16, String) {
    let request = Request::post(format!("/api/v1/bench/{path}"))
        .header("host", "localhost")
        .header("origin", "http://localhost")
        .header("content-type", "application/json");
    let (status, answer) = ask(app, request.body(Body::from(body.to_string())).unwrap()).await;
    let detail = answer["detail"].as_str().unwrap_or_default();
    (status.as_u16(), detail.to_owned())
}

const ACKNOWLEDGED: &str = "bench acknowledged by=J. Doe";

#[tokio::test]
async fn the_record_has_that_the_cautions_were_read_once_one_person_has_read_all_of_them() {
    let (app, hand) = after(&[]);
    let read = |key: &'static str, by: &'static str| {
        let app = app.clone();
        async move {
            post(&app, "cautions", json!({ "caution": key, "by": by }))
                .await
                .0
        }
    };
    for caution in &CAUTIONS[..CAUTIONS.len() - 1] {
        assert_eq!(read(caution.key, "J. Doe").await, 200);
    }
    let last = CAUTIONS[CAUTIONS.len() - 1].key;
    assert_eq!(read(last, "R. Roe").await, 200);
    assert!(
        hand.0.lock().unwrap().is_empty(),
        "another has read only one of them"
    );
    for caution in &CAUTIONS[..CAUTIONS.len() - 1] {
        assert_eq!(read(caution.key, " J. Doe ").await, 200);
    }
    let (_, state) = get(&app, "/api/v1/bench").await;
    let so_far = state["now"]["acknowledging"]["read"]
        .as_array()
        .unwrap()
        .len();
    assert_eq!(
        so_far,
        CAUTIONS.len() - 1,
        "another browser finds how far he has read"
    );
    assert_eq!(read(last, "J. Doe").await, 201);
    assert_eq!(*hand.0.lock().unwrap(), [ACKNOWLEDGED]);
}

#[tokio::test]
async fn what_cannot_be_is_refused_and_the_answer_names_what_is_wrong() {
    let by = "J. Doe";
    let long = "n".repeat(61);
    let reading = |what: &str, value: &str| json!({ "what": what, "value": value, "by": by });
    let none: &[&str] = &[];
    let cases = [
        (
            none,
            "cautions",
            json!({ "caution": "none-such", "by": by }),
            422,
            "caution:",
        ),
        (
            none,
            "cautions",
            json!({ "caution": "isolate", "by": "ok" }),
            422,
            "by:",
        ),
        (
            none,
            "cautions",
            json!({ "caution": "isolate", "by": long }),
            422,
            "by:",
        ),
        (
            none,
            "cautions",
            json!({ "caution": "isolate", "by": "A\nbench done by=B" }),
            422,
            "by:",
        ),
        (
            none,
            "acts",
            json!({ "act": "acknowledged", "by": by }),
            422,
            "act:",
        ),
        (
            none,
            "acts",
            json!({ "act": "energise", "by": by }),
            422,
            "act:",
        ),
        (
            none,
            "acts",
            json!({ "act": "resume", "by": by }),
            409,
            "act:",
        ),
        (
            none,
            "acts",
            json!({ "act": "abort", "by": "" }),
            422,
            "by:",
        ),
        (
            none,
            "acts",
            json!({ "act": "abort" }),
            422,
            "missing key `by`",
        ),
        (
            none,
            "acts",
            json!({ "act": "abort", "by": by, "at": 1 }),
            422,
            "unknown key `at`",
        ),
        (
            none,
            "readings",
            reading("protector-cold", "0.41"),
            409,
            "value:",
        ),
        (
            &[ACKNOWLEDGED],
            "cautions",
            json!({ "caution": "isolate", "by": by }),
            409,
            "act:",
        ),
        (
            &[ACKNOWLEDGED],
            "readings",
            reading("protector-hot", "0.41"),
            409,
            "what:",
        ),
        (
            &[ACKNOWLEDGED],
            "readings",
            reading("protector-cold", "about half"),
            422,
            "value:",
        ),
        (
            &[ACKNOWLEDGED],
            "readings",
            reading("protector-cold", "-1"),
            422,
            "value:",
        ),
        (
            &[ACKNOWLEDGED],
            "readings",
            reading("protector-cold", "NaN"),
            422,
            "value:",
        ),
        (
            &[ACKNOWLEDGED],
            "acts",
            json!({ "act": "by-hand", "by": by }),
            409,
            "act:",
        ),
        (
            &[ACKNOWLEDGED],
            "invented",
            json!({ "on": true }),
            409,
            "on:",
        ),
    ];
    for (notes, path, body, status, names) in cases {
        let (app, hand) = after(notes);
        let answer = post(&app, path, body.clone()).await;
        assert_eq!(answer.0, status, "{path} {body}: {}", answer.1);
        assert!(answer.1.contains(names), "{path} {body}: {}", answer.1);
        assert!(hand.0.lock().unwrap().is_empty(), "{path} {body} was kept");
    }
}

#[tokio::test]
async fn a_reading_and_an_act_in_their_step_are_kept_as_they_were_said() {
    for (path, body, note) in [
        (
            "readings",
            json!({ "what": "protector-cold", "value": "ol", "by": "J. Doe" }),
            "reading unit=protector what=protector-cold value=OL by=J. Doe",
        ),
        (
            "acts",
            json!({ "act": "skip", "by": "J. Doe" }),
            "bench skip by=J. Doe",
        ),
    ] {
        let (app, hand) = after(&[ACKNOWLEDGED]);
        assert_eq!(post(&app, path, body).await.0, 201);
        assert_eq!(*hand.0.lock().unwrap(), [note]);
    }
}

#[tokio::test]
async fn only_its_own_page_may_change_anything_and_no_look_does() {
    let (app, hand) = after(&[ACKNOWLEDGED]);
    let body = json!({ "act": "skip", "by": "J. Doe" }).to_string();
    for (method, host, origin, content, status) in [
        (
            Method::POST,
            "evil.example",
            "http://evil.example",
            "application/json",
            421,
        ),
        (
            Method::POST,
            "localhost",
            "http://evil.example",
            "application/json",
            403,
        ),
        (
            Method::POST,
            "localhost",
            "http://localhost",
            "text/plain",
            415,
        ),
        (
            Method::GET,
            "localhost",
            "http://localhost",
            "application/json",
            405,
        ),
    ] {
        let request = Request::builder()
            .method(method.clone())
            .uri("/api/v1/bench/acts")
            .header("host", host)
            .header("origin", origin)
            .header("content-type", content)
            .body(Body::from(body.clone()));
        let (answered, _) = ask(&app, request.unwrap()).await;
        assert_eq!(
            answered.as_u16(),
            status,
            "{method} {host} {origin} {content}"
        );
    }
    assert!(hand.0.lock().unwrap().is_empty());
}

#[tokio::test]
async fn a_job_that_plans_no_bench_test_has_no_page_for_one() {
    let night = PLAN.replace("bench = ", "# ");
    let (live, _feed) = Live::new(&Job::parse(&night, "job.toml").unwrap());
    let app = app(Site::new(live));
    for path in ["/bench", "/api/v1/bench", "/api/v1/bench/live"] {
        assert_eq!(get(&app, path).await.0, StatusCode::NOT_FOUND, "{path}");
    }
}
