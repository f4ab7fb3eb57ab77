//! The Theil–Sen slope: the median of the slopes of all pairs of points, with a distribution-free interval.
//!
//! Up to 29 % of the points may be wrong by any amount before the slope follows them. The interval is Sen's (1968,
//! equation 2.6): the slopes whose ranks lie `z σ / 2` either side of the middle, where σ² is the variance of
//! Kendall's S with its correction for ties in x and in y. Ranks are rounded as SciPy 1.17 `theilslopes` rounds them
//! (source text read), so that both give the same numbers.

use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal};

use super::UsageError;

/// The most points whose pairs are formed: 1 999 000 pairs. Beyond it the points are thinned.
pub const MOST_POINTS: usize = 2000;

/// A Theil–Sen line. Slopes are in units of y per unit of x, intercepts in units of y.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct TheilSen {
    /// The median of the pairs' slopes.
    pub slope: f64,
    /// The median of `y − slope · x`: of the two the one for forecasts, since an outlier does not move it.
    pub intercept_joint: f64,
    /// The median of y less slope times the median of x (Conover).
    pub intercept_separate: f64,
    /// The low end of the interval for the slope.
    pub low: f64,
    /// The high end of the interval for the slope.
    pub high: f64,
    /// How many pairs of points had different x and so a slope.
    pub pairs: usize,
}

/// The Theil–Sen slope of y on x, with a two-sided interval of the given confidence level, 0.5 to below 1.
///
/// Pairs of equal x have no slope and are left out. Over [`MOST_POINTS`] points, that many of them are used: sorted
/// by x, then y, and taken at even steps, first and last included; SciPy does not thin. The order of the points does
/// not matter. With fewer than five points no ranks can hold 95 % (`1 − 2/n!`), and what comes back is the whole
/// spread of the slopes; with two points that is one slope and says nothing of how sure it is.
///
/// Where x and y are so full of ties that Sen's variance falls below zero, SciPy answers NaN; here the interval is
/// the whole spread of the slopes.
///
/// Source: P. K. Sen 1968 by way of SciPy; compared with SciPy 1.17.1 and with the published example of the R
/// package statpsych.
///
/// # Errors
/// [`UsageError`] for lists of unequal length, fewer than two points, a number that is not finite or so large that
/// a slope is not, a level outside 0.5 to 1, or points that all have the same x.
pub fn theil_sen(x: &[f64], y: &[f64], level: f64) -> Result<TheilSen, UsageError> {
    if x.len() != y.len() {
        return Err(UsageError::UnequalLengths { x: x.len(), y: y.len() });
    }
    if x.len() < 2 {
        return Err(UsageError::TooFewPoints { given: x.len() });
    }
    if !(0.5..1.0).contains(&level) {
        return Err(UsageError::Level);
    }
    if x.iter().chain(y).any(|value| !value.is_finite()) {
        return Err(UsageError::NotFinite);
    }
    // Adding zero turns −0.0 into 0.0, which ties with it but would not sort beside it.
    let mut points: Vec<(f64, f64)> = x.iter().zip(y).map(|(x, y)| (x + 0.0, y + 0.0)).collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let points = thinned(points);

    let mut slopes = Vec::with_capacity(points.len() * (points.len() - 1) / 2);
    for (at, second) in points.iter().enumerate() {
        let earlier = points.iter().take(at).filter(|first| first.0 < second.0);
        slopes.extend(earlier.map(|first| (second.1 - first.1) / (second.0 - first.0)));
    }
    if slopes.is_empty() {
        return Err(UsageError::SameTime);
    }
    slopes.sort_by(f64::total_cmp);
    let xs: Vec<f64> = points.iter().map(|point| point.0).collect();
    let mut ys: Vec<f64> = points.iter().map(|point| point.1).collect();
    ys.sort_by(f64::total_cmp);
    let slope = median(&slopes);
    let mut rests: Vec<f64> = points.iter().map(|(x, y)| y - slope * x).collect();
    rests.sort_by(f64::total_cmp);

    let (low, high) = ranks(&xs, &ys, slopes.len(), level);
    let line = TheilSen {
        slope,
        intercept_joint: median(&rests),
        intercept_separate: median(&ys) - slope * median(&xs),
        low: slopes[low],
        high: slopes[high],
        pairs: slopes.len(),
    };
    // Finite numbers near the end of the range have differences that are not; they are no readings of anything.
    let all = [line.slope, line.intercept_joint, line.intercept_separate, line.low, line.high];
    if all.iter().all(|value| value.is_finite()) { Ok(line) } else { Err(UsageError::NotFinite) }
}

/// The places of the interval's ends among so many sorted slopes.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held to 0 to pairs − 1 before the cast")]
fn ranks(xs: &[f64], ys: &[f64], pairs: usize, level: f64) -> (usize, usize) {
    let last = (pairs - 1) as f64;
    let ties = |sorted: &[f64]| sorted.chunk_by(|a, b| a == b).map(|run| kendall(run.len() as f64)).sum::<f64>();
    let variance = (kendall(xs.len() as f64) - ties(xs) - ties(ys)) / 18.0;
    if variance < 0.0 {
        return (0, pairs - 1);
    }
    // Below zero, as in SciPy: the quantile of the lower tail.
    let z = Normal::standard().inverse_cdf((1.0 - level) / 2.0);
    let reach = z * variance.sqrt();
    let high = ((pairs as f64 - reach) / 2.0).round_ties_even().clamp(0.0, last);
    let low = (((pairs as f64 + reach) / 2.0).round_ties_even() - 1.0).clamp(0.0, last);
    (low as usize, high as usize)
}

/// `k (k − 1) (2 k + 5)`, of which 18ths make up the variance of Kendall's S; zero for a run of one.
pub(crate) fn kendall(k: f64) -> f64 {
    k * (k - 1.0) * (2.0 * k + 5.0)
}

/// At most [`MOST_POINTS`] of the sorted points, at even steps, first and last included.
fn thinned(points: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    if points.len() <= MOST_POINTS {
        return points;
    }
    let last = (points.len() - 1) as u128;
    let steps = (MOST_POINTS - 1) as u128;
    // u128: the product of two lengths overflows on a 32-bit phone.
    (0..=steps).filter_map(|step| usize::try_from(step * last / steps).ok()).filter_map(|at| points.get(at).copied()).collect()
}

/// The median of sorted numbers; NaN where there are none, which no caller asks for.
fn median(sorted: &[f64]) -> f64 {
    let middle = sorted.len() / 2;
    match (sorted.get(middle.wrapping_sub(1)), sorted.get(middle)) {
        (Some(below), Some(above)) if sorted.len().is_multiple_of(2) => (below + above) / 2.0,
        (_, Some(at)) => *at,
        _ => f64::NAN,
    }
}
