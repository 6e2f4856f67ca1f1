//! A made-up night on a dashboard, for looking at the page and for the browser test: `cargo run -p nightclamp-web
//! --example staged -- [ADDRESS] [danger|silent|disk|clocks [TOKEN]]`. Ten hours of two compressors, then live data at 5 Hz. `clocks` is
//! a night that ended long ago, in which the clocks were put back, with names that try to be markup; TOKEN is needed to see it.
//!
//! The readings are drawn, not simulated: currents and temperatures of about the right size and shape for each kind of
//! on-period. Nothing here is evidence of anything.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a stage, not a product: it may fall over

#[path = "staged/machine.rs"]
mod machine;

use std::time::{Duration, SystemTime, UNIX_EPOCH};

use machine::{Freezer, Night, PERIOD_US};
use nightclamp_analysis::job::{
    Channels, Job, Limits, Protector, ProtectorKind, TemperatureScale, Unit,
};
use nightclamp_analysis::rows::{EventKind, EventRow, SampleRow, Sink};
use nightclamp_analysis::status::BoardStatus;
use nightclamp_protocol::{BoardId, Refusal, Refusals, Session, decode, line};
use nightclamp_web::access::Token;
use nightclamp_web::{Feed, Level, Live, NoticeView, Site, serve};

const BOARD: BoardId = BoardId(0x7f3a_91c2);
const NIGHT_S: i64 = 10 * 3600;
/// Ten hours before 06:00 in Lisbon on 25 October 2026: at 02:00 summer time clocks went back by an hour.
const CLOCKS_BEGAN_US: i64 = 1_792_872_000_000_000;
/// What is no element of a page, wherever it comes from.
const MARKUP: &str = "<img src=x onerror=alert(1)>";
/// Gaps as seconds before the end of the night: from, length.
const GAPS: [(i64, i64); 2] = [(17_000, 460), (9_400, 28)];

#[tokio::main(flavor = "current_thread")]
async fn main() {
    let address = std::env::args()
        .nth(1)
        .unwrap_or_else(|| "127.0.0.1:8087".into());
    let trouble = std::env::args().nth(2).unwrap_or_default();
    let token = std::env::args().nth(3).map(|text| Token::read(&text));
    let (live, feed) = Live::new(&job(&cooler(&trouble)));
    let listener = tokio::net::TcpListener::bind(&address)
        .await
        .expect("the address is free");
    println!("http://{}/", listener.local_addr().expect("it is bound"));
    let mut site = Site::new(live);
    if let Some(token) = token {
        site = site.with_token(token.expect("it can be a token"));
    }
    let stage = tokio::spawn(play(feed, trouble));
    let shutdown = async {
        tokio::signal::ctrl_c()
            .await
            .expect("signals can be listened for")
    };
    serve(listener, site, shutdown)
        .await
        .expect("it can be served");
    stage.abort();
}

/// The night at once, then live, or nothing more.
async fn play(mut feed: Feed, trouble: String) {
    let is_past = trouble == "clocks";
    let mut at_us = if is_past {
        CLOCKS_BEGAN_US
    } else {
        wall_us() - NIGHT_S * 1_000_000
    };
    let end_us = at_us + NIGHT_S * 1_000_000;
    let mut stage = Stage::new(at_us, &trouble);
    stage.declare(&mut feed);
    stage.gaps(&mut feed, end_us);
    if stage.danger {
        feed.event("freezer", fallen_bead(end_us));
    }
    if is_past {
        feed.event("freezer", hostile_mark(end_us));
    }
    if trouble == "disk" {
        feed.notices(vec![full_disk()]);
    }
    let mut tick = tokio::time::interval(Duration::from_micros(PERIOD_US as u64));
    loop {
        while at_us
            < if is_past || trouble == "silent" {
                end_us
            } else {
                wall_us()
            }
        {
            at_us += PERIOD_US;
            let in_gap = |(back, length): &(i64, i64)| {
                let from = end_us - back * 1_000_000;
                (from..from + length * 1_000_000).contains(&at_us)
            };
            stage.step(&mut feed, at_us, GAPS.iter().any(in_gap));
        }
        stage.publish(&mut feed);
        tick.tick().await;
    }
}

/// The case's bead is said to have fallen off a minute before the end of the night.
fn fallen_bead(end_us: i64) -> EventRow {
    EventRow {
        time: end_us - 60_000_000,
        kind: EventKind::Sensor,
        cause: None,
        current_a: None,
        case_c: None,
        detail: "case: bead off, it fell from 96 to 41 °C within 20 s while 12.40 A flowed; may hold since \
                 2026-11-25T03:00:00Z"
            .into(),
    }
}

/// The recorder says that the disk fills.
fn full_disk() -> NoticeView {
    NoticeView {
        level: Level::Danger,
        about: "disk",
        text: "12 MiB are free: room for 40 minutes".into(),
        todo: "Make room: move other files or older records to another disk.".into(),
    }
}

/// Somebody puts markup into the record.
fn hostile_mark(end_us: i64) -> EventRow {
    EventRow {
        time: end_us - 600_000_000,
        kind: EventKind::Mark,
        cause: None,
        current_a: None,
        case_c: None,
        detail: format!("said: box at 5 °C {MARKUP}"),
    }
}

/// The other compressor's name; no job file may have one like the second.
fn cooler(trouble: &str) -> String {
    let hostile = if trouble == "clocks" { MARKUP } else { "" };
    format!("dough-cooler{hostile}")
}

struct Stage {
    freezer: Freezer,
    cooler: Freezer,
    seq: u16,
    samples: u64,
    danger: bool,
}

impl Stage {
    fn new(began_us: i64, trouble: &str) -> Self {
        Self {
            freezer: Freezer::new("freezer", began_us, Night::bad()),
            cooler: Freezer::new(&cooler(trouble), began_us, Night::quiet()),
            seq: 0,
            samples: 0,
            danger: trouble == "danger",
        }
    }

    fn declare(&self, feed: &mut Feed) {
        let mut session = Session::new();
        let lines = [
            "H 1 7f3a91c2 18 6 200 refboard-1",
            "C 0 current A -3 common ct",
            "C 1 temperature Cel -2 case bead",
            "C 2 temperature Cel -2 ambient ic",
            "C 3 voltage V -1 supply vt",
            "C 4 contact 1 0 demand opto",
            "C 5 current A -3 cooler ct",
        ];
        for body in lines {
            let text = line(body).to_string();
            session.accept(&decode(text.trim_end().as_bytes()).unwrap(), 0);
        }
        feed.table(session.table().unwrap());
    }

    fn gaps(&self, feed: &mut Feed, end_us: i64) {
        for (back, length) in GAPS {
            let from = end_us - back * 1_000_000;
            for (time, kind) in [
                (from, EventKind::GapBegin),
                (from + length * 1_000_000, EventKind::GapEnd),
            ] {
                let detail = "the cable was out".to_owned();
                let row = EventRow {
                    time,
                    kind,
                    cause: None,
                    current_a: None,
                    case_c: None,
                    detail,
                };
                feed.event("board-7f3a91c2", row);
            }
        }
    }

    fn step(&mut self, feed: &mut Feed, at_us: i64, in_gap: bool) {
        let freezer = self.freezer.step(at_us, feed);
        let cooler = self.cooler.step(at_us, feed);
        self.seq = self.seq.wrapping_add(1);
        if in_gap {
            return;
        }
        self.samples += 1;
        let demand = f64::from(u8::from(freezer.demand));
        let values = [
            freezer.current_a,
            freezer.case_c,
            freezer.ambient_c,
            freezer.supply_v,
            demand,
            cooler.current_a,
        ];
        let row = SampleRow {
            time: at_us,
            arrival: at_us,
            boot: 18,
            seq: self.seq,
            board_ms: 0,
            readings: &[],
            values: &values,
        };
        feed.sample(BOARD, &row);
        feed.disc("freezer", at_us, freezer.disc_c);
    }

    fn publish(&self, feed: &mut Feed) {
        let mut freezer = self.freezer.status();
        if self.danger {
            freezer.danger = Some(
                "Locked-rotor current for 74 s and the protector has not opened. Switch the supply off now, lock it out, \
                 and stay away from the terminal cover."
                    .into(),
            );
        }
        let mut cooler = self.cooler.status();
        (
            cooler.case_c,
            cooler.supply_v,
            cooler.demand,
            cooler.ambient_c,
        ) = (None, None, None, None);
        let mut refusals = Refusals::new();
        (0..3).for_each(|_| refusals.add(&Refusal::BadCrc));
        let board = BoardStatus {
            id: BOARD.to_string(),
            boot: Some(18),
            period_ms: Some(200),
            firmware: "refboard-1".into(),
            samples: self.samples,
            refusals,
            last_arrival: Some(wall_us()),
            // What a board says is text, whatever it looks like.
            problems: vec![format!("said: {MARKUP}")],
            ..BoardStatus::default()
        };
        let open = [&self.freezer, &self.cooler]
            .map(|machine| (machine.name.clone(), Vec::new(), machine.open()));
        feed.publish(vec![freezer, cooler], vec![board], open.into(), 0, None);
    }
}

fn job(cooler: &str) -> Job {
    let text = |place: &str| Some(place.to_owned());
    let freezer = Unit {
        name: "freezer".into(),
        board: BOARD,
        rated_load_a: Some(1.90),
        locked_rotor_a: Some(12.4),
        clamp_turns: 1,
        channels: Channels {
            current: "common".into(),
            case: text("case"),
            ambient: text("ambient"),
            supply: text("supply"),
            demand: text("demand"),
            ..Channels::default()
        },
        protector: Protector {
            kind: ProtectorKind::ExternalStrip,
            opens_c: Some(120.0),
            closes_c: Some(61.0),
            heating_c_per_a2: Some(0.62),
            heating_tau_s: Some(11.0),
            ..Protector::default()
        },
        limits: Limits::default(),
        ..Unit::default()
    };
    let cooler = Unit {
        name: cooler.into(),
        board: BOARD,
        clamp_turns: 1,
        channels: Channels {
            current: "cooler".into(),
            ..Channels::default()
        },
        ..Unit::default()
    };
    Job {
        name: "Proofing-room freezer, three nights".into(),
        site: text("harbour-bakery"),
        timezone: chrono_tz::Europe::Lisbon,
        temperature: TemperatureScale::Celsius,
        clock_s: None,
        boards: Vec::new(),
        units: vec![freezer, cooler],
        bench: None,
    }
}

fn wall_us() -> i64 {
    SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .unwrap()
        .as_micros() as i64
}
