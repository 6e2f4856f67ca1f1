//! The program as a process of its own.

#![allow(dead_code)] // each test program uses its own part of this
#![allow(clippy::unwrap_used)] // a test stops at the first thing that is not as it should be

use std::fs::File;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, ExitStatus};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

use super::wait_until;

/// A recorder that runs; killed if the test ends before it has.
pub struct Process(pub Child);

impl Process {
    /// `nightclamp record JOB --out RECORD`, its messages in `said`.
    pub fn record(job: &Path, record: &Path, said: &Path) -> Self {
        Self::record_with(job, record, said, |call| call)
    }

    /// The same, the call changed before it is made.
    pub fn record_with(
        job: &Path,
        record: &Path,
        said: &Path,
        change: impl FnOnce(&mut Command) -> &mut Command,
    ) -> Self {
        let mut call = Command::new(program());
        call.args(["record", "--listen", "127.0.0.1:0", "--out"]);
        call.args([record, job]);
        let said = File::options().append(true).create(true).open(said);
        Self(change(&mut call).stderr(said.unwrap()).spawn().unwrap())
    }

    pub fn signal(&self, signal: Signal) {
        kill(self.pid(), signal).unwrap();
    }

    pub fn pid(&self) -> Pid {
        Pid::from_raw(i32::try_from(self.0.id()).unwrap())
    }

    /// Stops it in good order and waits.
    pub fn stop(mut self) -> ExitStatus {
        self.signal(Signal::SIGTERM);
        self.0.wait().unwrap()
    }

    /// Kills it and waits until it is gone.
    pub fn kill(mut self) {
        self.0.kill().unwrap();
        self.0.wait().unwrap();
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        if let Ok(None) = self.0.try_wait() {
            self.0.kill().unwrap_or_default();
            self.0.wait().unwrap();
        }
    }
}

/// Where the recorder that says its messages into `said` serves its dashboard.
pub fn dashboard(said: &Path) -> String {
    let mut address = None;
    wait_until("the dashboard's address is said", || {
        let said = std::fs::read_to_string(said).unwrap_or_default();
        let after = said.split("Dashboard: http://").nth(1);
        address = after.and_then(|text| Some(text.split_once('/')?.0.to_owned()));
        address.is_some()
    });
    address.unwrap()
}

/// The whole answer to a request, its head with it.
pub fn get(address: &str, path: &str) -> String {
    let mut stream = TcpStream::connect(address).unwrap();
    write!(
        stream,
        "GET {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n"
    )
    .unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    answer
}

/// The program: `NIGHTCLAMP=PATH` tests another build of it.
pub fn program() -> std::path::PathBuf {
    std::env::var_os("NIGHTCLAMP")
        .map_or_else(|| env!("CARGO_BIN_EXE_nightclamp").into(), Into::into)
}

/// Runs a call that has to succeed; what it said on standard output.
#[track_caller]
pub fn call(args: &[&Path]) -> String {
    let output = Command::new(program()).args(args).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{args:?} said {said}");
    String::from_utf8_lossy(&output.stdout).into_owned()
}
