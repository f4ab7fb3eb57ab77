//! One interval out of many: the weighted median of quantities that are each known only to lie in an interval.
//!
//! Where quantity i lies anywhere in `[low_i, high_i]`, the weighted median of all of them lies between the weighted
//! median of the lows and that of the highs, and can be either: a median never falls when one of its values rises.
//! So that interval honours every bracket, needs no assumption on where in it the clearance was, and up to half of
//! the weight may be wrong altogether.
//!
//! The likely value is the weighted mean of the middles, each held to that interval first. Leaves round to whole thou, and a
//! median of rounded changes is one of the roundings: of changes of 0.4 thou it says none or one. Their mean is 0.4, since the
//! roundings fall either way; and held to the interval, a slip weighs no more than its end.
//!
//! The interval says nothing of scatter: three exact readings of 1, 5 and 9 would give 5 to 5. So each interval is also asked
//! how near to the middle it can come (`clamp`), and the interval is widened to the spread of these nearest values.
//! A wide interval holds the middle and widens nothing, however far it reaches; one that excludes it does. From nine
//! on, the spread leaves out as many at either end as the sign test allows at 95 % (`2 P(B(n, ½) <= k) <= 0.05`),
//! which is the distribution-free interval of a median; with fewer it is the whole spread.
//!
//! Weighed against it: the **intersection** of all intervals is much narrower but supposes one unchanging quantity and
//! no misread leaf, and one slip makes it empty or, worse, hair-thin and wrong. The **hull** is ruined by one wide
//! interval. Derived here; no source.

use statrs::distribution::{Binomial, DiscreteCDF};

use super::TAIL;
use crate::bracket::Bracket;
use crate::length::Length;

/// A quantity known to lie in an interval; an end may be infinite. `low <= high`.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Known {
    /// The low end.
    pub(crate) low: f64,
    /// The high end.
    pub(crate) high: f64,
    /// How much it counts, above zero.
    pub(crate) weight: i64,
}

/// What many intervals say together.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Combined {
    /// The weighted mean of the middles of those with two ends, each held to the interval of the median; `None` without any.
    pub(crate) likely: Option<f64>,
    /// The low end, or `None` where it is open.
    pub(crate) low: Option<f64>,
    /// The high end, or `None` where it is open.
    pub(crate) high: Option<f64>,
    /// Some value lies in every interval.
    pub(crate) agree: bool,
}

impl Known {
    /// The change from one bracket to another, in tenths of a µm, with weight one: as little and as much as it can be.
    pub(crate) fn change(before: &Bracket, after: &Bracket) -> Self {
        let less = |to: Option<Length>, from: Option<Length>| to.zip(from).map(|(to, from)| to.tenth_um() as f64 - from.tenth_um() as f64);
        Self {
            low: less(after.go(), before.no_go()).unwrap_or(f64::NEG_INFINITY),
            high: less(after.no_go(), before.go()).unwrap_or(f64::INFINITY),
            weight: 1,
        }
    }

    /// Whether it says anything.
    pub(crate) fn tells(&self) -> bool {
        self.low.is_finite() || self.high.is_finite()
    }

    fn middle(&self) -> Option<f64> {
        (self.low.is_finite() && self.high.is_finite()).then(|| f64::midpoint(self.low, self.high))
    }
}

/// The interval of the weighted median; `None` where none of them says anything.
pub(crate) fn combine(all: &[Known]) -> Option<Combined> {
    let told: Vec<&Known> = all.iter().filter(|known| known.tells()).collect();
    let weighted = |value: fn(&Known) -> f64| median(told.iter().map(|known| (value(known), known.weight)).collect());
    let mut low = weighted(|known| known.low)?;
    let mut high = weighted(|known| known.high)?;
    // Open ends can put the median of the middles outside: they count above and not in it. max, then min: unlike
    // `clamp` it cannot panic.
    let middle = median(told.iter().filter_map(|known| known.middle().map(|middle| (middle, known.weight))).collect());
    let middle = middle.map(|middle| middle.max(low).min(high));
    let held = |value: f64| value.max(low).min(high);
    let likely = mean(told.iter().filter_map(|known| known.middle().map(|middle| (held(middle), known.weight))));
    // Rounding alone can carry a mean past what all its values are held to.
    let likely = likely.map(held);
    if let Some(middle) = middle {
        let mut nearest: Vec<f64> = told.iter().map(|known| middle.max(known.low).min(known.high)).collect();
        nearest.sort_by(f64::total_cmp);
        let spare = left_out(nearest.len());
        if let (Some(least), Some(most)) = (nearest.get(spare), nearest.iter().rev().nth(spare)) {
            low = low.min(*least);
            high = high.max(*most);
        }
    }
    let greatest_low = told.iter().map(|known| known.low).fold(f64::NEG_INFINITY, f64::max);
    let least_high = told.iter().map(|known| known.high).fold(f64::INFINITY, f64::min);
    let finite = |value: f64| value.is_finite().then_some(value);
    Some(Combined { likely, low: finite(low), high: finite(high), agree: greatest_low <= least_high })
}

/// The weighted median: the mean of the least and the greatest value that has half of the weight on either side.
fn median(mut values: Vec<(f64, i64)>) -> Option<f64> {
    values.sort_by(|a, b| a.0.total_cmp(&b.0));
    // i128: weights are hours of any size, and the halves are compared exactly.
    let total: i128 = values.iter().map(|(_, weight)| i128::from(*weight)).sum();
    let mut so_far = 0_i128;
    let mut lower = None;
    for (value, weight) in values {
        so_far += i128::from(weight);
        if lower.is_none() && 2 * so_far >= total {
            lower = Some(value);
        }
        if 2 * so_far > total {
            return lower.map(|lower| f64::midpoint(lower, value));
        }
    }
    lower
}

/// The weighted mean; `None` of nothing.
fn mean(values: impl Iterator<Item = (f64, i64)>) -> Option<f64> {
    let (mut sum, mut total) = (0.0, 0.0);
    for (value, weight) in values {
        sum += value * weight as f64;
        total += weight as f64;
    }
    (total > 0.0).then(|| sum / total)
}

/// How many values the interval of a median leaves out at either end at 95 %: the most k with
/// `P(B(n, ½) <= k) <= 0.025`; zero where there is none, and so up to eight values.
fn left_out(values: usize) -> usize {
    let count = u64::try_from(values).unwrap_or(u64::MAX);
    // The tail grows with k, up to 1 where k is all of them, so the most k is found by halving.
    let (mut allowed, mut beyond) = (0, count);
    while beyond - allowed > 1 {
        let tried = u64::midpoint(allowed, beyond);
        if at_most(tried, count) <= TAIL / 2.0 { allowed = tried } else { beyond = tried }
    }
    usize::try_from(allowed).unwrap_or_default()
}

/// `P(B(n, ½) <= k)`: the chance of at most k heads in n throws. Up to 1000 throws the sum itself, exact until the
/// counts pass 2⁵³; beyond, where it would underflow, by the incomplete beta function.
pub(crate) fn at_most(heads: u64, throws: u64) -> f64 {
    if heads >= throws {
        return 1.0;
    }
    if throws > 1000 {
        return Binomial::new(0.5, throws).map_or(1.0, |throws| throws.cdf(heads));
    }
    let (mut ways, mut sum) = (1.0, 1.0);
    for head in 1..=heads {
        ways = ways * (throws + 1 - head) as f64 / head as f64;
        sum += ways;
    }
    // 2⁻ⁿ is exact, and above the least number down to 2⁻¹⁰⁷⁴.
    sum * f64::exp2(-(throws as f64))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Table of the sign test's interval for a median, counted out: 6 to 8 leave out none, 9 to 11 one, 12 two.
    #[test]
    fn the_ranks_of_a_median() {
        for (values, spare) in
            [(0, 0), (1, 0), (5, 0), (6, 0), (8, 0), (9, 1), (11, 1), (12, 2), (15, 3), (20, 5), (25, 7), (100, 39), (1000, 468)]
        {
            assert_eq!(left_out(values), spare, "{values}");
        }
        // (1 + 9 + 36) / 2⁹.
        assert_eq!(at_most(2, 9), 46.0 / 512.0);
        // Both ways of counting meet.
        for heads in [400, 480, 500] {
            let by_beta = Binomial::new(0.5, 1000).unwrap().cdf(heads);
            assert!((at_most(heads, 1000) / by_beta - 1.0).abs() < 1e-9, "{heads}");
        }
        assert!((at_most(5000, 10_000) - 0.5).abs() < 0.005);
    }

    #[test]
    fn weights_count() {
        assert_eq!(median(vec![(1.0, 1), (2.0, 1), (9.0, 1)]), Some(2.0));
        assert_eq!(median(vec![(1.0, 1), (2.0, 1)]), Some(1.5));
        assert_eq!(median(vec![(9.0, 5), (1.0, 1), (2.0, 1)]), Some(9.0));
        assert_eq!(median(vec![(f64::NEG_INFINITY, i64::MAX), (2.0, i64::MAX)]), Some(f64::NEG_INFINITY));
        assert_eq!(median(vec![]), None);
    }
}
