//! The program as a process of its own, on boards behind real pseudo-terminals, from their lines to tables and back.
//!
//! With `NIGHTCLAMP_KEEP=DIR` the record and its replay stay in `DIR/pipeline` for other readers; `NIGHTCLAMP=PATH` tests
//! another build of the program.
#![allow(clippy::unwrap_used, clippy::panic)] // tests stop where something is wrong

mod common;

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::{Child, Command};
use std::time::{Duration, Instant};

use arrow::array::{AsArray, RecordBatch};
use arrow::datatypes::{TimestampMicrosecondType, UInt16Type, UInt32Type};
use common::{Scratch, TABLES, batches};
use nightclamp_simboard::scenario::Happening;
use nightclamp_simboard::{
    BootTruth, Pty, PtyOptions, Scenario, SensorFault, SimBoard, job_toml_on,
};
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

const BOARD: u32 = 0x7f3a_91c2;
const OTHER: u32 = 0x0000_0a0b;
/// Longest wait for something that has to happen. Reached only by what never happens.
const PATIENCE: Duration = Duration::from_secs(120);

/// The program, built as it is now.
fn program() -> PathBuf {
    if let Some(path) = std::env::var_os("NIGHTCLAMP") {
        return path.into();
    }
    // The tests lie in TARGET/PROFILE/deps.
    let tests = std::env::current_exe().unwrap();
    let profile = tests.ancestors().nth(2).unwrap();
    let mut build = Command::new(env!("CARGO"));
    build.args(["build", "--quiet", "--locked", "--package", "nightclamp"]);
    build.arg("--target-dir").arg(profile.parent().unwrap());
    build.args(profile.ends_with("release").then_some("--release"));
    build.current_dir(env!("CARGO_MANIFEST_DIR"));
    assert!(build.status().unwrap().success(), "the program's build");
    profile.join("nightclamp")
}

/// Runs a call that has to succeed.
#[track_caller]
fn call(program: &Path, args: &[&Path]) {
    let output = Command::new(program).args(args).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{args:?} said {said}");
}

#[track_caller]
fn wait_until(what: &str, mut is_so: impl FnMut() -> bool) {
    let since = Instant::now();
    while !is_so() {
        assert!(since.elapsed() < PATIENCE, "waited in vain until {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// A recorder that runs; killed if the test ends before it has.
struct Recorder(Child);

impl Recorder {
    fn start(program: &Path, job: &Path, record: &Path, said: &Path) -> Self {
        let mut call = Command::new(program);
        call.args(["record", "--listen", "127.0.0.1:0", "--out"]);
        call.args([record, job]);
        Self(call.stderr(File::create(said).unwrap()).spawn().unwrap())
    }

    /// Presses Ctrl-C, and gives the exit code.
    fn interrupt(mut self) -> Option<i32> {
        kill(Pid::from_raw(self.0.id() as i32), Signal::SIGINT).unwrap();
        self.0.wait().unwrap().code()
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        if let Ok(None) = self.0.try_wait() {
            self.0.kill().unwrap_or_default();
        }
    }
}

/// A board behind a port to which `link` points, at the world's own speed.
fn plug_in(name: &str, id: u32, period_ms: u32, link: &Path) -> (Pty, String) {
    let mut scenario = Scenario::by_name(name, 1).unwrap();
    (scenario.board.id, scenario.board.period_ms) = (id, period_ms);
    if id == OTHER {
        "cellar".clone_into(&mut scenario.units[0].name);
    }
    let job = job_toml_on(&scenario, Some(&link.to_string_lossy()));
    let options = PtyOptions {
        wait_for_open: true,
        ..PtyOptions::default()
    };
    let pty = Pty::start(SimBoard::new(scenario), options).unwrap();
    pty.link_to(link).unwrap();
    (pty, job)
}

/// The `seq` of every sample line in a board's raw log so far.
fn raw_seqs(record: &Path, board: u32) -> Vec<u16> {
    let log = record.join(format!("raw/{board:08x}-000001.log"));
    let text = fs::read(log).unwrap_or_default();
    let text = String::from_utf8_lossy(&text);
    let sample = |line: &str| line.split(" S ").nth(1)?.split(' ').next()?.parse().ok();
    // What stands after the last LF is still being written.
    let whole = text
        .split_inclusive('\n')
        .filter(|line| line.ends_with('\n'));
    whole.filter_map(sample).collect()
}

/// Silences a board and waits until the last sample it has sent is in its raw log.
fn drain(pty: &Pty, record: &Path, board: u32) -> Vec<BootTruth> {
    pty.happen(Happening::Mute(true));
    let boots = pty.look(|board| board.truth().boots.clone());
    let last = (boots.last().unwrap().sent - 1) as u16;
    wait_until("the last sample sent is recorded", || {
        raw_seqs(record, board).last() >= Some(&last)
    });
    boots
}

/// What happens to the first board: the compressor runs for a while, a sensor opens, the button is pressed, the port goes away
/// and comes back under another name while the board goes on, and at last the board boots.
fn live_through(pty: &Pty, record: &Path) {
    let recorded = || raw_seqs(record, BOARD).len();
    let more = |samples: usize| {
        let before = recorded();
        wait_until("more is recorded", || recorded() >= before + samples);
    };
    let control = |is_on| pty.happen(Happening::Control(0, Some(is_on)));
    let case = |fault| pty.happen(Happening::Sensor("case".to_owned(), fault));
    more(250);
    control(true);
    more(200);
    case(SensorFault::Letter('o'));
    more(25);
    case(SensorFault::Sound);
    pty.happen(Happening::Mark);
    more(25);
    let (name, left_s) = (pty.path(), pty.now_s());
    pty.unplug();
    wait_until("it has been away for a while", || {
        pty.now_s() > left_s + 2.0
    });
    // Somebody else may take the old name meanwhile.
    let squatter = nix::pty::posix_openpt(nix::fcntl::OFlag::O_RDWR).unwrap();
    assert_ne!(pty.replug().unwrap(), name);
    more(150);
    drop(squatter);
    control(false);
    more(150);
    pty.reset("watchdog");
    more(150);
}

/// `seq` and `time` of a board's samples by boot, in the order of the table.
fn samples(record: &Path, board: u32) -> BTreeMap<u32, Vec<(u64, i64)>> {
    let mut boots: BTreeMap<u32, Vec<(u64, i64)>> = BTreeMap::new();
    for batch in batches(&record.join(format!("samples/board=b-{board:08x}"))) {
        let boot = column(&batch, "boot").as_primitive::<UInt32Type>();
        let seq = column(&batch, "seq").as_primitive::<UInt16Type>();
        let time = column(&batch, "time").as_primitive::<TimestampMicrosecondType>();
        for ((boot, seq), time) in boot.values().iter().zip(seq.values()).zip(time.values()) {
            let samples = boots.entry(*boot).or_default();
            samples.push((u64::from(*seq), *time));
        }
    }
    boots
}

fn column<'a>(batch: &'a RecordBatch, name: &str) -> &'a dyn arrow::array::Array {
    batch.column_by_name(name).unwrap().as_ref()
}

/// Begin and end of every gap of a board that is named in the events; one that lasts to the end of the record has none.
fn gaps(record: &Path, board: u32) -> Vec<(i64, i64)> {
    let table = record.join(format!("events/unit=board-{board:08x}"));
    let (mut begins, mut ends) = (Vec::new(), Vec::new());
    // A board of which there is nothing to tell has no events.
    let events = if table.exists() {
        batches(&table)
    } else {
        Vec::new()
    };
    for batch in events {
        let kind = column(&batch, "kind").as_string::<i32>();
        let time = column(&batch, "time").as_primitive::<TimestampMicrosecondType>();
        for (kind, time) in kind.iter().zip(time.values()) {
            match kind {
                Some("gap-begin") => begins.push(*time),
                Some("gap-end") => ends.push(*time),
                _ => {}
            }
        }
    }
    assert!(begins.len() - ends.len() <= 1, "{begins:?} and {ends:?}");
    begins.into_iter().zip(ends).collect()
}

/// Asserts that of the first `count` samples of a boot each is there, once, in order, or lies in a named gap; gives how many
/// lie in gaps.
#[track_caller]
fn assert_accounted(samples: &[(u64, i64)], count: u64, gaps: &[(i64, i64)]) -> u64 {
    let first = samples.first().map(|(seq, _)| *seq);
    let last = samples.last().map(|(seq, _)| *seq);
    assert_eq!((first, last), (Some(0), Some(count - 1)));
    let mut missing = 0;
    for pair in samples.windows(2) {
        let ((before, from), (after, to)) = (pair[0], pair[1]);
        assert!(after > before, "{after} comes after {before}");
        let lost = after - before - 1;
        let is_named = gaps.contains(&(from, to));
        assert!(
            lost == 0 || is_named,
            "{lost} samples after {before} are missing outside any gap: {gaps:?}"
        );
        missing += lost;
    }
    missing
}

#[test]
fn every_sample_sent_is_in_the_tables_or_in_a_named_gap_and_a_replay_gives_the_same_rows() {
    let program = program();
    let scratch = Scratch::kept_if_asked("pipeline");
    let [record, again, job_file] = ["record", "again", "job.toml"].map(|name| scratch.join(name));
    let (board, job) = plug_in("two-units", BOARD, 20, &scratch.join("port"));
    let (other, other_job) = plug_in("run-capacitor", OTHER, 50, &scratch.join("other-port"));
    let other_job = &other_job[other_job.find("[[board]]").unwrap()..];
    fs::write(&job_file, format!("{job}\n{other_job}")).unwrap();

    let recorder = Recorder::start(&program, &job_file, &record, &scratch.join("said.txt"));
    live_through(&board, &record);
    let boots = drain(&board, &record, BOARD);
    let other_boots = drain(&other, &record, OTHER);
    assert_eq!(recorder.interrupt(), Some(0));

    let (found, named) = (samples(&record, BOARD), gaps(&record, BOARD));
    assert_eq!((found.len(), boots.len()), (2, 2));
    let unplugged = assert_accounted(&found[&boots[0].boot], boots[0].samples, &named);
    assert!(unplugged > 50, "{unplugged} lie in the gap of two seconds");
    let after = assert_accounted(&found[&boots[1].boot], boots[1].sent, &named);
    assert_eq!(after, 0, "nothing is missing after the board has booted");
    let beside = &samples(&record, OTHER)[&other_boots[0].boot];
    let lost = assert_accounted(beside, other_boots[0].sent, &gaps(&record, OTHER));
    assert_eq!(lost, 0, "the other board's port was never gone");

    call(&program, &["verify".as_ref(), &record]);
    let replay: [&Path; 6] = [
        "replay".as_ref(),
        &record,
        "--job".as_ref(),
        &record.join("job.toml"),
        "--out".as_ref(),
        &again,
    ];
    call(&program, &replay);
    call(&program, &["verify".as_ref(), &again]);
    for table in TABLES {
        let (live, replayed) = (batches(&record.join(table)), batches(&again.join(table)));
        assert!(!live.is_empty(), "{table}: no rows");
        assert!(live == replayed, "{table}: {live:?} and {replayed:?}");
    }
}
