//! How often something may happen, for each key apart: the one limiter behind devices, addresses, names and browsers.
//!
//! It is the generic cell rate algorithm (ITU-T I.371): of each key one time is kept, by which everything it did would have been
//! done at its rate. No key is refused for what another one did. Keys that are level again are forgotten; where too many are
//! not, the one nearest to it is, which lets that one do more and no other one less.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

use sync_core::sys::clock::ClockReading;

/// So many keys are held at most: some hundred kilobytes.
pub(crate) const MOST_KEYS: usize = 4_096;

/// How much may come at once, and how fast more may follow.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Paced {
    /// At once, after a rest; at least one.
    pub(crate) burst: u32,
    /// The time from one to the next after that, in µs.
    pub(crate) each_us: i64,
}

/// The paces of keys.
#[derive(Debug)]
pub(crate) struct Keyed<K> {
    paced: Paced,
    most: usize,
    /// When each key would be level, in µs of the steady clock.
    level_us: Mutex<BTreeMap<K, i64>>,
}

impl<K: Ord + Clone> Keyed<K> {
    pub(crate) fn new(paced: Paced) -> Self {
        Self::holding(paced, MOST_KEYS)
    }

    fn holding(paced: Paced, most: usize) -> Self {
        Self { paced, most, level_us: Mutex::default() }
    }

    /// Counts one of a key's, or says how many seconds to wait.
    pub(crate) fn take(&self, key: &K, now: &ClockReading) -> Result<(), i64> {
        let now_us = now.steady_ms.saturating_mul(1000);
        let mut held = self.level_us.lock().unwrap_or_else(PoisonError::into_inner);
        let level = held.get(key).copied().unwrap_or(now_us).max(now_us);
        let ahead = i64::from(self.paced.burst.max(1) - 1).saturating_mul(self.paced.each_us);
        let wait_us = level.saturating_sub(now_us).saturating_sub(ahead);
        if wait_us > 0 {
            return Err(wait_us.saturating_sub(1).div_euclid(1_000_000).saturating_add(1));
        }
        if !held.contains_key(key) && held.len() >= self.most {
            held.retain(|_, level| *level > now_us);
            let nearest = held.iter().min_by_key(|(_, level)| **level).map(|(key, _)| key.clone());
            if let Some(nearest) = nearest.filter(|_| held.len() >= self.most) {
                held.remove(&nearest);
            }
        }
        held.insert(key.clone(), level.saturating_add(self.paced.each_us));
        Ok(())
    }

    /// Forgets one that was counted: it was right, and only wrong ones count.
    pub(crate) fn give_back(&self, key: &K) {
        let mut held = self.level_us.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(level) = held.get_mut(key) {
            *level = level.saturating_sub(self.paced.each_us);
        }
    }

    /// Forgets all of a key's.
    pub(crate) fn forget(&self, key: &K) {
        self.level_us.lock().unwrap_or_else(PoisonError::into_inner).remove(key);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const PACED: Paced = Paced { burst: 3, each_us: 500_000 };

    /// One key alone, as slow and plain as can be: of its past takes so many at most in any stretch of time.
    fn alone(times: &[i64], paced: Paced) -> Vec<bool> {
        let limiter = Keyed::holding(paced, 1);
        times.iter().map(|at| limiter.take(&0_u8, &ClockReading::at(*at)).is_ok()).collect()
    }

    #[test]
    fn what_is_given_back_or_forgotten_never_counted() {
        let limiter = Keyed::new(PACED);
        for _ in 0..100 {
            limiter.take(&1, &ClockReading::at(0)).unwrap();
            limiter.give_back(&1);
        }
        for _ in 0..3 {
            limiter.take(&1, &ClockReading::at(0)).unwrap();
        }
        assert_eq!(limiter.take(&1, &ClockReading::at(0)), Err(1));
        limiter.forget(&1);
        limiter.take(&1, &ClockReading::at(0)).unwrap();
        limiter.give_back(&2);
    }

    proptest! {
        /// What others do never refuses a key what it would be granted alone, and never makes the limiter hold more than it may.
        #[test]
        fn no_key_is_refused_for_anothers_tries(
            tries in proptest::collection::vec((0_u8..12, 0_i64..400), 0..200),
            most in 1_usize..6,
        ) {
            let limiter = Keyed::holding(PACED, most);
            let (mut now, mut of_key) = (0, vec![(Vec::new(), Vec::new()); 12]);
            for (key, later) in tries {
                now += later;
                let granted = limiter.take(&key, &ClockReading::at(now)).is_ok();
                let (times, grants) = &mut of_key[usize::from(key)];
                times.push(now);
                grants.push(granted);
                prop_assert!(limiter.level_us.lock().unwrap().len() <= most);
            }
            for (times, grants) in of_key {
                let by_itself = alone(&times, PACED);
                // Granted beyond what it would be alone moves what follows; up to there, nothing less is granted.
                let more = grants.iter().zip(&by_itself).position(|(here, alone)| here != alone);
                prop_assert!(more.is_none_or(|n| grants[n]), "{grants:?} {by_itself:?}");
            }
        }

        /// Where all have room, each is paced exactly as if it were alone.
        #[test]
        fn with_room_for_all_each_is_paced_as_if_alone(tries in proptest::collection::vec((0_u8..6, 0_i64..400), 0..200)) {
            let limiter = Keyed::holding(PACED, 6);
            let (mut now, mut of_key) = (0, vec![(Vec::new(), Vec::new()); 6]);
            for (key, later) in tries {
                now += later;
                let (times, grants) = &mut of_key[usize::from(key)];
                times.push(now);
                grants.push(limiter.take(&key, &ClockReading::at(now)).is_ok());
            }
            for (times, grants) in of_key {
                prop_assert_eq!(alone(&times, PACED), grants);
            }
        }

        /// The wait that is named is long enough, and no more than a second too long.
        #[test]
        fn the_wait_named_is_long_enough(burst in 1_u32..5, each_us in 1_i64..5_000_000, at in 0_i64..10_000) {
            let limiter = Keyed::new(Paced { burst, each_us });
            while limiter.take(&(), &ClockReading::at(at)).is_ok() {}
            let wait_s = limiter.take(&(), &ClockReading::at(at)).unwrap_err();
            prop_assert!(wait_s * 1_000_000 < each_us + 1_000_000);
            prop_assert!(limiter.take(&(), &ClockReading::at(at + wait_s * 1000)).is_ok());
        }
    }
}
