//! Which hours a reading at some time may show beside the readings on the chain: asked of one chain for many times.
//!
//! A kept reading of `h` tenths at `t` with slack `s` lets a reading at `at` show no less than `h - max(0, t + s - at) / T` and no
//! more than `h + max(0, at - (t - s)) / T`, whole tenths, `T` being the ms of a tenth. Of all that are kept the narrowest counts.
//! For those whose reach `at` has passed the limit is `h` itself; for the others it is `(at + h T - (t + s)) / T`, rounded up,
//! and rounding keeps the order, so the greatest of `h T - (t + s)` is all that counts. Sorted by `t + s` the first are a
//! beginning of the list and the others its end: the greatest of every beginning and of every end is worked out once.
//! The upper limit goes the same way.

use super::{MeterPoint, slack_ms};
use crate::hours::{Hours, MS_PER_TENTH_HOUR};

/// The readings on a chain, laid out to be asked for what fits them. Made in O(n log n), asked in O(log n).
#[derive(Debug, Clone)]
pub struct Feasible {
    low: Vec<Edge>,
    high: Vec<Edge>,
}

/// A kept reading's reach to one side.
#[derive(Debug, Clone, Copy)]
struct Edge {
    /// Up to here, or from here on, the limit is what was shown.
    reach_ms: i128,
    /// The narrowest of what was shown, in tenths, over the readings whose limit is that.
    shown: i128,
    /// The narrowest of shown hours less reach, in ms, over the readings whose limit moves with the clock.
    moving_ms: i128,
}

const TENTH_MS: i128 = MS_PER_TENTH_HOUR as i128;

impl Feasible {
    /// Over readings on the engine's scale, as [`Chain::kept`](super::Chain::kept) gives them.
    #[must_use]
    pub fn over(kept: &[MeterPoint]) -> Self {
        let edge = |point: &MeterPoint, reach_ms: i128| {
            let shown = i128::from(point.meter.tenths());
            Edge { reach_ms, shown, moving_ms: shown * TENTH_MS - reach_ms }
        };
        let mut low: Vec<Edge> = kept.iter().map(|point| edge(point, i128::from(point.at_ms) + slack_ms(point))).collect();
        let mut high: Vec<Edge> = kept.iter().map(|point| edge(point, i128::from(point.at_ms) - slack_ms(point))).collect();
        low.sort_by_key(|edge| edge.reach_ms);
        high.sort_by_key(|edge| edge.reach_ms);
        // Passed for the low limit are those that reach up to the time asked for, for the high limit those from it on.
        gather(low.iter_mut(), |edge| &mut edge.shown, i128::max);
        gather(low.iter_mut().rev(), |edge| &mut edge.moving_ms, i128::max);
        gather(high.iter_mut(), |edge| &mut edge.moving_ms, i128::min);
        gather(high.iter_mut().rev(), |edge| &mut edge.shown, i128::min);
        Self { low, high }
    }

    /// The least and the most hours that a reading at a time may show, by a clock that is not off.
    #[must_use]
    pub fn at(&self, at_ms: i64) -> (Hours, Hours) {
        let at = i128::from(at_ms);
        let (mut low, mut high) = (0, i128::from(Hours::MOST.tenths()));
        let passed = self.low.partition_point(|edge| edge.reach_ms <= at);
        if let Some(edge) = passed.checked_sub(1).and_then(|last| self.low.get(last)) {
            low = low.max(edge.shown);
        }
        if let Some(edge) = self.low.get(passed) {
            low = low.max(-(-(at + edge.moving_ms)).div_euclid(TENTH_MS));
        }
        let moving = self.high.partition_point(|edge| edge.reach_ms < at);
        if let Some(edge) = moving.checked_sub(1).and_then(|last| self.high.get(last)) {
            high = high.min((at + edge.moving_ms).div_euclid(TENTH_MS));
        }
        if let Some(edge) = self.high.get(moving) {
            high = high.min(edge.shown);
        }
        // Both fit: the low end is zero or at most a reading, the high end the most or at least a reading.
        let hours = |tenths: i128| Hours::from_tenths(i64::try_from(tenths).unwrap_or_default());
        (hours(low), hours(high))
    }
}

/// Makes every edge carry the narrowest of itself and all before it.
fn gather<'e>(edges: impl Iterator<Item = &'e mut Edge>, field: fn(&mut Edge) -> &mut i128, narrower: fn(i128, i128) -> i128) {
    let mut so_far: Option<i128> = None;
    for edge in edges {
        let own = field(edge);
        *own = so_far.map_or(*own, |so_far| narrower(so_far, *own));
        so_far = Some(*own);
    }
}
