//! The clocks: a stopwatch over a step, what the process used meanwhile, and a clock that shows the workload's day.

use std::fs;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Instant;

use server::{Clock, SystemClock};
use sync_core::sys::clock::ClockReading;

/// Time and processor time since a start.
#[derive(Debug, Clone)]
pub struct Stopwatch {
    since: Instant,
    cpu_s: f64,
}

impl Stopwatch {
    /// Starts.
    #[must_use]
    pub fn start() -> Self {
        Self { cpu_s: cpu_s(), since: Instant::now() }
    }

    /// Wall time since the start, in ms.
    #[must_use]
    pub fn wall_ms(&self) -> f64 {
        self.since.elapsed().as_secs_f64() * 1000.0
    }

    /// Processor time of this process since the start, user and system, all threads, in seconds.
    #[must_use]
    pub fn cpu_s(&self) -> f64 {
        cpu_s() - self.cpu_s
    }
}

/// Processor time of this process and of its threads that have ended, in seconds, to the system's tick of 10 ms; 0 where
/// the system does not tell.
fn cpu_s() -> f64 {
    let Ok(stat) = fs::read_to_string("/proc/self/stat") else { return 0.0 };
    // The name before the last bracket may hold anything.
    let Some((_, rest)) = stat.rsplit_once(')') else { return 0.0 };
    let ticks = rest.split_whitespace().skip(11).take(2).filter_map(|field| field.parse::<f64>().ok());
    ticks.sum::<f64>() / 100.0
}

/// Memory of this process that is resident, in bytes; 0 where the system does not tell.
pub(super) fn rss() -> u64 {
    let Ok(status) = fs::read_to_string("/proc/self/status") else { return 0 };
    let kib = status.lines().find_map(|line| line.strip_prefix("VmRSS:")?.trim().strip_suffix("kB")?.trim().parse::<u64>().ok());
    kib.unwrap_or(0) * 1024
}

/// This computer's clock, set to the workload's day.
#[derive(Debug)]
pub struct ShiftedClock {
    system: SystemClock,
    shift_ms: AtomicI64,
}

impl ShiftedClock {
    /// The computer's clock, so many ms ahead.
    ///
    /// # Errors
    /// A sentence where the system gives no random bytes.
    pub fn new(shift_ms: i64) -> Result<Self, String> {
        Ok(Self { system: SystemClock::new().map_err(super::words)?, shift_ms: AtomicI64::new(shift_ms) })
    }

    /// The computer's clock, showing a time now, in ms since 1970 UTC.
    ///
    /// # Errors
    /// As [`ShiftedClock::new`].
    pub fn showing(wall_ms: i64) -> Result<Self, String> {
        let clock = Self::new(0)?;
        clock.shift(wall_ms.saturating_sub(clock.system.now().wall_ms));
        Ok(clock)
    }

    /// Sets how many ms it is ahead.
    pub fn shift(&self, shift_ms: i64) {
        self.shift_ms.store(shift_ms, Ordering::Relaxed);
    }

    /// What a device's clocks show. Its steady clock runs with the wall clock, from one process to the next: a phone is not
    /// restarted between its morning's exchange and its evening's.
    #[must_use]
    pub fn on_a_phone(&self) -> ClockReading {
        ClockReading::at(self.now().wall_ms)
    }
}

impl Clock for ShiftedClock {
    fn now(&self) -> ClockReading {
        let now = self.system.now();
        ClockReading { wall_ms: now.wall_ms.saturating_add(self.shift_ms.load(Ordering::Relaxed)), ..now }
    }
}
