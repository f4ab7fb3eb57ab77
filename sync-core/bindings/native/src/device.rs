//! The device around the kit: its clocks and its random bytes. The only place here that reads either.

#![expect(clippy::disallowed_methods, reason = "this is where the system is asked")]

use std::fs;
use std::time::{Instant, SystemTime, UNIX_EPOCH};

use shared::bytes::Bytes16;
use sync_core::sys::clock::ClockReading;
use tappet_kit::{KitError, Surroundings};

/// The clocks and the random bytes of the operating system.
pub(crate) struct Device {
    /// Boot id, where the system tells one: the steady clock then is the time since boot, the same for every process.
    of_system: Option<Bytes16>,
    /// Elsewhere: a boot id that no other process has, so that whatever was measured before counts as stepped.
    own: Bytes16,
    began: Instant,
}

impl Device {
    /// # Errors
    /// Where the system gives no random bytes: without them there are no keys and no ids.
    pub(crate) fn new() -> Result<Self, KitError> {
        let mut own = [0; 16];
        getrandom::fill(&mut own).map_err(|e| KitError::Given(format!("this device gives no random bytes ({e})")))?;
        let of_system = boot_id().filter(|_| since_boot_ms().is_some());
        Ok(Self { of_system, own: Bytes16(own), began: Instant::now() })
    }
}

impl Surroundings for Device {
    fn now(&mut self) -> ClockReading {
        let wall_ms = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| i64::try_from(since.as_millis()).unwrap_or(i64::MAX));
        match (self.of_system, since_boot_ms()) {
            (Some(boot), Some(steady_ms)) => ClockReading { wall_ms, steady_ms, boot },
            (None, Some(steady_ms)) => ClockReading { wall_ms, steady_ms, boot: self.own },
            (_, None) => {
                let steady_ms = i64::try_from(self.began.elapsed().as_millis()).unwrap_or(i64::MAX);
                ClockReading { wall_ms, steady_ms, boot: self.own }
            }
        }
    }

    /// The source was proved when the device was made; one that fails later must not give weak keys, so it ends the program.
    fn fill(&mut self, buffer: &mut [u8]) {
        if getrandom::fill(buffer).is_err() {
            std::process::abort();
        }
    }
}

/// Milliseconds since boot, sleep included: a phone sleeps most of the day, and that must not look like a stepped clock.
#[cfg(any(target_os = "linux", target_os = "android"))]
fn since_boot_ms() -> Option<i64> {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::Boottime);
    time.tv_sec.checked_mul(1000)?.checked_add(time.tv_nsec / 1_000_000)
}

/// As on Linux: Darwin's monotonic clock goes on in sleep (clock_gettime(3)).
#[cfg(target_vendor = "apple")]
fn since_boot_ms() -> Option<i64> {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::Monotonic);
    time.tv_sec.checked_mul(1000)?.checked_add(time.tv_nsec / 1_000_000)
}

#[cfg(not(any(target_os = "linux", target_os = "android", target_vendor = "apple")))]
fn since_boot_ms() -> Option<i64> {
    None
}

/// The id of this boot, where the system tells one. Android hides it from programs since its version 10 or so (value from
/// memory), and Darwin has none: an opening of the book then counts as a boot of its own.
fn boot_id() -> Option<Bytes16> {
    let text = fs::read_to_string("/proc/sys/kernel/random/boot_id").ok()?;
    text.trim().parse::<uuid::Uuid>().ok().map(|id| Bytes16(id.into_bytes()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_clocks_go_on_and_the_boot_stays() {
        let mut device = Device::new().unwrap();
        let first = device.now();
        assert!(first.wall_ms > 1_700_000_000_000, "{first:?}");
        std::thread::sleep(std::time::Duration::from_millis(5));
        let second = device.now();
        assert!(second.steady_ms >= first.steady_ms + 4, "{first:?} {second:?}");
        assert_eq!(second.boot, first.boot);
    }

    #[test]
    fn random_bytes_differ() {
        let mut device = Device::new().unwrap();
        let (mut one, mut other) = ([0; 32], [0; 32]);
        device.fill(&mut one);
        device.fill(&mut other);
        assert_ne!(one, other);
    }
}
