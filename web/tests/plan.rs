//! The plan of a bench test, typed on the set-up page: every key that a plan may have, judged as the file is.
#![allow(clippy::unwrap_used, clippy::expect_used)] // a test that fails should say where

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{Method, Request, StatusCode};
use nightclamp_analysis::bench::Start;
use nightclamp_analysis::job::Job;
use nightclamp_protocol::BoardId;
use nightclamp_web::setup::{Answer, Desk, Finding, Heard, JobFile, Port, Trouble, sha256_of};
use nightclamp_web::{Live, Site, app};
use serde_json::{Value, json};
use tower::ServiceExt;

const DOCUMENTATION: &str = include_str!("../../daemon/BENCHPLAN.md");
const FIELDS_OF_THE_PAGE: &str = include_str!("../assets/setup-plan.js");

/// A machine with a plan and nothing else; what is saved is kept.
struct Stub {
    text: Option<String>,
    is_recording: bool,
    saved: Arc<Mutex<Vec<String>>>,
}

fn not_here<T: Send + 'static>() -> Answer<'static, T> {
    Box::pin(async { Err(Trouble::NotNow("not here".to_owned())) })
}

impl Desk for Stub {
    fn is_recording(&self) -> bool {
        self.is_recording
    }

    fn plans_bench(&self) -> bool {
        true
    }

    fn job_file(&self) -> Answer<'_, JobFile> {
        let (path, text) = (PathBuf::from("plan.toml"), self.text.clone());
        Box::pin(async { Ok(JobFile { path, text }) })
    }

    fn ports(&self) -> Answer<'_, Vec<Port>> {
        not_here()
    }

    fn listen(&self, _: String) -> Answer<'_, Heard> {
        not_here()
    }

    fn look_over(&self, _: Job) -> Answer<'_, Vec<Finding>> {
        not_here()
    }

    fn save(&self, text: String, _: Job, _: Option<String>) -> Answer<'_, ()> {
        self.saved.lock().unwrap().push(text);
        Box::pin(async { Ok(()) })
    }

    fn zero(&self, _: BoardId, _: u8) -> Answer<'_, ()> {
        not_here()
    }
}

type Saved = Arc<Mutex<Vec<String>>>;

fn site(text: Option<&str>) -> (Router, Saved) {
    let saved = Saved::default();
    let desk = Stub {
        text: text.map(str::to_owned),
        is_recording: text.is_some(),
        saved: saved.clone(),
    };
    let (live, _feed) = Live::new(&Job::parse(example(1), "plan.toml").unwrap());
    (app(Site::new(live).with_desk(Arc::new(desk))), saved)
}

async fn ask(app: &Router, method: Method, path: &str, body: &Value) -> (StatusCode, Value) {
    let request = Request::builder()
        .method(method)
        .uri(path)
        .header("host", "localhost:8722")
        .header("content-type", "application/json")
        .body(Body::from(body.to_string()))
        .unwrap();
    let answer = app.clone().oneshot(request).await.unwrap();
    let status = answer.status();
    let body = to_bytes(answer.into_body(), 1 << 20).await.unwrap();
    (status, serde_json::from_slice(&body).unwrap_or_default())
}

/// An example of the documentation.
fn example(at: usize) -> &'static str {
    let blocks = DOCUMENTATION.split("```").skip(1).step_by(2);
    let mut examples = blocks.filter_map(|block| block.strip_prefix("toml\n"));
    examples.nth(at).unwrap()
}

/// The keys of `[bench]` that the documentation describes, with the tables they stand in: a test of the heart holds that
/// against what is read.
fn documented() -> BTreeSet<String> {
    let (mut table, mut keys) = (String::new(), BTreeSet::new());
    let described = DOCUMENTATION.split("## `[bench]`").nth(1).unwrap();
    for line in described.lines() {
        if let Some(name) = line.strip_prefix("### `[bench.") {
            table = name.trim_end_matches("]`").to_owned() + ".";
        }
        if let Some(key) = line
            .strip_prefix("| `")
            .and_then(|row| row.split('`').next())
        {
            keys.insert(format!("{table}{key}"));
        }
    }
    keys
}

/// A form of the page without a file: what a whole plan needs, and these fields of `[bench]`.
fn typed(bench: &[(&str, &str)]) -> Value {
    let bench: BTreeMap<&str, &str> = bench.iter().copied().collect();
    json!({
        "job": { "name": "Protector", "timezone": "Europe/Lisbon" },
        "boards": [{ "fields": { "id": "7f3a91c2", "port": "/dev/ttyACM0" } }],
        "units": [{ "fields": { "name": "protector", "board": "7f3a91c2", "channels.current": "common",
            "protector.kind": "external-strip", "protector.longest_trip_s": "30" } }],
        "bench": bench,
    })
}

#[tokio::test]
async fn the_page_has_a_field_for_every_key_of_a_plan_and_each_reaches_the_file() {
    let fields = FIELDS_OF_THE_PAGE.split("key: \"").skip(1);
    let fields = fields.map(|rest| rest.split('"').next().unwrap().to_owned());
    assert_eq!(fields.collect::<BTreeSet<_>>(), documented());
    let (app, _) = site(None);
    for key in documented() {
        let (_, said) = ask(
            &app,
            Method::POST,
            "/api/v1/setup/check",
            &typed(&[(&key, "1")]),
        )
        .await;
        let text = said["text"].as_str().unwrap_or_default();
        let last = key.rsplit('.').next().unwrap();
        assert!(text.contains(&format!("\n{last} = ")), "{key}: {said}");
        assert!(!said.to_string().contains("unknown key"), "{key}: {said}");
    }
}

#[tokio::test]
async fn what_is_wrong_stands_at_its_field_in_the_words_of_the_plan_file() {
    let (app, saved) = site(None);
    for (bench, table, field, what) in [
        (vec![("repeats", "3")], "bench", "load", "missing"),
        (
            vec![("load", "locked-rotor"), ("repeats", "0")],
            "bench",
            "repeats",
            "a whole number from 1 to 20",
        ),
        (
            vec![("trip.start", "cold"), ("trip.most_s", "9")],
            "bench",
            "trip.current_a",
            "missing",
        ),
        (
            vec![("trip.start", "cold"), ("trip.current_a", "12")],
            "bench",
            "trip.least_s",
            "least_s or most_s or both",
        ),
        (
            vec![("reset.least_s", "600"), ("reset.most_s", "60")],
            "bench",
            "reset.most_s",
            "are they exchanged?",
        ),
        (
            vec![("sensors.clamp_range_percent", "1")],
            "bench",
            "sensors.clamp_range_a",
            "go together",
        ),
        (
            vec![("sensors.bead_k", "about two")],
            "bench",
            "sensors.bead_k",
            "a number from 0 to 50 K",
        ),
    ] {
        for path in ["/api/v1/setup/check", "/api/v1/setup/save"] {
            let (status, said) = ask(&app, Method::POST, path, &typed(&bench)).await;
            assert_eq!(
                status == StatusCode::OK,
                path.ends_with("check"),
                "{path} {said}"
            );
            let problems = said["problems"].as_array().unwrap();
            let is_it = |p: &&Value| p["table"] == table && p["field"] == field;
            let problem = problems.iter().find(is_it);
            let told = problem.map(|problem| problem["what"].as_str().unwrap());
            assert!(
                told.is_some_and(|told| told.contains(what)),
                "{field}: {said}"
            );
        }
    }
    let mut internal = typed(&[("load", "safe-load"), ("repeats", "3")]);
    internal["units"][0]["fields"]["protector.kind"] = json!("internal");
    internal["units"][0]["fields"]["protector.longest_trip_s"] = json!("");
    let (_, said) = ask(&app, Method::POST, "/api/v1/setup/check", &internal).await;
    let fields: Vec<_> = said["problems"]
        .as_array()
        .unwrap()
        .iter()
        .map(|p| &p["field"])
        .collect();
    assert_eq!(fields, ["protector.longest_trip_s", "protector.kind"]);
    assert!(saved.lock().unwrap().is_empty());
}

#[tokio::test]
async fn an_empty_form_is_no_plan_and_a_whole_one_is_the_file_that_is_run() {
    let (app, saved) = site(None);
    let mut nothing = typed(&[]);
    nothing["bench"] = Value::Null;
    let (status, said) = ask(&app, Method::POST, "/api/v1/setup/save", &nothing).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{said}");
    let whole = typed(&[
        ("load", "locked-rotor"),
        ("repeats", "3"),
        ("hot_reading", "true"),
        ("trip.start", "warm"),
        ("trip.current_a", "11,5"),
        ("trip.most_s", "9"),
        ("resistance.least_ohm", ""),
    ]);
    let (status, said) = ask(&app, Method::POST, "/api/v1/setup/save", &whole).await;
    assert_eq!(status, StatusCode::ACCEPTED, "{said}");
    let text = saved.lock().unwrap().remove(0);
    let plan = Job::parse(&text, "plan.toml").unwrap().bench.unwrap();
    assert_eq!(
        (plan.repeats, plan.hot_reading, plan.cooled_reading),
        (3, true, false)
    );
    let trip = plan.trip.unwrap();
    assert_eq!(
        (trip.start, trip.current_a, trip.window.most),
        (Start::Warm, 11.5, Some(9.0))
    );
    // What was left empty is not judged.
    assert!(plan.resistance.is_none() && plan.reset.is_none() && plan.sensors.clamp.is_none());
}

#[tokio::test]
async fn a_plan_that_is_opened_keeps_every_word_of_its_person_but_what_is_changed() {
    let written = example(1).replace(
        "most_s = 600\n",
        "most_s = 600   # they said 500 on the phone\n",
    );
    let (app, saved) = site(Some(&written));
    let (_, present) = ask(&app, Method::GET, "/api/v1/setup", &Value::Null).await;
    assert_eq!(
        (&present["is_bench"], &present["problems"]),
        (&json!(true), &json!([]))
    );
    let mut form = present["form"].clone();
    form["based_on"] = json!(sha256_of(&written));
    let (_, said) = ask(&app, Method::POST, "/api/v1/setup/save", &form).await;
    assert_eq!(said, json!({ "problems": [] }));
    form["bench"]["reset.most_s"] = json!("500");
    for key in ["least_ohm", "most_ohm", "stands_in"] {
        form["bench"][format!("resistance.{key}")] = json!("");
    }
    ask(&app, Method::POST, "/api/v1/setup/save", &form).await;
    let texts = saved.lock().unwrap();
    assert_eq!(texts[0], written);
    let wanted = written.replace("most_s = 600 ", "most_s = 500 ");
    let (kept, _) = wanted.split_once("\n[bench.resistance]").unwrap();
    assert_eq!(texts[1].trim_end(), kept.trim_end());
}

#[tokio::test]
async fn until_there_is_a_plan_the_bench_page_is_the_way_to_it() {
    let (app, _) = site(None);
    let (status, _) = ask(&app, Method::GET, "/bench", &Value::Null).await;
    assert_eq!(status, StatusCode::SEE_OTHER);
}
