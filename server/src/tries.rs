//! Wrong one-time codes, counted across the server: ten in a minute, then everyone waits.
//!
//! Whoever sends wrong codes on purpose can so keep others from enrolling. That is the lesser evil: enrolling is rare
//! and can wait a minute, while a guessed code would let a stranger in.

use std::sync::{Mutex, PoisonError};

use sync_core::moment::Moment;

/// Wrong codes allowed within [`WINDOW_MS`].
const MOST_WRONG: usize = 10;
/// The time they are counted over.
const WINDOW_MS: i64 = 60_000;

/// Tries that turned out wrong or have not turned out yet.
#[derive(Debug, Default)]
pub(crate) struct Tries {
    counted: Mutex<Counted>,
}

#[derive(Debug, Default)]
struct Counted {
    next: u64,
    tries: Vec<(u64, i64)>,
}

/// One try. Counts as wrong until it is forgiven, so that many at once cannot slip through.
#[derive(Debug)]
#[must_use = "a try that is not forgiven counts as wrong"]
pub(crate) struct Try(u64);

impl Tries {
    /// Begins a try, or says how many seconds to wait.
    pub(crate) fn begin(&self, now: &Moment) -> Result<Try, i64> {
        let mut counted = self.counted.lock().unwrap_or_else(PoisonError::into_inner);
        counted.tries.retain(|(_, at)| (0..WINDOW_MS).contains(&now.steady_ms.saturating_sub(*at)));
        if let Some((_, first)) = counted.tries.first()
            && counted.tries.len() >= MOST_WRONG
        {
            let wait_ms = first.saturating_add(WINDOW_MS).saturating_sub(now.steady_ms);
            return Err(wait_ms.div_euclid(1000).saturating_add(1));
        }
        let id = counted.next;
        counted.next = counted.next.wrapping_add(1);
        counted.tries.push((id, now.steady_ms));
        Ok(Try(id))
    }

    /// Forgets a try whose code was right.
    pub(crate) fn forgive(&self, right: &Try) {
        self.counted.lock().unwrap_or_else(PoisonError::into_inner).tries.retain(|(id, _)| *id != right.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ten_wrong_ones_in_a_minute_then_a_wait_and_right_ones_never_count() {
        let tries = Tries::default();
        for _ in 0..100 {
            let right = tries.begin(&Moment::at(0)).unwrap();
            tries.forgive(&right);
        }
        for second in 0..10 {
            let _wrong = tries.begin(&Moment::at(second * 1000)).unwrap();
        }
        assert_eq!(tries.begin(&Moment::at(9_500)).unwrap_err(), 51);
        assert_eq!(tries.begin(&Moment::at(59_999)).unwrap_err(), 1);
        // The first has left the window: one more is allowed, and no second.
        let _wrong = tries.begin(&Moment::at(60_000)).unwrap();
        assert!(tries.begin(&Moment::at(60_001)).is_err());
    }
}
