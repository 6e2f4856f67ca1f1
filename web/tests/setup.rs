//! The set-up page's addresses: who may do what, and what is refused beside which field. No socket is opened.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test that fails should say where

use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{Method, Request, StatusCode};
use nightclamp_analysis::job::Job;
use nightclamp_protocol::BoardId;
use nightclamp_web::access::Token;
use nightclamp_web::setup::{Answer, Desk, Finding, Heard, JobFile, Port, Trouble, sha256_of};
use nightclamp_web::{Live, Site, app};
use serde_json::{Value, json};
use tower::ServiceExt;

const JOB: &str = r#"# by the back door
[job]
name = "Proofing-room freezer"
timezone = "Europe/Lisbon"
[[board]]
id = "7f3a91c2"
port = "/dev/ttyACM0"
[[unit]]
name = "freezer"
board = "7f3a91c2"
rated_load_a = 1.90  # nameplate
channels.current = "common"
"#;

/// What was done at the desk, in order.
type Done = Arc<Mutex<Vec<String>>>;

/// A machine with a job file and nothing else.
struct Stub {
    text: Option<&'static str>,
    is_recording: bool,
    done: Done,
}

impl Stub {
    fn note<T: Send + 'static>(&self, what: String, answer: T) -> Answer<'_, T> {
        self.done.lock().unwrap().push(what);
        Box::pin(async { Ok(answer) })
    }
}

impl Desk for Stub {
    fn is_recording(&self) -> bool {
        self.is_recording
    }

    fn job_file(&self) -> Answer<'_, JobFile> {
        let (path, text) = (PathBuf::from("job.toml"), self.text.map(str::to_owned));
        Box::pin(async { Ok(JobFile { path, text }) })
    }

    fn ports(&self) -> Answer<'_, Vec<Port>> {
        self.note("ports".into(), Vec::new())
    }

    fn listen(&self, port: String) -> Answer<'_, Heard> {
        self.note(format!("listen {port}"), Heard::default())
    }

    fn look_over(&self, _: Job) -> Answer<'_, Vec<Finding>> {
        self.note("look over".into(), Vec::new())
    }

    fn save(&self, text: String, _: Job, _: Option<String>) -> Answer<'_, ()> {
        self.note(format!("save {text}"), ())
    }

    fn zero(&self, board: BoardId, channel: u8) -> Answer<'_, ()> {
        if channel > 3 {
            return Box::pin(async { Err(Trouble::NotNow("the board says no: <b>".into())) });
        }
        self.note(format!("zero {board} {channel}"), ())
    }
}

/// A site that can be set up, and what was done there.
fn site(text: Option<&'static str>, is_recording: bool) -> (Site, Done) {
    let done = Done::default();
    let desk = Stub {
        text,
        is_recording,
        done: Arc::clone(&done),
    };
    let (live, _feed) = Live::new(&Job::parse(JOB, "job.toml").unwrap());
    (Site::new(live).with_desk(Arc::new(desk)), done)
}

fn typed(rated_load_a: &str) -> Value {
    let unit = json!({ "was": 0, "fields": { "rated_load_a": rated_load_a } });
    json!({ "based_on": sha256_of(JOB), "boards": [{ "was": 0 }], "units": [unit] })
}

/// Each change, with a body that is well.
fn changes() -> [(&'static str, Value); 5] {
    [
        ("/api/v1/setup/listen", json!({ "port": "/dev/ttyACM0" })),
        ("/api/v1/setup/check", typed("2,1")),
        ("/api/v1/setup/look-over", typed("2,1")),
        ("/api/v1/setup/save", typed("2,1")),
        (
            "/api/v1/setup/zero",
            json!({ "board": "7f3a91c2", "channel": 0 }),
        ),
    ]
}

const LOOKS: [&str; 2] = ["/api/v1/setup", "/api/v1/setup/ports"];

/// A request of the dashboard's own page, with other headers in the place of those or beside them.
fn request(method: Method, path: &str, body: &str, other: &[(&str, &str)]) -> Request<Body> {
    let mut headers = vec![
        ("host", "localhost:8722"),
        ("content-type", "application/json"),
        ("sec-fetch-site", "same-origin"),
    ];
    headers.retain(|(name, _)| !other.iter().any(|(others, _)| others == name));
    headers.extend_from_slice(other);
    let mut request = Request::builder().method(method).uri(path);
    for (name, value) in headers {
        request = request.header(name, value);
    }
    request.body(Body::from(body.to_owned())).unwrap()
}

async fn answer(app: &Router, request: Request<Body>) -> (StatusCode, Value) {
    let response = app.clone().oneshot(request).await.unwrap();
    let status = response.status();
    let body = to_bytes(response.into_body(), 1_000_000).await.unwrap();
    (status, serde_json::from_slice(&body).unwrap_or_default())
}

async fn post(app: &Router, path: &str, body: &Value) -> (StatusCode, Value) {
    let request = request(Method::POST, path, &body.to_string(), &[]);
    answer(app, request).await
}

#[tokio::test]
async fn a_recorder_started_without_setup_lets_no_page_do_anything() {
    let (live, _feed) = Live::new(&Job::parse(JOB, "job.toml").unwrap());
    let app = app(Site::new(live));
    for (path, body) in changes() {
        let (status, problem) = post(&app, path, &body).await;
        assert_eq!(status, StatusCode::FORBIDDEN, "{path}");
        let detail = problem["detail"].as_str().unwrap();
        assert!(detail.contains("--setup"), "{detail}");
    }
    for path in LOOKS {
        let (status, _) = answer(&app, request(Method::GET, path, "", &[])).await;
        assert_eq!(status, StatusCode::FORBIDDEN, "{path}");
    }
    let (_, now) = answer(&app, request(Method::GET, "/api/v1/now", "", &[])).await;
    assert_eq!(now["set_up"], false);
}

#[tokio::test]
async fn only_the_own_page_by_its_own_name_and_with_a_sound_body_does_anything() {
    let (site, done) = site(Some(JOB), true);
    let app = app(site);
    let huge = format!("{{\"port\": \"{}\"}}", "x".repeat(100_000));
    for (path, body) in changes() {
        let body = body.to_string();
        let unknown = body.replacen('{', "{\"sudo\": true, ", 1);
        let cases = [
            (Method::POST, &body, ("host", "rebound.example.org"), 421),
            (Method::POST, &body, ("sec-fetch-site", "cross-site"), 403),
            (
                Method::POST,
                &body,
                ("origin", "http://elsewhere.example.org"),
                403,
            ),
            (Method::POST, &body, ("content-type", "text/plain"), 415),
            (Method::POST, &huge, ("accept", "*/*"), 413),
            (Method::POST, &unknown, ("accept", "*/*"), 422),
            (Method::GET, &body, ("accept", "*/*"), 405),
            (Method::PUT, &body, ("accept", "*/*"), 405),
        ];
        for (method, body, header, expected) in cases {
            let asked = request(method, path, body, &[header]);
            let (status, problem) = answer(&app, asked).await;
            assert_eq!(status.as_u16(), expected, "{path} {header:?}: {problem}");
        }
    }
    assert_eq!(*done.lock().unwrap(), [""; 0]);
}

#[tokio::test]
async fn beyond_loopback_it_needs_the_access_token() {
    let token = Token::random().unwrap();
    let (site, done) = site(Some(JOB), true);
    let app = app(site.with_token(token.clone()));
    for (path, body) in changes() {
        let (status, _) = post(&app, path, &body).await;
        assert_eq!(status, StatusCode::UNAUTHORIZED, "{path}");
    }
    for path in LOOKS {
        let (status, _) = answer(&app, request(Method::GET, path, "", &[])).await;
        assert_eq!(status, StatusCode::UNAUTHORIZED, "{path}");
    }
    // Whoever is sent there is shown the way in.
    let (status, _) = answer(&app, request(Method::GET, "/setup", "", &[])).await;
    assert_eq!(status, StatusCode::SEE_OTHER);
    assert_eq!(*done.lock().unwrap(), [""; 0]);
    let bearer = format!("Bearer {}", token.as_str());
    let (path, body) = &changes()[4];
    let asked = request(
        Method::POST,
        path,
        &body.to_string(),
        &[("authorization", &bearer)],
    );
    assert_eq!(answer(&app, asked).await.0, StatusCode::OK);
    assert_eq!(*done.lock().unwrap(), ["zero 7f3a91c2 0"]);
}

#[tokio::test]
async fn what_is_typed_is_judged_as_the_job_file_is_and_only_what_holds_is_written() {
    let (site, done) = site(Some(JOB), true);
    let app = app(site);
    for path in ["/api/v1/setup/save", "/api/v1/setup/look-over"] {
        let (status, said) = post(&app, path, &typed("about two")).await;
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
        let problem = &said["problems"][0];
        assert_eq!(problem["table"], "unit");
        assert_eq!(problem["field"], "rated_load_a");
        assert_eq!(problem["line"], 11);
        let what = problem["what"].as_str().unwrap();
        assert!(what.contains("from 0.01 to 200"), "{what}");
    }
    let mut older = typed("2.1");
    older["based_on"] = json!(sha256_of("another text"));
    for path in ["/api/v1/setup/save", "/api/v1/setup/check"] {
        let (status, _) = post(&app, path, &older).await;
        assert_eq!(status, StatusCode::PRECONDITION_FAILED, "{path}");
    }
    assert_eq!(*done.lock().unwrap(), [""; 0]);
    let (status, _) = post(&app, "/api/v1/setup/save", &typed("2,1")).await;
    assert_eq!(status, StatusCode::ACCEPTED);
    let written = format!("save {}", JOB.replace("1.90", "2.1"));
    assert_eq!(*done.lock().unwrap(), [written]);
}

#[tokio::test]
async fn a_board_that_says_no_is_told_and_a_board_that_is_none_is_not_asked() {
    let (site, done) = site(Some(JOB), true);
    let app = app(site);
    let cases = [
        (json!({ "board": "7f3a91c2", "channel": 4 }), 409),
        (json!({ "board": "../../x", "channel": 0 }), 422),
        (json!({ "board": "7f3a91c2", "channel": 256 }), 422),
    ];
    for (body, expected) in cases {
        let (status, problem) = post(&app, "/api/v1/setup/zero", &body).await;
        assert_eq!(status.as_u16(), expected, "{body}: {problem}");
    }
    assert_eq!(*done.lock().unwrap(), [""; 0]);
}

#[tokio::test]
async fn without_a_job_there_is_nothing_but_the_way_to_make_one() {
    let (site, _) = site(None, false);
    let app = app(site);
    let (status, _) = answer(&app, request(Method::GET, "/", "", &[])).await;
    assert_eq!(status, StatusCode::SEE_OTHER);
    let (status, _) = answer(&app, request(Method::GET, "/setup", "", &[])).await;
    assert_eq!(status, StatusCode::OK);
    let (_, present) = answer(&app, request(Method::GET, "/api/v1/setup", "", &[])).await;
    assert_eq!(present["based_on"], Value::Null);
    assert_eq!(present["is_recording"], false);
    assert_eq!(present["problems"], json!([]));
}
