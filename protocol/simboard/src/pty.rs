//! The board behind a real pseudo-terminal: what a serial port looks like to a program, with unplugging,
//! replugging under another name, and a reader that comes and goes.
//!
//! Linux facts it rests on: reading the master gives EIO while nobody has the port open and EAGAIN while
//! somebody has but is silent; a port takes about 20 kB that nobody reads; what is unread when the master
//! closes is gone.

use crate::board::SimBoard;
use crate::scenario::Happening;
use nix::fcntl::OFlag;
use nix::pty::{PtyMaster, grantpt, posix_openpt, ptsname_r, unlockpt};
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};
use std::fs::OpenOptions;
use std::io::{self, Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// How often the port is looked after.
const TICK: Duration = Duration::from_millis(4);
/// How long a reader is given to take what is unread before the master closes.
const DRAIN: Duration = Duration::from_millis(150);
/// Most bytes taken from the host in one tick.
const HOST_BYTES_MAX: usize = 4096;
/// The board is advanced in slices of this many bytes of lines at most, about what a port holds.
const SLICE_BYTES: usize = 8192;
/// Most slices in one tick, so that others get at the board.
const SLICES_MAX: usize = 64;

/// How the port behaves.
#[derive(Debug, Clone)]
pub struct PtyOptions {
    /// Seconds of the board's world for each second here, above 0; may be large.
    pub speed: f64,
    /// The board boots when the port is opened, as boards wired to DTR do.
    pub reset_on_open: bool,
    /// The board gets its power from the port: replugging boots it.
    pub powered_by_port: bool,
    /// The world stands still until somebody opens the port for the first time.
    pub wait_for_open: bool,
    /// The world waits when the port is full, so that nothing is lost however fast it runs; otherwise lines
    /// that find no room are lost and counted, as on a real board.
    pub wait_for_reader: bool,
}

impl Default for PtyOptions {
    fn default() -> Self {
        Self {
            speed: 1.0,
            reset_on_open: false,
            powered_by_port: false,
            wait_for_open: false,
            wait_for_reader: false,
        }
    }
}

/// What became of lines at the port.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct PtyCounts {
    /// Lines written into the port whole.
    pub written: u64,
    /// Lines for which the port had no room.
    pub unsent: u64,
    /// Lines said while nobody had the port open or it was unplugged.
    pub unheard: u64,
    /// Times the port was opened.
    pub opened: u64,
}

/// A board behind a pseudo-terminal, served by a thread of its own.
#[derive(Debug)]
pub struct Pty {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

#[derive(Debug)]
struct Shared {
    port: Mutex<Port>,
    wake: Condvar,
}

#[derive(Debug)]
struct Port {
    board: SimBoard,
    options: PtyOptions,
    master: Option<PtyMaster>,
    path: PathBuf,
    link: Option<PathBuf>,
    open: bool,
    pending: Vec<u8>,
    counts: PtyCounts,
    /// World time and time here that belong together.
    anchor: (f64, Instant),
    stop: bool,
}

impl Pty {
    /// Opens a port for the board and begins to serve it.
    ///
    /// # Errors
    /// When no pseudo-terminal or thread is to be had.
    pub fn start(board: SimBoard, options: PtyOptions) -> io::Result<Self> {
        let (master, path) = open_port()?;
        let anchor = (board.now_s(), Instant::now());
        let port = Port {
            board,
            options,
            master: Some(master),
            path,
            link: None,
            open: false,
            pending: Vec::new(),
            counts: PtyCounts::default(),
            anchor,
            stop: false,
        };
        let shared = Arc::new(Shared {
            port: Mutex::new(port),
            wake: Condvar::new(),
        });
        let served = Arc::clone(&shared);
        let thread = std::thread::Builder::new()
            .name("simboard".to_owned())
            .spawn(move || serve(&served))?;
        Ok(Self {
            shared,
            thread: Some(thread),
        })
    }

    fn port(&self) -> MutexGuard<'_, Port> {
        self.shared.lock()
    }

    /// Where the port is now, `/dev/pts/N`.
    pub fn path(&self) -> PathBuf {
        self.port().path.clone()
    }

    /// Makes `link` point at the port, now and after each replug.
    ///
    /// # Errors
    /// When the link cannot be made.
    pub fn link_to(&self, link: &Path) -> io::Result<()> {
        let mut port = self.port();
        point(link, &port.path)?;
        port.link = Some(link.to_owned());
        Ok(())
    }

    /// Unplugs: the port's name disappears and a reader sees its end. A reader that keeps up gets what was
    /// already written; the link, if any, dangles as one under `/dev` would vanish.
    pub fn unplug(&self) {
        let (master, was_open) = {
            let mut port = self.port();
            port.flush();
            port.pending.clear();
            (port.master.take(), std::mem::take(&mut port.open))
        };
        if was_open {
            std::thread::sleep(DRAIN);
        }
        drop(master);
    }

    /// Plugs in again, under another name as a rule.
    ///
    /// # Errors
    /// When no pseudo-terminal is to be had or the link cannot be pointed at it.
    pub fn replug(&self) -> io::Result<PathBuf> {
        let (master, path) = open_port()?;
        let mut port = self.port();
        if port.options.powered_by_port {
            port.board.reset("power-on");
        }
        if let Some(link) = &port.link {
            point(link, &path)?;
        }
        port.master = Some(master);
        port.path.clone_from(&path);
        Ok(path)
    }

    /// World time reached, s.
    pub fn now_s(&self) -> f64 {
        self.port().board.now_s()
    }

    /// What became of lines so far.
    pub fn counts(&self) -> PtyCounts {
        self.port().counts
    }

    /// Looks at the board, for instance at its truth so far.
    pub fn look<T>(&self, at: impl FnOnce(&SimBoard) -> T) -> T {
        at(&self.port().board)
    }

    /// Lets something happen now.
    pub fn happen(&self, what: Happening) {
        self.port().board.happen(what);
    }

    /// Boots the board now.
    pub fn reset(&self, cause: &'static str) {
        self.port().board.reset(cause);
    }

    /// Ends serving, closes the port and gives the board back with its truth.
    pub fn stop(mut self) -> SimBoard {
        self.end();
        self.port().board.clone()
    }

    fn end(&mut self) {
        {
            let mut port = self.port();
            port.stop = true;
        }
        self.shared.wake.notify_all();
        if let Some(thread) = self.thread.take() {
            // A thread that panicked leaves the board as it was.
            if thread.join().is_err() {
                self.port().pending.clear();
            }
        }
        self.port().master = None;
    }
}

impl Drop for Pty {
    fn drop(&mut self) {
        self.end();
    }
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, Port> {
        self.port.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn serve(shared: &Shared) {
    let mut port = shared.lock();
    while !port.stop {
        port.tick();
        port = match shared.wake.wait_timeout(port, TICK) {
            Ok((port, _)) => port,
            Err(poisoned) => poisoned.into_inner().0,
        };
    }
    port.flush();
}

impl Port {
    fn tick(&mut self) {
        let was_open = self.open;
        self.hear_host();
        if self.open && !was_open {
            self.counts.opened += 1;
            if self.options.reset_on_open {
                self.board.reset("external");
            }
        }
        if !self.open && was_open {
            self.pending.clear();
        }
        if self.options.wait_for_open && self.counts.opened == 0 {
            self.anchor = (self.board.now_s(), Instant::now());
            return;
        }
        self.run();
    }

    fn hear_host(&mut self) {
        let Some(master) = self.master.as_mut() else {
            self.open = false;
            return;
        };
        let mut bytes = [0u8; HOST_BYTES_MAX];
        match master.read(&mut bytes) {
            Ok(n) => {
                self.open = true;
                self.board.host_says(&bytes[..n]);
            }
            Err(e) if e.kind() == io::ErrorKind::WouldBlock => self.open = true,
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(_) => self.open = false, // EIO: nobody has it open
        }
    }

    /// Brings the world to where it should be by now.
    fn run(&mut self) {
        let due_s = self.anchor.0 + self.anchor.1.elapsed().as_secs_f64() * self.options.speed;
        let period_s = f64::from(self.board.scenario().board.period_ms) / 1000.0;
        for _ in 0..SLICES_MAX {
            self.flush();
            let full = self.options.wait_for_reader && !self.pending.is_empty();
            if full || self.board.now_s() >= due_s {
                break;
            }
            self.slice(due_s, period_s);
        }
        if self.options.wait_for_reader && self.board.now_s() < due_s {
            self.anchor = (self.board.now_s(), Instant::now());
        }
    }

    /// Some periods of the board's world, its lines gathered and written.
    fn slice(&mut self, due_s: f64, period_s: f64) {
        let mut lines: Vec<u8> = Vec::new();
        let mut ends: Vec<usize> = Vec::new();
        while self.board.now_s() < due_s && lines.len() < SLICE_BYTES {
            let until_s = (self.board.now_s() + period_s).min(due_s);
            self.board.advance(until_s, &mut |e| {
                lines.extend_from_slice(e.line);
                ends.push(lines.len());
            });
        }
        let mut begin = 0;
        let mut lost_samples = 0;
        for end in ends {
            let line = &lines[begin..end];
            begin = end;
            if self.put(line) == Put::NoRoom && line.starts_with(b"S ") {
                lost_samples += 1;
            }
        }
        self.board.note_unsent(lost_samples);
    }

    fn put(&mut self, line: &[u8]) -> Put {
        if !self.open {
            self.counts.unheard += 1;
            return Put::NobodyThere;
        }
        let waits = self.options.wait_for_reader;
        if !self.pending.is_empty() && !waits {
            self.flush();
            if !self.pending.is_empty() {
                self.counts.unsent += 1;
                return Put::NoRoom;
            }
        }
        if !self.pending.is_empty() {
            self.pending.extend_from_slice(line);
            self.counts.written += 1;
            return Put::Done;
        }
        match self.master.as_mut().map(|m| m.write(line)) {
            Some(Ok(n)) => self.pending.extend_from_slice(&line[n..]),
            Some(Err(_)) if waits => self.pending.extend_from_slice(line),
            _ => {
                self.counts.unsent += 1;
                return Put::NoRoom;
            }
        }
        self.counts.written += 1;
        Put::Done
    }

    /// Writes what was left over from a line that found only some room.
    fn flush(&mut self) {
        if self.pending.is_empty() {
            return;
        }
        if let Some(Ok(n)) = self.master.as_mut().map(|m| m.write(&self.pending)) {
            self.pending.drain(..n);
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Put {
    Done,
    NoRoom,
    NobodyThere,
}

/// A new port: master and the name of its other end, raw.
fn open_port() -> io::Result<(PtyMaster, PathBuf)> {
    let master =
        posix_openpt(OFlag::O_RDWR | OFlag::O_NOCTTY | OFlag::O_NONBLOCK | OFlag::O_CLOEXEC)?;
    grantpt(&master)?;
    unlockpt(&master)?;
    let path = PathBuf::from(ptsname_r(&master)?);
    // Opened and closed once: from then on the master tells whether somebody has it open, and nothing echoes.
    let once = OpenOptions::new()
        .read(true)
        .write(true)
        .custom_flags(OFlag::O_NOCTTY.bits())
        .open(&path)?;
    let mut modes = tcgetattr(&once)?;
    cfmakeraw(&mut modes);
    tcsetattr(&once, SetArg::TCSANOW, &modes)?;
    Ok((master, path))
}

/// Points a symbolic link at a path, in one step for whoever looks.
fn point(link: &Path, at: &Path) -> io::Result<()> {
    let mut name = link.as_os_str().to_owned();
    name.push(".new");
    let new = PathBuf::from(name);
    match std::fs::remove_file(&new) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(e),
        _ => {}
    }
    std::os::unix::fs::symlink(at, &new)?;
    std::fs::rename(&new, link)
}
