//! Average and range: the study taken apart by hand, with constants.

use serde::{Deserialize, Serialize};

use super::{AgreementError, Direction, Method, Spread, Study, mean, number};

/// 1/d₂* for the range of 2 to 10 values, taken once, to four decimals.
///
/// d₂* is the root of the mean square of the range of so many standard normal values; K = 1/d₂* is the AIAG manual's
/// (read on a public page). The values for 3 (0.5231) and 10 (0.3146) were read in public test files that quote the
/// manual, the others are from memory; all are recomputed from the definition in the tests.
#[expect(clippy::approx_constant, reason = "the table is to four decimals throughout, as published; 1/√2 is no exception")]
const ONE_RANGE: [f64; 9] = [0.7071, 0.5231, 0.4467, 0.4030, 0.3742, 0.3534, 0.3375, 0.3249, 0.3146];

/// 1/d₂ for the mean of many ranges of 2 or 3 trials. 0.5908 was read as above, 0.8862 is from memory, both recomputed.
///
/// For few ranges d₂* would be a little larger; the manual's constants leave that out, and so do these.
const MANY_RANGES: [f64; 2] = [0.8862, 0.5908];

/// D₄ = 1 + 3 d₃/d₂ for 2 or 3 trials. 2.574 was read as above (one public page prints 2.58), 3.267 is from memory, both
/// recomputed.
const RANGE_LIMIT: [f64; 2] = [3.267, 2.574];

/// The constants of the method.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Constants {
    /// Mean range of the trials to repeatability.
    pub k1: f64,
    /// Difference of people's means to reproducibility.
    pub k2: f64,
    /// Range of the parts' means to the parts' spread.
    pub k3: f64,
    /// Mean range to the limit of single ranges.
    pub d4: f64,
}

/// A cell whose range is over the limit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct WideRange {
    /// The part, counted from 0 in the order given.
    pub part: usize,
    /// The person, counted from 0 in the order given.
    pub person: usize,
    /// The range of the trials.
    pub range: f64,
}

/// A study taken apart by average and range. Lengths in the unit of the readings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct AverageRange {
    /// Each person's mean range, in the order given.
    pub mean_range_by_person: Vec<f64>,
    /// Each person's mean, in the order given.
    pub mean_by_person: Vec<f64>,
    /// The mean of all ranges.
    pub mean_range: f64,
    /// The greatest of the people's means less the least.
    pub mean_difference: f64,
    /// The greatest of the parts' means less the least.
    pub part_range: f64,
    /// The mean of all readings.
    pub grand_mean: f64,
    /// The limit of a single range: D₄ times the mean range.
    pub range_limit: f64,
    /// Cells over the limit: most likely a slip, or a person who reads otherwise than the rest. Read them again.
    pub wide: Vec<WideRange>,
    /// How many cells have a range of 0. Many of them mean that the leaves are too coarse to show repeatability.
    pub zero_ranges: usize,
    /// The constants used.
    pub constants: Constants,
    /// The result.
    pub spread: Spread,
}

impl Constants {
    /// The constants for a study's size: 2 to 10 parts, 2 or 3 people, 2 or 3 trials.
    ///
    /// Their sources stand at the tables in this module: partly read, partly from memory, all recomputed.
    ///
    /// # Errors
    /// [`AgreementError::TooFew`] below that, [`AgreementError::NoConstants`] above.
    pub fn of(parts: usize, people: usize, trials: usize) -> Result<Self, AgreementError> {
        let pick = |table: &[f64], most: usize, direction: Direction, given: usize| match given.checked_sub(2) {
            None => Err(AgreementError::TooFew { direction, given }),
            Some(at) => table.get(at).filter(|_| given <= most).copied().ok_or(AgreementError::NoConstants { direction, given, most }),
        };
        Ok(Self {
            k1: pick(&MANY_RANGES, 3, Direction::Trials, trials)?,
            k2: pick(&ONE_RANGE, 3, Direction::People, people)?,
            k3: pick(&ONE_RANGE, 10, Direction::Parts, parts)?,
            d4: pick(&RANGE_LIMIT, 3, Direction::Trials, trials)?,
        })
    }
}

/// Takes a study apart by average and range, with the constants for its size.
///
/// EV = K₁ R̄, AV = √(max(0, (K₂ X̄diff)² − EV²/(parts · trials))), PV = K₃ Rp; the rest as [`Spread`] says. Source: the
/// AIAG manual's method (see the head of [`super`]); its worked example is met.
///
/// # Errors
/// [`AgreementError::NoConstants`] for a study too large for it, [`AgreementError::NoSpread`] where neither trials,
/// people nor parts differ.
pub fn average_and_range(study: &Study) -> Result<AverageRange, AgreementError> {
    average_and_range_with(study, Constants::of(study.parts, study.people, study.trials)?)
}

/// As [`average_and_range`], with constants of one's own: of other tables, or of 5.15 standard deviations.
///
/// # Errors
/// [`AgreementError::WrongConstants`] where one is not finite and above zero, [`AgreementError::NoSpread`] as above.
pub fn average_and_range_with(study: &Study, constants: Constants) -> Result<AverageRange, AgreementError> {
    let Constants { k1, k2, k3, d4 } = constants;
    if [k1, k2, k3, d4].iter().any(|k| !(k.is_finite() && *k > 0.0)) {
        return Err(AgreementError::WrongConstants);
    }
    let rounding = study.rounding();
    // Equal means may differ in their last bits; such a difference is none.
    let clean = |difference: f64| if difference > rounding { difference } else { 0.0 };
    let (mut ranges, mut means) = (vec![Vec::new(); study.people], vec![Vec::new(); study.people]);
    let mut part_means = vec![Vec::new(); study.parts];
    let mut cells = Vec::new();
    for (part, person, cell) in study.cells() {
        let range = span(cell);
        ranges[person].push(range);
        means[person].push(mean(cell));
        part_means[part].push(mean(cell));
        cells.push(WideRange { part, person, range });
    }
    let by = |groups: &[Vec<f64>]| groups.iter().map(|group| mean(group)).collect::<Vec<f64>>();
    let (mean_range_by_person, mean_by_person) = (by(&ranges), by(&means));
    let mean_range = mean(&mean_range_by_person);
    let (mean_difference, part_range) = (clean(span(&mean_by_person)), clean(span(&by(&part_means))));
    let range_limit = d4 * mean_range;

    let ev = k1 * mean_range;
    let av_squared = (k2 * mean_difference).powi(2) - ev.powi(2) / number(study.parts * study.trials);
    let spread = Spread::of(Method::AverageAndRange, ev, av_squared.max(0.0).sqrt(), 0.0, k3 * part_range)?;
    let zero_ranges = cells.iter().filter(|cell| cell.range <= rounding).count();
    cells.retain(|cell| cell.range > range_limit + rounding);
    Ok(AverageRange {
        grand_mean: mean(&mean_by_person),
        mean_range_by_person,
        mean_by_person,
        mean_range,
        mean_difference,
        part_range,
        range_limit,
        wide: cells,
        zero_ranges,
        constants,
        spread,
    })
}

impl AverageRange {
    /// The verdict in plain sentences, with the cells to read again. `parts` and `people` name them in the order given;
    /// where a name is missing, the number stands, counted from 1.
    #[must_use]
    pub fn words(&self, parts: &[String], people: &[String]) -> String {
        let named = |names: &[String], at: usize, what: &str| names.get(at).cloned().unwrap_or_else(|| format!("{what} {}", at + 1));
        let wide: Vec<String> =
            self.wide.iter().map(|w| format!("{} on {}", named(people, w.person, "person"), named(parts, w.part, "part"))).collect();
        let again = if wide.is_empty() { String::new() } else { format!(" Apart from the rest, read again: {}.", wide.join(", ")) };
        self.spread.words(None) + &again
    }
}

/// The greatest less the least.
fn span(values: &[f64]) -> f64 {
    let (least, most) = values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), v| (least.min(*v), most.max(*v)));
    if values.is_empty() { 0.0 } else { most - least }
}
