//! The host's clocks, behind a trait so that a test can set them.
//!
//! Two clocks, because neither does alone: the wall clock names an instant and may be set at any time; the boot-time
//! clock counts on through suspend and is never set, so it says how long.

use std::sync::atomic::{AtomicI64, Ordering};

use nix::time::{ClockId, clock_gettime};

/// Both clocks read together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Moment {
    /// Wall clock, µs since the Unix epoch, UTC.
    pub wall_us: i64,
    /// Boot-time clock, µs since the host booted, suspend included.
    pub boot_us: i64,
}

impl Moment {
    /// Wall clock minus boot-time clock, µs: constant until somebody sets the wall clock.
    pub const fn offset_us(self) -> i64 {
        self.wall_us.saturating_sub(self.boot_us)
    }
}

/// A host's clocks.
pub trait HostClock: Send + Sync {
    /// Wall clock, µs since the Unix epoch, UTC.
    fn wall_us(&self) -> i64;
    /// Boot-time clock, µs since the host booted, suspend included.
    fn boot_us(&self) -> i64;
    /// Names the host's present boot: boot-time clocks are comparable only under the same name.
    fn host_boot_id(&self) -> &str;

    /// Both clocks together. The boot-time clock is read on both sides of the wall clock, so that being put aside in
    /// between does not look like a step of the wall clock by more than half as long.
    fn now(&self) -> Moment {
        let before = self.boot_us();
        let wall_us = self.wall_us();
        let after = self.boot_us();
        Moment {
            wall_us,
            boot_us: before + (after - before) / 2,
        }
    }
}

/// Where Linux names its present boot.
const BOOT_ID_PATH: &str = "/proc/sys/kernel/random/boot_id";
/// Said where the host's boot has no name: then no two readings of the boot-time clock are comparable across restarts.
const BOOT_ID_UNKNOWN: &str = "unknown";

/// The clocks of this machine.
#[derive(Debug, Clone)]
pub struct SystemClock {
    host_boot_id: String,
}

impl SystemClock {
    /// Reads the name of the host's present boot.
    pub fn new() -> Self {
        let host_boot_id = std::fs::read_to_string(BOOT_ID_PATH)
            .map(|text| text.trim().to_owned())
            .ok()
            .filter(|text| !text.is_empty() && text.bytes().all(|b| b.is_ascii_graphic()))
            .unwrap_or_else(|| BOOT_ID_UNKNOWN.to_owned());
        Self { host_boot_id }
    }
}

impl Default for SystemClock {
    fn default() -> Self {
        Self::new()
    }
}

impl HostClock for SystemClock {
    fn wall_us(&self) -> i64 {
        // Before 1970 no stamp can be written; no machine in use stands there for long.
        read_us(ClockId::CLOCK_REALTIME).max(0)
    }

    fn boot_us(&self) -> i64 {
        read_us(ClockId::CLOCK_BOOTTIME)
    }

    fn host_boot_id(&self) -> &str {
        &self.host_boot_id
    }
}

/// A clock in µs; 0 where the kernel has no such clock, which no Linux of this century does.
fn read_us(clock: ClockId) -> i64 {
    clock_gettime(clock).map_or(0, |t| {
        let (seconds, nanos): (i64, i64) = (t.tv_sec(), t.tv_nsec());
        seconds
            .saturating_mul(1_000_000)
            .saturating_add(nanos / 1_000)
    })
}

/// Clocks that stand still until a test moves them.
#[derive(Debug)]
pub struct FakeClock {
    wall_us: AtomicI64,
    boot_us: AtomicI64,
    host_boot_id: String,
}

impl FakeClock {
    /// Clocks that show `start`.
    pub fn new(start: Moment) -> Self {
        Self {
            wall_us: AtomicI64::new(start.wall_us),
            boot_us: AtomicI64::new(start.boot_us),
            host_boot_id: "fake-boot".to_owned(),
        }
    }

    /// Time passes on both clocks.
    pub fn advance_us(&self, us: i64) {
        self.wall_us.fetch_add(us, Ordering::Relaxed);
        self.boot_us.fetch_add(us, Ordering::Relaxed);
    }

    /// Somebody sets the wall clock, forward positive.
    pub fn step_wall_us(&self, us: i64) {
        self.wall_us.fetch_add(us, Ordering::Relaxed);
    }
}

impl HostClock for FakeClock {
    fn wall_us(&self) -> i64 {
        self.wall_us.load(Ordering::Relaxed)
    }

    fn boot_us(&self) -> i64 {
        self.boot_us.load(Ordering::Relaxed)
    }

    fn host_boot_id(&self) -> &str {
        &self.host_boot_id
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn setting_the_wall_clock_moves_the_offset_and_waiting_does_not() {
        let clock = FakeClock::new(Moment {
            wall_us: 1_000_000_000,
            boot_us: 5_000_000,
        });
        let offset_us = clock.now().offset_us();
        clock.advance_us(3_600_000_000);
        assert_eq!(clock.now().offset_us(), offset_us);
        clock.step_wall_us(-1_500_000);
        assert_eq!(clock.now().offset_us(), offset_us - 1_500_000);
    }

    #[test]
    fn this_machine_counts_up_and_names_its_boot() {
        let clock = SystemClock::new();
        let first = clock.now();
        let second = clock.now();
        assert!(
            first.wall_us > 1_600_000_000_000_000,
            "the wall clock is in µs since the epoch"
        );
        assert!(first.boot_us > 0 && second.boot_us >= first.boot_us);
        assert!(!clock.host_boot_id().is_empty() && !clock.host_boot_id().contains(' '));
    }
}
