//! What a service manager sees of the recorder, and what a second recorder gets to hear.

#![allow(clippy::unwrap_used, clippy::panic)] // a test stops at the first thing that is not as it should be

mod common;

use std::fs;
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use common::process::{Process, dashboard, get, program};
use common::wire::Talker;
use common::{Scratch, job_text, samples_in_raw, steady, wait_until};
use nix::sys::ptrace;
use nix::sys::wait::{WaitPidFlag, waitpid};
use nix::unistd::Pid;

const BOARD: u32 = 0x7f3a_91c2;
/// How long the manager's watchdog waits.
const WATCHDOG: Duration = Duration::from_secs(2);

/// A recorder with its board, its manager listening.
struct Supervised {
    scratch: Scratch,
    _board: Talker,
    recorder: Process,
    manager: UnixDatagram,
}

impl Supervised {
    fn start(name: &str) -> Self {
        let scratch = Scratch::new(name);
        let [record, link, job, said, socket] =
            ["record", "port", "job.toml", "said.txt", "notify"].map(|name| scratch.join(name));
        let scenario = steady(BOARD, 1);
        fs::write(&job, job_text(&scenario, &link)).unwrap();
        let board = Talker::start(scenario, &link);
        let manager = UnixDatagram::bind(&socket).unwrap();
        manager.set_read_timeout(Some(WATCHDOG)).unwrap();
        let recorder = Process::record_with(&job, &record, &said, |call| {
            call.env("NOTIFY_SOCKET", &socket)
                .env("WATCHDOG_USEC", WATCHDOG.as_micros().to_string())
        });
        Self {
            scratch,
            _board: board,
            recorder,
            manager,
        }
    }

    fn record(&self) -> PathBuf {
        self.scratch.join("record")
    }

    /// The next thing the manager is told; nothing if its watchdog would have bitten before.
    fn told(&self) -> Option<String> {
        let mut bytes = [0; 512];
        let read = self.manager.recv(&mut bytes).ok()?;
        Some(String::from_utf8_lossy(&bytes[..read]).into_owned())
    }

    /// Forgets what has come so far.
    fn forget(&self) {
        self.manager.set_nonblocking(true).unwrap();
        while self.told().is_some() {}
        self.manager.set_nonblocking(false).unwrap();
    }

    /// Status line and body of `/readyz`.
    fn readyz(&self) -> String {
        get(&self.dashboard(), "/readyz")
    }

    fn dashboard(&self) -> String {
        dashboard(&self.scratch.join("said.txt"))
    }

    /// The threads of this name.
    fn threads(&self, name: &str) -> Vec<Pid> {
        let tasks = format!("/proc/{}/task", self.recorder.pid());
        let of_name = |task: fs::DirEntry| {
            let comm = fs::read_to_string(task.path().join("comm")).ok()?;
            let tid = task.file_name().to_str()?.parse().ok()?;
            (comm.trim() == name).then_some(Pid::from_raw(tid))
        };
        fs::read_dir(tasks)
            .unwrap()
            .flatten()
            .filter_map(of_name)
            .collect()
    }
}

#[test]
fn a_recorder_that_moves_says_ready_feeds_the_watchdog_and_says_that_it_stops() {
    let it = Supervised::start("ready");
    let ready = it.told().unwrap();
    assert!(
        ready.starts_with("READY=1\nSTATUS=recording 1 boards into "),
        "{ready}"
    );
    for _ in 0..8 {
        assert_eq!(it.told().as_deref(), Some("WATCHDOG=1"));
    }
    wait_until("it is ready", || it.readyz().starts_with("HTTP/1.1 200"));
    let Supervised {
        scratch: _scratch,
        _board,
        recorder,
        manager,
    } = it;
    assert!(recorder.stop().success());
    let mut last = String::new();
    let mut bytes = [0; 512];
    while let Ok(read) = manager.recv(&mut bytes) {
        last = String::from_utf8_lossy(&bytes[..read]).into_owned();
    }
    assert_eq!(last, "STOPPING=1");
}

/// Threads that are halted from outside, let go again at the end: nobody could wait for a process that has any.
struct Halted(Vec<Pid>);

impl Halted {
    fn halt(threads: Vec<Pid>) -> Self {
        for tid in &threads {
            ptrace::seize(*tid, ptrace::Options::empty()).unwrap();
            ptrace::interrupt(*tid).unwrap();
            waitpid(*tid, Some(WaitPidFlag::__WALL)).unwrap();
        }
        Self(threads)
    }
}

impl Drop for Halted {
    fn drop(&mut self) {
        for tid in &self.0 {
            ptrace::detach(*tid, None).unwrap_or_default();
        }
    }
}

/// Stops one stage of the running program, by halting its threads from outside, and looks at what the manager is told.
fn frozen(name: &str, threads: &str, is_named: &str) {
    let it = Supervised::start(name);
    wait_until("it records", || samples_in_raw(&it.record()) > 0);
    wait_until("the watchdog is fed", || {
        it.told().as_deref() == Some("WATCHDOG=1")
    });
    let address = it.dashboard();
    let halted = it.threads(threads);
    assert!(!halted.is_empty(), "there is no thread {threads}");
    let halted = Halted::halt(halted);
    // One feeding may have been on its way.
    std::thread::sleep(WATCHDOG / 2);
    it.forget();
    assert_eq!(
        it.told(),
        None,
        "{threads} stands still, and the watchdog is fed"
    );
    // The pages stand still too if it is they that do.
    wait_until("the manager is told what is stuck", || {
        let told = it.told().unwrap_or_default();
        assert!(!told.contains("WATCHDOG=1"), "it is fed");
        told.starts_with("STATUS=") && told.contains(is_named)
    });
    if threads != "tokio-rt-worker" {
        let answer = get(&address, "/readyz");
        assert!(
            answer.starts_with("HTTP/1.1 503") && answer.contains(is_named),
            "{answer}"
        );
    }
    drop(halted);
    wait_until("the watchdog is fed again", || {
        it.told().as_deref() == Some("WATCHDOG=1")
    });
    wait_until("it is ready again", || {
        get(&address, "/readyz").starts_with("HTTP/1.1 200")
    });
    assert!(it.recorder.stop().success());
}

#[test]
fn a_writer_that_stands_still_is_not_fed_for_and_is_named() {
    frozen("still-writer", "raw-writer", "the writer of 7f3a91c2");
}

#[test]
fn a_projector_that_stands_still_is_not_fed_for_and_is_named() {
    frozen("still-projector", "projector", "the projector");
}

#[test]
fn a_capture_that_stands_still_is_not_fed_for_and_is_named() {
    frozen("still-capture", "tokio-rt-worker", "the capture of ");
}

/// Exit code and messages of `record`.
fn second(job: &Path, record: &Path, listen: &str) -> (Option<i32>, String) {
    let mut call = Command::new(program());
    call.args(["record", "--listen", listen, "--out"])
        .args([record, job]);
    let since = Instant::now();
    let output = call.output().unwrap();
    println!("refused after {} ms", since.elapsed().as_millis());
    (
        output.status.code(),
        String::from_utf8_lossy(&output.stderr).into_owned(),
    )
}

#[test]
fn a_second_recorder_on_the_record_the_port_or_the_address_is_refused_with_the_firsts_name() {
    let it = Supervised::start("second");
    wait_until("it records", || samples_in_raw(&it.record()) > 0);
    let job = it.scratch.join("job.toml");
    let first = format!("nightclamp (process {})", it.recorder.pid());
    let elsewhere = it.scratch.join("elsewhere");
    let address = it.dashboard();
    let cases = [
        (it.record(), "127.0.0.1:0", "is being recorded into by"),
        (elsewhere.clone(), "127.0.0.1:0", "has this port already"),
        (
            elsewhere,
            address.as_str(),
            "has it; choose another --listen",
        ),
    ];
    let before = samples_in_raw(&it.record());
    for (record, listen, why) in cases {
        let (code, said) = second(&job, &record, listen);
        assert_eq!(code, Some(1), "{said}");
        assert!(
            said.contains(&first) && said.contains(why),
            "{first} {why}: {said}"
        );
    }
    wait_until("the first one records on", || {
        samples_in_raw(&it.record()) > before
    });
    assert!(it.recorder.stop().success());
}
