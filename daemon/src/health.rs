//! Whether the pipeline moves, and telling it to whoever restarts it if it does not.
//!
//! Every stage (a port's capture, its writer, the projector) counts a beat each time round its loop, whether or not there
//! was anything to do: what is counted is progress of the stage itself, so a stage that hangs in a read, a sync or a lock
//! counts no more. A thread of its own looks at the counts. Only when *every* stage has moved since the last time is the
//! service manager's watchdog fed; a stage that has stood still for long is named in the log and at `/readyz`.
//!
//! The manager is told in the datagrams of `sd_notify(3)`: `READY=1` once every port's capture has begun, `WATCHDOG=1`,
//! `STOPPING=1`, and `STATUS=` in words. Without `NOTIFY_SOCKET` nobody is told and the rest is the same.

use std::os::linux::net::SocketAddrExt;
use std::os::unix::net::{SocketAddr, UnixDatagram};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

/// How often the counts are looked at when no watchdog asks for more.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// Looks within the time that a watchdog waits: one that is missed does not matter.
const LOOKS_A_WATCHDOG: u32 = 4;
/// A stage that has not moved for this long is stuck. A projector's step and a port that comes and goes take seconds.
pub const STUCK_AFTER: Duration = Duration::from_secs(15);

/// The beats of one stage.
#[derive(Debug)]
pub struct Pulse {
    stage: String,
    beats: AtomicU64,
}

impl Pulse {
    /// The stage has come round.
    pub fn beat(&self) {
        self.beats.fetch_add(1, Ordering::Relaxed);
    }
}

/// The stages that have to move.
#[derive(Debug, Clone, Default)]
pub struct Pulses(Arc<Mutex<Vec<Arc<Pulse>>>>);

impl Pulses {
    /// A new stage, called `stage` in words for people.
    pub fn begin(&self, stage: String) -> Arc<Pulse> {
        let pulse = Arc::new(Pulse {
            stage,
            beats: AtomicU64::new(0),
        });
        let mut pulses = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        pulses.push(pulse.clone());
        pulse
    }

    fn all(&self) -> Vec<Arc<Pulse>> {
        let pulses = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        pulses.clone()
    }
}

/// What a look at the stages gave.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Look {
    /// Every stage has moved since the last look that found so.
    Moves,
    /// Some have not, but not for so long that it means anything.
    Waits,
    /// These stages have not moved for [`STUCK_AFTER`], in words.
    Stuck(String),
}

/// Remembers when each stage moved last.
#[derive(Debug, Default)]
pub struct Watch {
    seen: Vec<Seen>,
}

#[derive(Debug, Clone, Copy)]
struct Seen {
    beats: u64,
    /// Beats at the last look that found all stages moving.
    beats_fed: u64,
    moved: Instant,
}

impl Watch {
    /// Looks at all stages at `now`.
    pub fn look(&mut self, pulses: &Pulses, now: Instant) -> Look {
        let pulses = pulses.all();
        let (mut moves, mut stuck) = (true, Vec::new());
        for (at, pulse) in pulses.iter().enumerate() {
            let beats = pulse.beats.load(Ordering::Relaxed);
            if self.seen.len() <= at {
                self.seen.push(Seen {
                    beats,
                    beats_fed: 0,
                    moved: now,
                });
            }
            let Some(seen) = self.seen.get_mut(at) else {
                continue;
            };
            if beats != seen.beats {
                (seen.beats, seen.moved) = (beats, now);
            }
            moves &= beats != seen.beats_fed;
            let still = now.saturating_duration_since(seen.moved);
            if still >= STUCK_AFTER {
                stuck.push(format!(
                    "{} has not moved for {} s",
                    pulse.stage,
                    still.as_secs()
                ));
            }
        }
        if !stuck.is_empty() {
            return Look::Stuck(stuck.join(", "));
        }
        if !moves {
            return Look::Waits;
        }
        self.seen
            .iter_mut()
            .for_each(|seen| seen.beats_fed = seen.beats);
        Look::Moves
    }
}

/// The service manager, if one started this process.
#[derive(Debug)]
pub struct Manager {
    socket: Option<(UnixDatagram, SocketAddr)>,
    watchdog: Option<Duration>,
}

impl Manager {
    /// As the environment says: `NOTIFY_SOCKET`, `WATCHDOG_USEC`, `WATCHDOG_PID`.
    pub fn from_environment() -> Self {
        let variable = |name: &str| std::env::var(name).ok().filter(|text| !text.is_empty());
        let socket = variable("NOTIFY_SOCKET").and_then(|path| {
            let address = match path.strip_prefix('@') {
                Some(name) => SocketAddr::from_abstract_name(name),
                None => SocketAddr::from_pathname(&path),
            };
            Some((UnixDatagram::unbound().ok()?, address.ok()?))
        });
        let is_ours =
            variable("WATCHDOG_PID").is_none_or(|pid| pid == std::process::id().to_string());
        let watchdog = variable("WATCHDOG_USEC")
            .filter(|_| is_ours)
            .and_then(|us| us.parse().ok())
            .filter(|us| *us > 0)
            .map(Duration::from_micros);
        Self { socket, watchdog }
    }

    /// Tells the manager; it may be gone, and then nobody is told.
    pub fn tell(&self, text: &str) {
        if let Some((socket, address)) = &self.socket
            && let Err(error) = socket.send_to_addr(text.as_bytes(), address)
        {
            tracing::debug!("the service manager cannot be told {text:?}: {error}");
        }
    }

    fn look_every(&self) -> Duration {
        self.watchdog.map_or(LOOK_EVERY, |watchdog| {
            (watchdog / LOOKS_A_WATCHDOG).min(LOOK_EVERY)
        })
    }
}

/// The thread that looks.
pub struct Watching {
    stop: Arc<AtomicBool>,
    manager: Arc<Manager>,
    thread: JoinHandle<()>,
}

impl Watching {
    /// Starts it, and tells the manager that recording has begun. `show` is given the stage that is stuck, in words, at every
    /// change.
    ///
    /// # Errors
    /// No thread could be had.
    pub fn start(
        pulses: Pulses,
        manager: Manager,
        status: &str,
        show: impl Fn(Option<String>) + Send + 'static,
    ) -> std::io::Result<Self> {
        let (stop, manager) = (Arc::new(AtomicBool::new(false)), Arc::new(manager));
        manager.tell(&format!("READY=1\nSTATUS={status}"));
        let (stopping, telling) = (stop.clone(), manager.clone());
        let thread = thread::Builder::new()
            .name("watchdog".to_owned())
            .spawn(move || watch(&pulses, &telling, &stopping, &show))?;
        Ok(Self {
            stop,
            manager,
            thread,
        })
    }

    /// Recording ends: stages end one after the other, and none is waited for any more.
    pub fn stop(self) {
        self.stop.store(true, Ordering::Release);
        self.manager.tell("STOPPING=1");
        self.thread.thread().unpark();
        if self.thread.join().is_err() {
            tracing::debug!("the watchdog's thread broke off");
        }
    }
}

fn watch(pulses: &Pulses, manager: &Manager, stop: &AtomicBool, show: &dyn Fn(Option<String>)) {
    let mut watch = Watch::default();
    let mut is_stuck = false;
    while !stop.load(Ordering::Acquire) {
        match watch.look(pulses, Instant::now()) {
            Look::Moves => {
                if std::mem::take(&mut is_stuck) {
                    tracing::warn!("everything moves again");
                    show(None);
                }
                if manager.watchdog.is_some() {
                    manager.tell("WATCHDOG=1");
                }
            }
            Look::Waits => {}
            Look::Stuck(what) => {
                if !std::mem::replace(&mut is_stuck, true) {
                    tracing::error!(
                        "{what}: the service manager will restart this program, if one watches it"
                    );
                }
                manager.tell(&format!("STATUS={what}"));
                show(Some(what));
            }
        }
        thread::park_timeout(manager.look_every());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_watchdog_is_fed_only_when_every_stage_has_moved_and_a_still_one_is_named() {
        let pulses = Pulses::default();
        let (writer, projector) = (
            pulses.begin("the writer".to_owned()),
            pulses.begin("the projector".to_owned()),
        );
        let (mut watch, begin) = (Watch::default(), Instant::now());
        let at = |s: u64| begin + Duration::from_secs(s);
        // Nothing has moved yet.
        assert_eq!(watch.look(&pulses, at(0)), Look::Waits);
        writer.beat();
        assert_eq!(watch.look(&pulses, at(1)), Look::Waits);
        projector.beat();
        assert_eq!(watch.look(&pulses, at(2)), Look::Moves);
        // One look's movement is not counted twice.
        assert_eq!(watch.look(&pulses, at(3)), Look::Waits);
        for s in 4..16 {
            projector.beat();
            assert_eq!(watch.look(&pulses, at(s)), Look::Waits, "{s}");
        }
        projector.beat();
        let stuck = Look::Stuck("the writer has not moved for 16 s".to_owned());
        assert_eq!(watch.look(&pulses, at(17)), stuck);
        writer.beat();
        assert_eq!(watch.look(&pulses, at(18)), Look::Moves);
    }
}
