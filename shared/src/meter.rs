//! The meter chain: which hour readings can all be true of one engine, and what a reading that cannot was meant to be.
//!
//! Two readings fit together where hours do not fall and do not rise faster than the clock, give or take what the
//! meter shows (a tenth of an hour) and what both clocks may be off: with the reading of fewer hours first,
//! `Δh <= Δt + 0.1 h + both uncertainties`. The chain is the heaviest set of readings **of which every two fit**. That
//! every two must, and not only neighbours, is what keeps the allowances from adding up along the chain: one reading
//! by a clock that knows nothing cannot bridge two readings that contradict each other.
//!
//! Ordered by hours, then time, and with `v = t − h` (the time the engine did not run), readings i before j fit where
//! `v_i − e_i <= v_j + e_j + 0.1 h`: "not after" on `u = h` comes from the order, "not after" on `v` is the test. Call
//! the sides `reach_from` and `reach_to`. A reading fits every earlier member of a chain where the greatest
//! `reach_from` so far is at most its `reach_to`, so the greatest `reach_from` is all that need be remembered of a
//! chain. A segment tree over it gives the heaviest chain in O(n log n).
//!
//! No source; the model follows from what a meter and a clock can do.

use std::cmp::Ordering;

use serde::{Deserialize, Serialize};

use crate::hours::{Hours, MS_PER_TENTH_HOUR};

mod best;
mod interval;
mod rival;
mod slip;

pub use interval::Feasible;
pub use rival::{Rival, rival};
pub use slip::{Slip, likely_replaced, likely_slip};

use best::{Best, Worth};

/// One hour-meter reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MeterPoint {
    /// When it was read, in ms since 1970 UTC.
    pub at_ms: i64,
    /// What the meter showed, in tenths of an hour.
    #[serde(rename = "meter_tenth_h")]
    pub meter: Hours,
    /// How much the reading counts against others that contradict it. Zero counts as one.
    pub weight: u32,
    /// How far the clock may be off either way, in ms. Below zero counts as zero.
    pub uncertainty_ms: i64,
}

/// A meter replaced by another.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MeterSwap {
    /// When, in ms since 1970 UTC. A reading of this very moment is still the old meter's.
    pub at_ms: i64,
    /// What the old meter showed last.
    #[serde(rename = "old_tenth_h")]
    pub old: Hours,
    /// What the new meter showed first.
    #[serde(rename = "new_tenth_h")]
    pub new: Hours,
}

/// Readings sorted into those that can all be true and the rest; both lists in the order of the readings given.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Chain {
    /// Each reading on the first meter's scale: total engine hours, with meter changes undone.
    #[serde(rename = "engine_tenth_h")]
    pub engine_hours: Vec<Hours>,
    /// Whether the reading belongs to the chain; the others are implausible.
    pub feasible: Vec<bool>,
}

impl Chain {
    /// The readings of the chain on the engine's scale, earliest first; `points` as they were given to [`chain`].
    #[must_use]
    pub fn kept(&self, points: &[MeterPoint]) -> Vec<MeterPoint> {
        let on_engine = points.iter().zip(&self.engine_hours).map(|(point, hours)| MeterPoint { meter: *hours, ..*point });
        let mut kept: Vec<MeterPoint> = on_engine.zip(&self.feasible).filter(|(_, feasible)| **feasible).map(|(point, _)| point).collect();
        kept.sort_by_key(|point| (point.at_ms, point.meter));
        kept
    }
}

/// What to add to a meter reading of a time to get engine hours on the first meter's scale: for every swap before
/// it, what the old meter showed less what the new one showed. A swap stated twice in the same words counts once.
#[must_use]
pub fn meter_offset(swaps: &[MeterSwap], at_ms: i64) -> Hours {
    Offsets::of(swaps).at(at_ms)
}

/// What all meter changes up to each of them add, in the order of time.
struct Offsets(Vec<(i64, Hours)>);

impl Offsets {
    fn of(swaps: &[MeterSwap]) -> Self {
        let mut swaps: Vec<&MeterSwap> = swaps.iter().collect();
        swaps.sort();
        swaps.dedup();
        let add = |offset: &mut Hours, swap: &MeterSwap| {
            *offset = offset.plus(swap.old).minus(swap.new);
            Some((swap.at_ms, *offset))
        };
        Self(swaps.into_iter().scan(Hours::default(), add).collect())
    }

    fn at(&self, at_ms: i64) -> Hours {
        let before = self.0.partition_point(|(swapped_ms, _)| *swapped_ms < at_ms);
        before.checked_sub(1).and_then(|last| self.0.get(last)).map_or_else(Hours::default, |(_, offset)| *offset)
    }
}

/// The heaviest set of readings of which every two fit together, as the head of this module says.
///
/// Among equally heavy sets the one that keeps earlier readings: the one whose readings lie, added up, the longest
/// before the latest of all. The answer is the same for every order in which the readings are given, and two equal
/// readings are both kept or both not. Empty lists for no readings. O(n log n) in the readings.
#[must_use]
pub fn chain(points: &[MeterPoint], swaps: &[MeterSwap]) -> Chain {
    let offsets = Offsets::of(swaps);
    let engine_hours: Vec<Hours> = points.iter().map(|point| point.meter.plus(offsets.at(point.at_ms))).collect();
    let latest_ms = points.iter().map(|point| point.at_ms).max().unwrap_or_default();
    let mut order: Vec<Reading> = points
        .iter()
        .zip(&engine_hours)
        .enumerate()
        .map(|(given, (point, hours))| Reading { given, point: MeterPoint { meter: *hours, ..*point } })
        .collect();
    order.sort_by(Reading::canonical);

    let mut edges: Vec<i128> = order.iter().map(Reading::reach_from).collect();
    edges.sort_unstable();
    edges.dedup();
    let below = |limit: i128, included: bool| edges.partition_point(|edge| if included { *edge <= limit } else { *edge < limit });

    // One chain per greatest `reach_from`. `steps` remembers each time such a chain was begun anew and from which;
    // the readings that joined it since without changing its greatest `reach_from` are found again on the way back.
    let mut best = Best::new(edges.len());
    let mut steps: Vec<Step> = Vec::with_capacity(order.len());
    let mut newest: Vec<Option<usize>> = vec![None; edges.len()];
    for (at, reading) in order.iter().enumerate() {
        let own = below(reading.reach_from(), false);
        let fits = below(reading.reach_to(), true);
        let worth = reading.worth(latest_ms);
        let (from, before) = best.greatest(own + 1).map_or((None, Worth::default()), |(edge, worth)| (newest[edge], worth));
        // Adds to its own place as well, which is set anew right after.
        best.add(own, fits, worth);
        best.set(own, before.plus(worth));
        newest[own] = Some(steps.len());
        steps.push(Step { at, own, from });
    }

    let mut feasible = vec![false; points.len()];
    let mut until = order.len();
    let mut next = best.greatest(edges.len()).and_then(|(edge, _)| newest[edge]);
    while let Some(step) = next.and_then(|step| steps.get(step)) {
        let edge = edges[step.own];
        // No other reading of the stretch has this very `reach_from`: it would have begun a newer step of the same edge.
        for reading in order.iter().take(until).skip(step.at) {
            feasible[reading.given] = (reading.reach_from()..=reading.reach_to()).contains(&edge);
        }
        until = step.at;
        next = step.from;
    }
    Chain { engine_hours, feasible }
}

/// The engine hours that would fit every reading of a chain at a time: least and most.
///
/// `kept` holds engine hours, as [`Chain::kept`] gives them, in any order; the clock of the time asked about is taken
/// as right. From zero to [`Hours::MOST`] where there are none.
#[must_use]
pub fn feasible_interval(kept: &[MeterPoint], at_ms: i64) -> (Hours, Hours) {
    Feasible::over(kept).at(at_ms)
}

/// A reading on the engine's scale and its place among those given.
struct Reading {
    given: usize,
    point: MeterPoint,
}

/// A chain begun anew: at which reading of the order, with which greatest `reach_from`, continuing which step.
struct Step {
    at: usize,
    own: usize,
    from: Option<usize>,
}

impl Reading {
    /// By hours, then time; the rest only so that the order given decides nothing but which of two equals is which.
    fn canonical(&self, other: &Self) -> Ordering {
        let key = |r: &Self| (r.point.meter, r.point.at_ms, r.point.uncertainty_ms, r.point.weight, r.given);
        key(self).cmp(&key(other))
    }

    fn reach_from(&self) -> i128 {
        idle_ms(&self.point) - uncertainty_ms(&self.point)
    }

    fn reach_to(&self) -> i128 {
        idle_ms(&self.point) + slack_ms(&self.point)
    }

    fn worth(&self, latest_ms: i64) -> Worth {
        Worth { weight: u64::from(self.point.weight.max(1)), early_ms: i128::from(latest_ms) - i128::from(self.point.at_ms) }
    }
}

/// The time that the engine did not run, up to a constant.
fn idle_ms(point: &MeterPoint) -> i128 {
    i128::from(point.at_ms) - i128::from(point.meter.tenths()) * i128::from(MS_PER_TENTH_HOUR)
}

fn uncertainty_ms(point: &MeterPoint) -> i128 {
    i128::from(point.uncertainty_ms.max(0))
}

/// What one reading allows beyond the clock: its own uncertainty and the tenth that a meter does not show.
fn slack_ms(point: &MeterPoint) -> i128 {
    uncertainty_ms(point) + i128::from(MS_PER_TENTH_HOUR)
}

#[cfg(test)]
mod tests;
