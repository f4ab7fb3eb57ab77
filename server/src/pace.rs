//! How many requests come how fast: a bucket of tokens for each device, and one for all who have shown no token.
//!
//! The one of the strangers is for all of them together: behind a proxy, or behind a shop's own router, an address says
//! nothing. Whoever floods it keeps others from logging in for as long, but not from exchanging with a token they hold.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

use shared::ids::DeviceId;
use sync_core::moment::Moment;

/// How much may come at once, and how fast more may follow.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rate {
    /// Requests at once, after a rest.
    pub burst: u32,
    /// Requests per second after that.
    pub per_s: u32,
}

/// What is left, in thousandths of a request, as of a time of the steady clock.
#[derive(Debug)]
struct Bucket {
    left_milli: i64,
    at_ms: i64,
}

const ONE_MILLI: i64 = 1000;

impl Bucket {
    fn full(rate: Rate, now_ms: i64) -> Self {
        Self { left_milli: i64::from(rate.burst) * ONE_MILLI, at_ms: now_ms }
    }

    /// Takes one request out, or says how many seconds to wait.
    fn take(&mut self, rate: Rate, now_ms: i64) -> Result<(), i64> {
        let per_s = i64::from(rate.per_s.max(1));
        let passed_ms = now_ms.saturating_sub(self.at_ms).max(0);
        let most = i64::from(rate.burst) * ONE_MILLI;
        self.left_milli = self.left_milli.saturating_add(passed_ms.saturating_mul(per_s)).min(most);
        self.at_ms = now_ms;
        if self.left_milli >= ONE_MILLI {
            self.left_milli -= ONE_MILLI;
            return Ok(());
        }
        let lacking_ms = (ONE_MILLI - self.left_milli).div_euclid(per_s).saturating_add(1);
        Err(lacking_ms.div_euclid(1000).saturating_add(1))
    }
}

/// The pace of all who ask.
#[derive(Debug)]
pub(crate) struct Pace {
    device: Rate,
    strangers: Rate,
    buckets: Mutex<Buckets>,
}

#[derive(Debug, Default)]
struct Buckets {
    // Only enrolled devices get one, so that nobody can fill the memory with them.
    devices: BTreeMap<DeviceId, Bucket>,
    strangers: Option<Bucket>,
}

impl Pace {
    pub(crate) fn new(device: Rate, strangers: Rate) -> Self {
        Self { device, strangers, buckets: Mutex::default() }
    }

    /// Counts a request of a device that showed its token, or says how many seconds to wait.
    pub(crate) fn device(&self, device: DeviceId, now: &Moment) -> Result<(), i64> {
        let mut buckets = self.buckets.lock().unwrap_or_else(PoisonError::into_inner);
        let bucket = buckets.devices.entry(device).or_insert_with(|| Bucket::full(self.device, now.steady_ms));
        bucket.take(self.device, now.steady_ms)
    }

    /// Counts a request of whoever showed no token, or says how many seconds to wait.
    pub(crate) fn stranger(&self, now: &Moment) -> Result<(), i64> {
        let mut buckets = self.buckets.lock().unwrap_or_else(PoisonError::into_inner);
        let bucket = buckets.strangers.get_or_insert_with(|| Bucket::full(self.strangers, now.steady_ms));
        bucket.take(self.strangers, now.steady_ms)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: Rate = Rate { burst: 3, per_s: 2 };

    fn device(n: u8) -> DeviceId {
        DeviceId::from_bytes([n; 16])
    }

    #[test]
    fn a_burst_passes_then_one_comes_every_half_second() {
        let pace = Pace::new(RATE, RATE);
        for _ in 0..3 {
            pace.device(device(1), &Moment::at(10)).unwrap();
        }
        assert_eq!(pace.device(device(1), &Moment::at(10)), Err(1));
        assert_eq!(pace.device(device(1), &Moment::at(509)), Err(1));
        pace.device(device(1), &Moment::at(510)).unwrap();
        assert_eq!(pace.device(device(1), &Moment::at(510)), Err(1));
        // Rest fills it up, and not beyond.
        for _ in 0..3 {
            pace.device(device(1), &Moment::at(3_600_000)).unwrap();
        }
        assert_eq!(pace.device(device(1), &Moment::at(3_600_000)), Err(1));
    }

    #[test]
    fn one_device_does_not_slow_another_nor_the_strangers() {
        let pace = Pace::new(RATE, RATE);
        while pace.device(device(1), &Moment::at(0)).is_ok() {}
        pace.device(device(2), &Moment::at(0)).unwrap();
        pace.stranger(&Moment::at(0)).unwrap();
        while pace.stranger(&Moment::at(0)).is_ok() {}
        pace.device(device(2), &Moment::at(0)).unwrap();
    }

    #[test]
    fn a_clock_that_runs_back_gives_nothing_and_breaks_nothing() {
        let pace = Pace::new(RATE, RATE);
        while pace.stranger(&Moment::at(5_000)).is_ok() {}
        assert!(pace.stranger(&Moment::at(i64::MIN)).is_err());
        pace.stranger(&Moment::at(i64::MAX)).unwrap();
    }

    #[test]
    fn the_wait_named_is_long_enough() {
        for per_s in [0, 1, 3, 7, 1000] {
            let rate = Rate { burst: 1, per_s };
            let pace = Pace::new(rate, rate);
            pace.stranger(&Moment::at(0)).unwrap();
            let wait_s = pace.stranger(&Moment::at(0)).unwrap_err();
            assert!((1..=2).contains(&wait_s), "{per_s}: {wait_s}");
            pace.stranger(&Moment::at(wait_s * 1000)).unwrap();
        }
    }
}
