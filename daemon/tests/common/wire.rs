//! The board's end of a serial line, by hand: a pseudo-terminal whose other end the program opens, and an account of every
//! line that was put into it and when.

#![allow(dead_code)] // each test program uses its own part of this
#![allow(clippy::unwrap_used, clippy::panic)] // a test stops at the first thing that is not as it should be

use std::fs::OpenOptions;
use std::io::{ErrorKind, Read, Write};
use std::os::unix::fs::{OpenOptionsExt, symlink};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use nightclamp_simboard::{Scenario, SimBoard};
use nix::fcntl::OFlag;
use nix::pty::{PtyMaster, grantpt, posix_openpt, ptsname_r, unlockpt};
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};

/// The wall clock, µs since the Unix epoch.
pub fn wall_us() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
    i64::try_from(since.as_micros()).unwrap()
}

/// One line put into the port, with its LF, and when.
#[derive(Debug, Clone)]
pub struct Sent {
    /// Wall clock, µs.
    pub at_us: i64,
    /// Its bytes.
    pub line: Vec<u8>,
}

/// A port that a program can open by a link that stays while the port behind it comes and goes.
pub struct Wire {
    link: PathBuf,
    master: Option<PtyMaster>,
    /// Keeps the name that the port had before it was plugged in again.
    squatter: Option<PtyMaster>,
    /// The link's target now.
    pub path: PathBuf,
    /// Everything put into the port while somebody had it open.
    pub sent: Vec<Sent>,
    /// What the host has said.
    pub heard: Vec<u8>,
}

impl Wire {
    pub fn plug_in(link: &Path) -> Self {
        let mut wire = Self {
            link: link.to_path_buf(),
            master: None,
            squatter: None,
            path: PathBuf::new(),
            sent: Vec::new(),
            heard: Vec::new(),
        };
        wire.replug();
        wire
    }

    /// The port goes; the link dangles, as one below /dev would vanish. Gives when it went.
    pub fn unplug(&mut self) -> i64 {
        self.master = None;
        wall_us()
    }

    /// A port comes under another name than before, and the link points to it. Gives when it was there.
    pub fn replug(&mut self) -> i64 {
        let (mut master, mut path) = open_port();
        if path == self.path {
            self.squatter = Some(master);
            (master, path) = open_port();
        }
        (self.master, self.path) = (Some(master), path);
        let new = self.link.with_extension("new");
        std::fs::remove_file(&new).unwrap_or_default();
        symlink(&self.path, &new).unwrap();
        std::fs::rename(&new, &self.link).unwrap();
        wall_us()
    }

    /// Whether somebody has it open; takes what they say.
    pub fn is_open(&mut self) -> bool {
        let mut bytes = [0; 1024];
        match self.master.as_mut().map(|master| master.read(&mut bytes)) {
            Some(Ok(read)) => {
                self.heard.extend_from_slice(&bytes[..read]);
                true
            }
            Some(Err(error)) => error.kind() == ErrorKind::WouldBlock,
            None => false,
        }
    }

    /// Puts a line into the port; nothing happens if nobody has it open.
    pub fn put(&mut self, line: &[u8]) {
        if !self.is_open() {
            return;
        }
        let at_us = wall_us();
        let master = self.master.as_mut().unwrap();
        match master.write(line) {
            Ok(written) if written == line.len() => self.sent.push(Sent {
                at_us,
                line: line.to_vec(),
            }),
            other => panic!("the port took {other:?} of {} bytes", line.len()),
        }
    }
}

/// A new port: master, and the name of its other end, raw.
fn open_port() -> (PtyMaster, PathBuf) {
    let flags = OFlag::O_RDWR | OFlag::O_NOCTTY | OFlag::O_NONBLOCK | OFlag::O_CLOEXEC;
    let master = posix_openpt(flags).unwrap();
    grantpt(&master).unwrap();
    unlockpt(&master).unwrap();
    let path = PathBuf::from(ptsname_r(&master).unwrap());
    // Opened and closed once: from then on the master tells whether somebody has it open, and nothing echoes.
    let mut once = OpenOptions::new();
    let once = once.read(true).write(true);
    let once = once
        .custom_flags(OFlag::O_NOCTTY.bits())
        .open(&path)
        .unwrap();
    let mut modes = tcgetattr(&once).unwrap();
    cfmakeraw(&mut modes);
    tcsetattr(&once, SetArg::TCSANOW, &modes).unwrap();
    (master, path)
}

/// A simulated board that talks into a [`Wire`] from a thread of its own, at the world's own speed, from its first opening on.
pub struct Talker {
    wire: Arc<Mutex<Wire>>,
    stop: Arc<AtomicBool>,
    mute: Arc<AtomicBool>,
    thread: Option<JoinHandle<SimBoard>>,
}

impl Talker {
    pub fn start(scenario: Scenario, link: &Path) -> Self {
        let wire = Arc::new(Mutex::new(Wire::plug_in(link)));
        let (stop, mute) = (
            Arc::new(AtomicBool::new(false)),
            Arc::new(AtomicBool::new(false)),
        );
        let theirs = (wire.clone(), stop.clone(), mute.clone());
        let thread = std::thread::spawn(move || talk(scenario, &theirs.0, &theirs.1, &theirs.2));
        Self {
            wire,
            stop,
            mute,
            thread: Some(thread),
        }
    }

    /// Does something with the wire while the board waits.
    pub fn with<T>(&self, then: impl FnOnce(&mut Wire) -> T) -> T {
        then(&mut self.wire.lock().unwrap())
    }

    /// From now on nothing is said, or it is again; the board counts on.
    pub fn mute(&self, mute: bool) {
        self.mute.store(mute, Ordering::Release);
    }

    /// Ends the board; its truth.
    pub fn stop(mut self) -> SimBoard {
        self.stop.store(true, Ordering::Release);
        self.thread.take().unwrap().join().unwrap()
    }
}

impl Drop for Talker {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
    }
}

fn talk(scenario: Scenario, wire: &Mutex<Wire>, stop: &AtomicBool, mute: &AtomicBool) -> SimBoard {
    let mut board = SimBoard::new(scenario);
    let mut since = None;
    while !stop.load(Ordering::Acquire) {
        {
            let mut wire = wire.lock().unwrap();
            let is_open = wire.is_open();
            let said = std::mem::take(&mut wire.heard);
            board.host_says(&said);
            if is_open {
                since.get_or_insert_with(Instant::now);
            }
            if let Some(since) = since {
                board.advance(since.elapsed().as_secs_f64(), &mut |said| {
                    if !mute.load(Ordering::Acquire) {
                        wire.put(said.line);
                    }
                });
            }
        }
        std::thread::sleep(Duration::from_millis(3));
    }
    board
}
