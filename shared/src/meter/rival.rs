//! Whether what a chain leaves out weighs nearly as much as what it contradicts: then the chain is not silently right.

use std::collections::BTreeSet;

use super::{Chain, Feasible, MeterPoint, chain, idle_ms, slack_ms, uncertainty_ms};

/// Readings that contradict the last of a chain, and the chain's that they contradict, of which neither clearly outweighs the other.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rival {
    /// The heaviest set of them that can all be true, by where they were among the readings given, in rising order.
    pub readings: Vec<usize>,
    /// What they weigh together.
    pub weight: u64,
    /// What the chain's readings that contradict any of them weigh together.
    pub against: u64,
}

/// What rivals a chain; `None` where nothing off it contradicts its last reading, or where the chain's readings weigh more than twice as
/// much as those that do. `chain` is what [`chain()`] made of `points`. Of those, `corrected` has the places of readings whose person has read the
/// meter again since: they rival nothing. O(n log n).
///
/// The factor of two is this project's own choice, no source.
#[must_use]
pub fn rival(points: &[MeterPoint], of: &Chain, corrected: &BTreeSet<usize>) -> Option<Rival> {
    let on_engine: Vec<MeterPoint> =
        points.iter().zip(&of.engine_hours).map(|(point, hours)| MeterPoint { meter: *hours, ..*point }).collect();
    let on_chain = |n: &usize| of.feasible.get(*n).copied().unwrap_or(false);
    let last = *(0..on_engine.len()).filter(on_chain).map(|n| &on_engine[n]).max_by_key(|point| (point.at_ms, point.meter))?;
    let off: Vec<usize> = (0..on_engine.len()).filter(|n| !on_chain(n) && !corrected.contains(n) && !fits(&on_engine[*n], &last)).collect();
    let contradicting: Vec<MeterPoint> = off.iter().map(|n| on_engine[*n]).collect();
    let rivals = chain(&contradicting, &[]);
    let readings: Vec<usize> = off.iter().zip(&rivals.feasible).filter(|(_, kept)| **kept).map(|(n, _)| *n).collect();
    let beside = Feasible::over(&rivals.kept(&contradicting));
    let contradicted = |point: &MeterPoint| {
        let off_ms = point.uncertainty_ms.max(0);
        let (low, _) = beside.at(point.at_ms.saturating_sub(off_ms));
        let (_, high) = beside.at(point.at_ms.saturating_add(off_ms));
        point.meter < low || high < point.meter
    };
    let weight_of = |n: usize| u64::from(on_engine[n].weight.max(1));
    let weight: u64 = readings.iter().map(|n| weight_of(*n)).sum();
    let against: u64 = (0..on_engine.len()).filter(on_chain).filter(|n| contradicted(&on_engine[*n])).map(weight_of).sum();
    (weight > 0 && against <= weight.saturating_mul(2)).then_some(Rival { readings, weight, against })
}

/// Whether two readings on the engine's scale can both be true.
fn fits(a: &MeterPoint, b: &MeterPoint) -> bool {
    let (less, more) = if (a.meter, a.at_ms) <= (b.meter, b.at_ms) { (a, b) } else { (b, a) };
    idle_ms(less) - uncertainty_ms(less) <= idle_ms(more) + slack_ms(more)
}
