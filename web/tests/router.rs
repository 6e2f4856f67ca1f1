//! What a browser, and somebody who should not be one, gets from the dashboard. No socket is opened.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test that fails should say where

use std::sync::{Arc, Mutex};

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, Method, Request, StatusCode};
use futures_util::StreamExt;
use nightclamp_analysis::job::{Channels, Job, TemperatureScale, Unit};
use nightclamp_analysis::rows::{
    Cause, CycleRow, EndedBy, EventKind, EventRow, SampleRow, Sink, StartKind,
};
use nightclamp_analysis::status::{BoardStatus, Phase, UnitStatus};
use nightclamp_protocol::{BoardId, Session, decode};
use nightclamp_web::access::Token;
use nightclamp_web::hand::{Answer, Hand, Noted, Refused, Said};
use nightclamp_web::{Feed, Level, Live, NoticeView, RAW_LOG, Site, TABLES, app};
use serde_json::Value;
use tower::ServiceExt;

const BOARD: BoardId = BoardId(0x7f3a_91c2);
const HOSTILE: &str = "</script><img src=x onerror=alert(1)>";
const BEGAN_US: i64 = 1_795_629_600_000_000; // 2026-11-25T18:00:00Z

fn job() -> Job {
    let channels = Channels {
        current: "common".into(),
        case: Some("case".into()),
        ..Channels::default()
    };
    let unit = Unit {
        name: "freezer".into(),
        board: BOARD,
        channels,
        ..Unit::default()
    };
    Job {
        name: format!("Proofing-room freezer {HOSTILE}"),
        site: Some("harbour-bakery".into()),
        timezone: chrono_tz::Europe::Lisbon,
        temperature: TemperatureScale::Celsius,
        clock_s: None,
        boards: Vec::new(),
        units: vec![unit],
        bench: None,
    }
}

fn event(time: i64, kind: EventKind, detail: &str) -> EventRow {
    EventRow {
        time,
        kind,
        cause: None,
        current_a: None,
        case_c: None,
        detail: detail.into(),
    }
}

fn cycle(on_at: i64) -> CycleRow {
    CycleRow {
        on_at,
        off_at: Some(on_at + 10_000_000),
        next_on_at: None,
        on_seen: true,
        on_s: Some(10.0),
        off_s: None,
        start: StartKind::LockedRotor,
        ended_by: Some(EndedBy::Protector),
        cause: Some(Cause::LockedRotor),
        peak_a: Some(12.4),
        run_a: None,
        end_a: Some(11.2),
        i2t_a2s: None,
        case_on_c: Some(61.0),
        case_off_c: Some(f64::NAN),
        case_max_c: None,
        case_reset_c: None,
        reset_exact: false,
        disc_c: None,
        valid: 1.0,
        basis: "held at 11.2 A until it opened".into(),
        ..CycleRow::default()
    }
}

/// A minute at 10 Hz with one sample of 12.4 A, a trip, and a board that says nasty things.
fn night(feed: &mut Feed) {
    let mut session = Session::new();
    let lines = [
        "H 1 7f3a91c2 18 2 100 refboard-1",
        "C 0 current A -3 common ct",
        "C 1 temperature Cel -2 case bead",
    ];
    for body in lines {
        let line = nightclamp_protocol::line(body).to_string();
        session.accept(&decode(line.trim_end().as_bytes()).unwrap(), 0);
    }
    feed.table(session.table().unwrap());
    for n in 0..600_u16 {
        let values = [if n == 300 { 12.4 } else { 1.9 }, f64::NAN];
        let row = SampleRow {
            time: BEGAN_US + i64::from(n) * 100_000,
            arrival: 0,
            boot: 18,
            seq: n,
            board_ms: 0,
            readings: &[],
            values: &values,
        };
        feed.sample(BOARD, &row);
    }
    feed.event("freezer", event(BEGAN_US, EventKind::Start, ""));
    feed.event(
        "board-7f3a91c2",
        event(BEGAN_US + 5, EventKind::Sensor, HOSTILE),
    );
    feed.cycle("freezer", cycle(BEGAN_US));
}

fn publish(feed: &mut Feed, catching_up: Option<f64>) {
    let unit = UnitStatus {
        name: "freezer".into(),
        phase: Phase::LockedRotor,
        current_a: Some(f64::INFINITY),
        danger: Some(HOSTILE.into()),
        ..UnitStatus::default()
    };
    let board = BoardStatus {
        id: "7f3a91c2".into(),
        firmware: HOSTILE.into(),
        ..BoardStatus::default()
    };
    let open = vec![(
        "freezer".into(),
        Vec::new(),
        vec![cycle(BEGAN_US + 30_000_000)],
    )];
    feed.publish(vec![unit], vec![board], open, 250_000, catching_up);
}

fn dashboard() -> Router {
    let (live, mut feed) = Live::new(&job());
    night(&mut feed);
    publish(&mut feed, None);
    app(Site::new(live))
}

async fn ask(method: Method, path: &str, host: Option<&str>) -> (StatusCode, HeaderMap, String) {
    let mut request = Request::builder().method(method).uri(path);
    if let Some(host) = host {
        request = request.header("host", host);
    }
    let response = dashboard()
        .oneshot(request.body(Body::empty()).unwrap())
        .await
        .unwrap();
    let (status, headers) = (response.status(), response.headers().clone());
    let body = to_bytes(response.into_body(), 10_000_000).await.unwrap();
    (status, headers, String::from_utf8(body.to_vec()).unwrap())
}

async fn get(path: &str) -> (StatusCode, HeaderMap, String) {
    ask(Method::GET, path, Some("localhost:8000")).await
}

async fn json(path: &str) -> Value {
    let (status, _, body) = get(path).await;
    assert_eq!(status, StatusCode::OK, "{path}: {body}");
    serde_json::from_str(&body).unwrap()
}

#[tokio::test]
async fn every_answer_carries_the_policy_even_a_refusal() {
    let cases = [
        ("/", Some("localhost"), StatusCode::OK),
        ("/assets/main.js", Some("127.0.0.1:8000"), StatusCode::OK),
        ("/api/v1/now", Some("[::1]:8000"), StatusCode::OK),
        ("/nothing", Some("localhost"), StatusCode::NOT_FOUND),
        (
            "/assets/..%2fCargo.toml",
            Some("localhost"),
            StatusCode::NOT_FOUND,
        ),
        (
            "/",
            Some("rebound.example.org"),
            StatusCode::MISDIRECTED_REQUEST,
        ),
        (
            "/api/v1/now",
            Some("rebound.example.org"),
            StatusCode::MISDIRECTED_REQUEST,
        ),
        ("/healthz", None, StatusCode::MISDIRECTED_REQUEST),
    ];
    for (path, host, expected) in cases {
        let (status, headers, body) = ask(Method::GET, path, host).await;
        assert_eq!(status, expected, "{path} as {host:?}");
        let policy = headers["content-security-policy"].to_str().unwrap();
        assert!(
            policy.starts_with("default-src 'none'; script-src 'self'")
                && !policy.contains("unsafe")
        );
        assert_eq!(headers["x-content-type-options"], "nosniff");
        assert!(
            headers
                .keys()
                .all(|name| !name.as_str().starts_with("access-control"))
        );
        if !status.is_success() {
            assert_eq!(
                headers["content-type"], "application/problem+json",
                "{path}"
            );
            let problem: Value = serde_json::from_str(&body).unwrap();
            assert_eq!(problem["status"], status.as_u16());
            assert!(
                problem["detail"]
                    .as_str()
                    .is_some_and(|detail| !detail.is_empty())
            );
        }
    }
}

#[tokio::test]
async fn nothing_can_be_changed() {
    for method in [Method::POST, Method::PUT, Method::DELETE] {
        let (status, headers, _) = ask(method, "/api/v1/now", Some("localhost")).await;
        assert_eq!(status, StatusCode::METHOD_NOT_ALLOWED);
        assert_eq!(headers["content-type"], "application/problem+json");
    }
}

#[tokio::test]
async fn every_parameter_has_its_limits() {
    let long = "x".repeat(600);
    let bad = [
        "/api/v1/series".to_owned(),
        "/api/v1/series?unit=".to_owned(),
        format!("/api/v1/series?unit={long}"),
        format!("/api/v1/series?unit={}", "x".repeat(65)),
        "/api/v1/series?unit=freezer&points=0".to_owned(),
        "/api/v1/series?unit=freezer&points=4001".to_owned(),
        "/api/v1/series?unit=freezer&points=-1".to_owned(),
        "/api/v1/series?unit=freezer&from=yesterday".to_owned(),
        "/api/v1/series?unit=freezer&from=5&to=5".to_owned(),
        "/api/v1/series?unit=freezer&to=9223372036854775808".to_owned(),
        "/api/v1/events?unit=freezer&limit=2001".to_owned(),
        "/api/v1/cycles?unit=freezer&limit=0".to_owned(),
        "/api/v1/cycles?unit=freezer&order=up".to_owned(),
        "/api/v1/summary?unit=freezer&unit=other".to_owned(),
        "/api/v1/series?unit=freezer&points=NaN".to_owned(),
        "/api/v1/series?unit=freezer&points=1e3".to_owned(),
        "/api/v1/series?unit=freezer&points=99999999999999999999".to_owned(),
        "/api/v1/series?unit=freezer&from=NaN".to_owned(),
        "/api/v1/series?unit=freezer&from=-inf&to=inf".to_owned(),
        "/api/v1/series?unit=freezer&from=1.5".to_owned(),
        "/api/v1/summary?unit=freezer&from=0x10".to_owned(),
        "/api/v1/cycles?unit=freezer&limit=%00".to_owned(),
        "/api/v1/cycles?unit=freezer&limit=".to_owned(),
        "/api/v1/events?unit=freezer&%ff=1".to_owned(),
    ];
    for path in bad {
        let (status, headers, _) = get(&path).await;
        assert_eq!(status, StatusCode::BAD_REQUEST, "{path}");
        assert_eq!(
            headers["content-type"], "application/problem+json",
            "{path}"
        );
    }
    for list in ["series", "events", "cycles", "happened", "summary"] {
        let (status, ..) = get(&format!("/api/v1/{list}?unit=cooler")).await;
        assert_eq!(status, StatusCode::NOT_FOUND);
        let widest = format!(
            "/api/v1/{list}?unit=freezer&from={}&to={}",
            i64::MIN,
            i64::MAX
        );
        assert_eq!(get(&widest).await.0, StatusCode::OK, "{list}");
    }
}

/// A range at either end of what an instant can be, however fine, of a record that itself reaches over 36 000 years.
#[tokio::test]
async fn the_widest_record_and_the_farthest_range_are_answered() {
    const FAR_US: i64 = 1 << 59;
    let (live, mut feed) = Live::new(&job());
    night(&mut feed);
    for time in [-FAR_US, -FAR_US + 1, BEGAN_US, FAR_US - 1, FAR_US, FAR_US] {
        let row = SampleRow {
            time,
            arrival: i64::MAX,
            boot: u32::MAX,
            seq: 0,
            board_ms: u64::MAX,
            readings: &[],
            values: &[f64::MAX, f64::NEG_INFINITY],
        };
        feed.sample(BOARD, &row);
        feed.event(
            "freezer",
            event(time, EventKind::GapBegin, "\u{1b}[2J\u{0}\u{2028}"),
        );
        feed.cycle("freezer", cycle(time));
    }
    publish(&mut feed, None);
    let app = app(Site::new(live));
    for (from, to) in [
        (i64::MIN, i64::MAX),
        (i64::MIN, i64::MIN + 1),
        (i64::MAX - 1, i64::MAX),
        (-FAR_US, FAR_US),
        (FAR_US, FAR_US + 1),
        (0, 1),
    ] {
        for list in [
            "series?points=1&",
            "series?points=4000&",
            "events?limit=2000&",
            "cycles?limit=1&",
            "summary?",
        ] {
            let path = format!("/api/v1/{list}unit=freezer&from={from}&to={to}");
            let request = Request::builder()
                .uri(&path)
                .header("host", "localhost:8000");
            let response = app
                .clone()
                .oneshot(request.body(Body::empty()).unwrap())
                .await
                .unwrap();
            assert_eq!(response.status(), StatusCode::OK, "{path}");
            let body = to_bytes(response.into_body(), 10_000_000).await.unwrap();
            let _: Value = serde_json::from_slice(&body).unwrap();
            assert!(
                !body.iter().any(u8::is_ascii_control),
                "{path}: a control character as it is"
            );
        }
    }
}

#[tokio::test]
async fn now_says_what_every_compressor_does() {
    let now = json("/api/v1/now").await;
    assert_eq!(now["job"]["timezone"], "Europe/Lisbon");
    assert_eq!(
        now["job"]["units"][0]["roles"],
        serde_json::json!(["current", "case"])
    );
    assert_eq!(now["host_offset_us"], 250_000);
    assert_eq!(now["zone"][0]["offset_s"], 0);
    assert_eq!(now["record"][0], BEGAN_US);
    let unit = &now["units"][0];
    assert_eq!(unit["state"]["code"], "locked-rotor");
    assert_eq!(unit["state"]["words"], "Not turning: locked-rotor current");
    assert!(unit["current_a"].is_null(), "what is no number is null");
    // Names are handed over as they are, in JSON; the page puts them in as text.
    assert_eq!(unit["danger"], HOSTILE);
    assert_eq!(now["boards"][0]["firmware"], HOSTILE);
    let (_, headers, page) = get("/").await;
    assert_eq!(headers["content-type"], "text/html; charset=utf-8");
    assert!(!page.contains("onerror") && !page.contains("Proofing-room"));
}

#[tokio::test]
async fn a_series_keeps_the_one_sample_that_matters() {
    let range = format!("unit=freezer&from={BEGAN_US}&to={}", BEGAN_US + 60_000_000);
    for (points, source) in [(10, "overview"), (60, "overview"), (4_000, "samples")] {
        let answer = json(&format!("/api/v1/series?{range}&points={points}")).await;
        let series = &answer["series"];
        assert_eq!(series["source"], source);
        let high = series["channels"][0]["high"].as_array().unwrap();
        assert!(high.len() <= points + 1);
        assert_eq!(high.iter().filter(|value| **value == 12.4).count(), 1);
        assert_eq!(series["channels"][0]["unit"], "A");
        assert!(
            series["channels"][1]["high"]
                .as_array()
                .unwrap()
                .iter()
                .all(Value::is_null)
        );
    }
}

#[tokio::test]
async fn rows_come_newest_first_and_say_which_are_final() {
    let cycles = json("/api/v1/cycles?unit=freezer").await;
    let finals: Vec<_> = cycles["cycles"]
        .as_array()
        .unwrap()
        .iter()
        .map(|row| row["final"].clone())
        .collect();
    assert_eq!(finals, [false, true]);
    assert!(cycles["cycles"][1]["case_off_c"].is_null());
    assert_eq!(cycles["cycles"][1]["cause"], "locked-rotor");
    let events = json("/api/v1/events?unit=freezer").await;
    assert_eq!(events["events"][0]["of"], "board-7f3a91c2");
    assert_eq!(events["events"][0]["detail"], HOSTILE);
    assert_eq!(events["events"][1]["kind"], "start");
    let newest = json("/api/v1/events?unit=freezer&limit=1").await;
    assert_eq!(newest["events"].as_array().unwrap().len(), 1);
    let summary = json("/api/v1/summary?unit=freezer").await;
    assert_eq!(summary["summary"]["trips"]["locked-rotor"], 2);
    assert_eq!(summary["summary"]["coverage"], 1.0);
}

#[tokio::test]
async fn readiness_waits_for_the_record_and_liveness_does_not() {
    let (live, mut feed) = Live::new(&job());
    let ask = async |path: &str| {
        let request = Request::get(path)
            .header("host", "localhost")
            .body(Body::empty())
            .unwrap();
        app(Site::new(live.clone()))
            .oneshot(request)
            .await
            .unwrap()
            .status()
    };
    assert_eq!(ask("/readyz").await, StatusCode::SERVICE_UNAVAILABLE);
    publish(&mut feed, Some(0.4));
    assert_eq!(ask("/readyz").await, StatusCode::SERVICE_UNAVAILABLE);
    assert_eq!(ask("/healthz").await, StatusCode::OK);
    publish(&mut feed, None);
    assert_eq!(ask("/readyz").await, StatusCode::OK);
    let about = |level, about| NoticeView {
        level,
        about,
        text: "No space left on device".to_owned(),
        todo: "Make room.".to_owned(),
    };
    let ready = [
        (Level::Danger, RAW_LOG, StatusCode::SERVICE_UNAVAILABLE),
        (Level::Danger, TABLES, StatusCode::SERVICE_UNAVAILABLE),
        // It is nearly full, but what comes is written.
        (Level::Danger, "disk", StatusCode::OK),
        (Level::Notice, TABLES, StatusCode::OK),
    ];
    for (level, of, expected) in ready {
        feed.notices(vec![about(level, of)]);
        assert_eq!(ask("/readyz").await, expected, "{of}");
        assert_eq!(ask("/healthz").await, StatusCode::OK);
    }
    live.stuck(Some("the projector has not moved for 16 s".to_owned()));
    assert_eq!(ask("/readyz").await, StatusCode::SERVICE_UNAVAILABLE);
    assert_eq!(ask("/healthz").await, StatusCode::OK);
}

#[tokio::test]
async fn what_the_archive_has_to_say_shows_at_once_and_is_taken_away() {
    let (live, mut feed) = Live::new(&job());
    night(&mut feed);
    publish(&mut feed, None);
    let notices = async || {
        let (_, text) = first_message(&live, None).await;
        message(&text).1["notices"].clone()
    };
    assert_eq!(notices().await, serde_json::json!([]));
    let (text, todo) = ("the disk is nearly full".to_owned(), HOSTILE.to_owned());
    let (level, about) = (Level::Danger, "disk");
    feed.notices(vec![NoticeView {
        level,
        about,
        text,
        todo,
    }]);
    let told = serde_json::json!([
        {"level": "danger", "about": "disk", "text": "the disk is nearly full", "todo": HOSTILE}
    ]);
    assert_eq!(notices().await, told, "without anything else published");
    publish(&mut feed, None);
    assert_eq!(notices().await, told, "it stands");
    feed.notices(Vec::new());
    assert_eq!(notices().await, serde_json::json!([]));
}

/// Opens a stream and reads its first message.
async fn first_message(live: &Live, last_id: Option<&str>) -> (StatusCode, String) {
    let mut request = Request::get("/api/v1/live").header("host", "localhost");
    if let Some(id) = last_id {
        request = request.header("last-event-id", id);
    }
    let response = app(Site::new(live.clone()))
        .oneshot(request.body(Body::empty()).unwrap())
        .await
        .unwrap();
    let status = response.status();
    let chunk = response
        .into_body()
        .into_data_stream()
        .next()
        .await
        .unwrap()
        .unwrap();
    (status, String::from_utf8(chunk.to_vec()).unwrap())
}

fn message(text: &str) -> (String, Value) {
    let field = |name: &str| {
        text.lines()
            .find_map(|line| line.strip_prefix(name))
            .unwrap()
            .trim()
            .to_owned()
    };
    (field("id:"), serde_json::from_str(&field("data:")).unwrap())
}

#[tokio::test]
async fn a_page_that_comes_back_gets_what_it_missed() {
    let (live, mut feed) = Live::new(&job());
    night(&mut feed);
    publish(&mut feed, None);
    let (_, text) = first_message(&live, None).await;
    let (id, fresh) = message(&text);
    assert!(id.ends_with("-600"));
    assert_eq!(fresh["tails"][0]["times_us"].as_array().unwrap().len(), 0);
    assert_eq!(fresh["units"][0]["name"], "freezer");
    let run = id.split_once('-').unwrap().0;
    for (id, missed) in [
        (format!("{run}-590"), 10),
        ("1-590".into(), 0),
        ("nonsense".into(), 0),
    ] {
        let (_, text) = first_message(&live, Some(&id)).await;
        let (_, back) = message(&text);
        assert_eq!(
            back["tails"][0]["times_us"].as_array().unwrap().len(),
            missed,
            "{id}"
        );
        assert_eq!(back["tails"][0]["cut"], false);
    }
}

#[tokio::test]
async fn only_so_many_pages_at_once_and_one_that_leaves_makes_room() {
    let (live, _feed) = Live::new(&job());
    let router = app(Site::new(live));
    let open = async || {
        let request = Request::get("/api/v1/live")
            .header("host", "localhost")
            .body(Body::empty())
            .unwrap();
        router.clone().oneshot(request).await.unwrap()
    };
    let mut pages = Vec::new();
    loop {
        let page = open().await;
        if page.status() != StatusCode::OK {
            assert_eq!(page.status(), StatusCode::SERVICE_UNAVAILABLE);
            break;
        }
        pages.push(page);
        assert!(pages.len() <= 100, "there has to be a limit");
    }
    pages.pop();
    assert_eq!(open().await.status(), StatusCode::OK);
}

/// Keeps what it is given, or refuses it.
#[derive(Default)]
struct Diary {
    kept: Mutex<Vec<(BoardId, String)>>,
    refuses: Option<Refused>,
}

impl Hand for Diary {
    fn note(&self, board: BoardId, said: Said) -> Answer<'_, Noted> {
        let answer = match &self.refuses {
            Some(refused) => Err(refused.clone()),
            None => Ok(Noted { at_us: 5 }),
        };
        self.kept.lock().unwrap().push((board, said.note()));
        Box::pin(async { answer })
    }
}

async fn tell(
    diary: &Arc<Diary>,
    path: &str,
    headers: &[(&str, &str)],
    body: &str,
) -> (StatusCode, String) {
    let (live, _feed) = Live::new(&job());
    let mut request = Request::post(path).header("host", "localhost:8722");
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    let response = app(Site::new(live).with_hand(diary.clone()))
        .oneshot(request.body(Body::from(body.to_owned())).unwrap())
        .await
        .unwrap();
    let status = response.status();
    if !status.is_success() {
        assert_eq!(
            response.headers()["content-type"],
            "application/problem+json"
        );
    }
    let body = to_bytes(response.into_body(), 10_000_000).await.unwrap();
    (status, String::from_utf8(body.to_vec()).unwrap())
}

const JSON: (&str, &str) = ("content-type", "application/json");
const MARK: &str = r#"{"unit":"freezer","text":"door open"}"#;

#[tokio::test]
async fn only_the_dashboards_own_page_may_change_anything() {
    let diary = Arc::new(Diary::default());
    let own = ("sec-fetch-site", "same-origin");
    let allowed: [&[(&str, &str)]; 3] = [
        &[JSON],
        &[JSON, own, ("origin", "http://localhost:8722")],
        &[JSON, ("origin", "https://LOCALHOST:8722")],
    ];
    for headers in allowed {
        let (status, body) = tell(&diary, "/api/v1/marks", headers, MARK).await;
        assert_eq!(
            (status, body.as_str()),
            (StatusCode::CREATED, r#"{"at_us":5}"#),
            "{headers:?}"
        );
    }
    let kept = diary.kept.lock().unwrap().clone();
    assert_eq!(kept, vec![(BOARD, "mark door open".to_owned()); 3]);
    let refused: [&[(&str, &str)]; 7] = [
        &[JSON, ("sec-fetch-site", "cross-site")],
        &[
            JSON,
            ("sec-fetch-site", "same-site"),
            ("origin", "http://localhost:8722"),
        ],
        &[JSON, ("sec-fetch-site", "none")],
        &[JSON, ("origin", "http://localhost:8723")],
        &[JSON, ("origin", "http://example.org")],
        &[JSON, ("origin", "null")],
        &[JSON, own, ("origin", "http://localhost:8722.example.org")],
    ];
    for headers in refused {
        let (status, _) = tell(&diary, "/api/v1/marks", headers, MARK).await;
        assert_eq!(status, StatusCode::FORBIDDEN, "{headers:?}");
    }
    assert_eq!(diary.kept.lock().unwrap().len(), 3);
}

#[tokio::test]
async fn what_a_person_says_is_checked_before_it_is_kept() {
    let diary = Arc::new(Diary::default());
    let long = format!(r#"{{"unit":"freezer","text":"{}"}}"#, "x".repeat(70_000));
    let bad = [
        ("marks", "", StatusCode::BAD_REQUEST),
        ("marks", "{", StatusCode::BAD_REQUEST),
        ("marks", "[]", StatusCode::UNPROCESSABLE_ENTITY),
        (
            "marks",
            r#"{"unit":"freezer"}"#,
            StatusCode::UNPROCESSABLE_ENTITY,
        ),
        (
            "marks",
            r#"{"unit":"freezer","text":"x","at":1}"#,
            StatusCode::UNPROCESSABLE_ENTITY,
        ),
        (
            "marks",
            r#"{"unit":"freezer","text":""}"#,
            StatusCode::UNPROCESSABLE_ENTITY,
        ),
        (
            "marks",
            r#"{"unit":"freezer","text":"a\n#1 stopped"}"#,
            StatusCode::UNPROCESSABLE_ENTITY,
        ),
        (
            "marks",
            r#"{"unit":"cooler","text":"x"}"#,
            StatusCode::NOT_FOUND,
        ),
        ("marks", &long, StatusCode::PAYLOAD_TOO_LARGE),
        (
            "readings",
            r#"{"unit":"freezer","what":"ptc","value":"-1"}"#,
            StatusCode::UNPROCESSABLE_ENTITY,
        ),
        (
            "readings",
            r#"{"unit":"freezer","what":"spark","value":"1"}"#,
            StatusCode::UNPROCESSABLE_ENTITY,
        ),
    ];
    for (route, body, expected) in bad {
        let (status, answer) = tell(&diary, &format!("/api/v1/{route}"), &[JSON], body).await;
        assert_eq!(status, expected, "{route} {body:.60} {answer}");
    }
    let form = ("content-type", "text/plain");
    let (status, _) = tell(&diary, "/api/v1/marks", &[form], MARK).await;
    assert_eq!(status, StatusCode::UNSUPPORTED_MEDIA_TYPE);
    let reading = r#"{"unit":"freezer","what":"protector-hot","value":"OL"}"#;
    let (status, _) = tell(&diary, "/api/v1/readings", &[JSON], reading).await;
    assert_eq!(status, StatusCode::CREATED);
    let kept = diary.kept.lock().unwrap().clone();
    let note = "reading unit=freezer what=protector-hot value=OL by=";
    assert_eq!(kept, [(BOARD, note.to_owned())]);
}

#[tokio::test]
async fn what_was_not_kept_is_said_and_nothing_can_be_changed_without_a_hand() {
    for (refused, expected) in [
        (Refused::NoHand, StatusCode::FORBIDDEN),
        (Refused::NoSuchBoard, StatusCode::CONFLICT),
        (Refused::Busy, StatusCode::SERVICE_UNAVAILABLE),
        (Refused::Lost, StatusCode::SERVICE_UNAVAILABLE),
        (Refused::NotSafeYet, StatusCode::GATEWAY_TIMEOUT),
    ] {
        let refuses = Some(refused.clone());
        let diary = Arc::new(Diary {
            refuses,
            ..Diary::default()
        });
        let (status, body) = tell(&diary, "/api/v1/marks", &[JSON], MARK).await;
        assert_eq!(status, expected);
        assert!(body.contains(&refused.to_string()), "{body}");
    }
    let request = Request::post("/api/v1/marks")
        .header("host", "localhost")
        .header("content-type", "application/json")
        .body(Body::from(MARK));
    let response = dashboard().oneshot(request.unwrap()).await.unwrap();
    assert_eq!(response.status(), StatusCode::FORBIDDEN);
}

#[tokio::test]
async fn the_night_comes_in_sentences_that_lead_to_rows_and_places() {
    let answer = json("/api/v1/night?unit=freezer").await;
    let sentences = answer["night"]["sentences"].as_array().unwrap();
    let trips = sentences
        .iter()
        .find(|said| said["kind"] == "trips")
        .unwrap();
    assert_eq!(trips["weight"], "look");
    assert!(
        trips["text"]
            .as_str()
            .unwrap()
            .starts_with("The protector opened ")
    );
    assert_eq!(trips["rows"][0]["of"], "cycle");
    assert_eq!(trips["rows"][0]["at_us"], BEGAN_US);
    assert_eq!(trips["places"][0][0], BEGAN_US);
    // An hour before the record there is nothing to say.
    let before = format!("/api/v1/night?unit=freezer&from=0&to={}", BEGAN_US - 1);
    assert_eq!(
        json(&before).await["night"]["sentences"],
        serde_json::json!([])
    );
}

#[tokio::test]
async fn cycles_are_sorted_filtered_and_paged_by_the_server() {
    let on_at = |answer: &Value| -> Vec<i64> {
        let cycles = answer["cycles"].as_array().unwrap();
        cycles
            .iter()
            .map(|row| row["on_at_us"].as_i64().unwrap())
            .collect()
    };
    let (first, second) = (BEGAN_US, BEGAN_US + 30_000_000);
    for (query, total, expected) in [
        ("", 2, vec![second, first]),
        ("&order=asc", 2, vec![first, second]),
        ("&skip=1", 2, vec![first]),
        ("&limit=1&sort=peak_a&order=asc", 2, vec![first]),
        ("&ended_by=control", 0, vec![]),
        (
            "&cause=locked-rotor&start=locked-rotor&ended_by=protector",
            2,
            vec![second, first],
        ),
    ] {
        let answer = json(&format!("/api/v1/cycles?unit=freezer{query}")).await;
        assert_eq!(answer["total"], total, "{query}");
        assert_eq!(on_at(&answer), expected, "{query}");
    }
    for (query, named) in [
        ("sort=colour", "sort"),
        ("order=up", "order"),
        ("cause=ghost", "cause"),
        ("skip=-1", "skip"),
        (
            "ghost=1",
            "unknown parameter `ghost`, expected one of `unit`",
        ),
    ] {
        let (status, _, body) = get(&format!("/api/v1/cycles?unit=freezer&{query}")).await;
        assert_eq!(status, StatusCode::BAD_REQUEST, "{query}");
        assert!(body.contains(named), "{body}");
    }
}

#[tokio::test]
async fn one_cycle_with_what_it_was_said_to_be_and_what_rests_on_it() {
    let open = BEGAN_US + 30_000_000;
    let answer = json(&format!("/api/v1/cycle?unit=freezer&on_at={open}")).await;
    assert_eq!(answer["cycle"]["final"], false);
    assert_eq!(answer["verdicts"][0]["cause"], "locked-rotor");
    assert!(answer["verdicts_since_us"].is_i64());
    let said = answer["sentences"].as_array().unwrap();
    assert!(said.iter().any(|said| said["kind"] == "trips-by-cause"));
    // A row that was final before anybody looked has no history, and none is made up.
    let sealed = json(&format!("/api/v1/cycle?unit=freezer&on_at={BEGAN_US}")).await;
    assert_eq!(sealed["verdicts"], serde_json::json!([]));
    let (status, ..) = get("/api/v1/cycle?unit=freezer&on_at=5").await;
    assert_eq!(status, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn cycling_has_its_histograms_and_the_rolling_hour() {
    let answer = json("/api/v1/cycling?unit=freezer").await;
    let cycling = &answer["cycling"];
    assert_eq!(cycling["on_times"]["count"], 2);
    assert_eq!(cycling["on_times"]["bins"][0], 2);
    assert_eq!(cycling["curve"]["seen"], serde_json::json!([1, 2]));
    assert_eq!(cycling["terms"][0]["common_practice"], true);
}

/// A dashboard with a token, asked by someone who shows something.
async fn knock(
    router: &Router,
    request: axum::http::request::Builder,
    body: &str,
) -> (StatusCode, HeaderMap) {
    let request = request
        .header("host", "localhost:8722")
        .header(JSON.0, JSON.1);
    let request = request.body(Body::from(body.to_owned())).unwrap();
    let response = router.clone().oneshot(request).await.unwrap();
    (response.status(), response.headers().clone())
}

#[tokio::test]
async fn with_a_token_nothing_is_seen_or_changed_without_it() {
    let (live, _feed) = Live::new(&job());
    let token = Token::random().unwrap();
    let diary = Arc::new(Diary::default());
    let site = Site::new(live)
        .with_hand(diary.clone())
        .with_token(token.clone());
    let router = app(site);
    for path in [
        "/api/v1/now",
        "/api/v1/live",
        "/api/v1/summary?unit=freezer",
        "/readyz",
        "/assets/main.js",
        "/nothing",
    ] {
        let (status, headers) = knock(&router, Request::get(path), "").await;
        assert_eq!(status, StatusCode::UNAUTHORIZED, "{path}");
        assert_eq!(headers["content-type"], "application/problem+json");
        assert!(
            headers["www-authenticate"]
                .to_str()
                .unwrap()
                .starts_with("Bearer")
        );
    }
    let (status, headers) = knock(&router, Request::get("/"), "").await;
    assert_eq!(
        (status, headers["location"].to_str().unwrap()),
        (StatusCode::SEE_OTHER, "/login")
    );
    for path in [
        "/login",
        "/assets/login.js",
        "/assets/style.css",
        "/healthz",
    ] {
        let (status, _) = knock(&router, Request::get(path), "").await;
        assert_eq!(status, StatusCode::OK, "{path}");
    }
    let (status, _) = knock(&router, Request::post("/api/v1/marks"), MARK).await;
    assert_eq!(status, StatusCode::UNAUTHORIZED);
    assert!(diary.kept.lock().unwrap().is_empty());

    let bearer = format!("Bearer {}", token.as_str());
    let (status, _) = knock(
        &router,
        Request::get("/api/v1/now").header("authorization", &bearer),
        "",
    )
    .await;
    assert_eq!(status, StatusCode::OK);
    let shown = format!(r#"{{"token":"{}"}}"#, token.as_str());
    let strange = Request::post("/login").header("origin", "http://example.org");
    assert_eq!(
        knock(&router, strange, &shown).await.0,
        StatusCode::FORBIDDEN
    );
    let (status, headers) = knock(&router, Request::post("/login"), &shown).await;
    assert_eq!(status, StatusCode::NO_CONTENT);
    let cookie = headers["set-cookie"].to_str().unwrap();
    let cookie = cookie.split(';').next().unwrap().to_owned();
    let with = |request: axum::http::request::Builder| request.header("cookie", &cookie);
    assert_eq!(
        knock(&router, with(Request::get("/")), "").await.0,
        StatusCode::OK
    );
    let (status, _) = knock(&router, with(Request::post("/api/v1/marks")), MARK).await;
    assert_eq!(status, StatusCode::CREATED);
    assert_eq!(
        knock(&router, with(Request::post("/logout")), "").await.0,
        StatusCode::NO_CONTENT
    );
    let (status, _) = knock(&router, with(Request::get("/api/v1/now")), "").await;
    assert_eq!(status, StatusCode::UNAUTHORIZED, "who has left has left");

    for _ in 0..5 {
        let (status, _) = knock(&router, Request::post("/login"), r#"{"token":"guess"}"#).await;
        assert_eq!(status, StatusCode::UNAUTHORIZED);
    }
    let (status, headers) = knock(&router, Request::post("/login"), &shown).await;
    assert_eq!(status, StatusCode::TOO_MANY_REQUESTS);
    assert!(
        headers["retry-after"]
            .to_str()
            .unwrap()
            .parse::<u32>()
            .unwrap()
            > 0
    );
}

#[tokio::test]
async fn names_that_were_given_are_answered_to_and_no_others() {
    let (live, _feed) = Live::new(&job());
    let router = app(Site::new(live).with_names(vec!["bench.local".to_owned()]));
    for (host, expected) in [
        ("bench.local:8722", StatusCode::OK),
        ("other.local:8722", StatusCode::MISDIRECTED_REQUEST),
    ] {
        let request = Request::get("/")
            .header("host", host)
            .body(Body::empty())
            .unwrap();
        assert_eq!(
            router.clone().oneshot(request).await.unwrap().status(),
            expected,
            "{host}"
        );
    }
}
