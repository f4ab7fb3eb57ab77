//! The two-way analysis of variance with repeats, all effects random.

use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, FisherSnedecor};

use super::{AgreementError, Method, Spread, Study, mean, number};

/// The usual level above which an interaction is taken for none and pooled with the repeats: 0.25. Common practice, from
/// memory; others take 0.05. The AIAG manual's example pools at either.
pub const DEFAULT_POOLING_ALPHA: f64 = 0.25;

/// One line of the table.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Line {
    /// Sum of squares, in the square of the readings' unit.
    pub ss: f64,
    /// Degrees of freedom.
    pub df: usize,
    /// Mean square: `ss` over `df`.
    pub ms: f64,
}

/// A ratio of mean squares and how likely one so large is by chance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct FTest {
    /// The ratio.
    pub f: f64,
    /// The upper tail of the F distribution, 0 to 1.
    pub p: f64,
}

/// A part of the variance, in the square of the readings' unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Component {
    /// 0 or more.
    pub variance: f64,
    /// The estimate came out below zero, and was set to 0.
    pub clamped: bool,
}

/// A study taken apart by the analysis of variance.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Anova {
    /// Between parts.
    pub part: Line,
    /// Between people.
    pub person: Line,
    /// People differing on some parts only.
    pub interaction: Line,
    /// Repeats within a cell: the equipment and the hand that holds it.
    pub repeat: Line,
    /// Everything; its mean square is the plain variance of all readings.
    pub total: Line,
    /// Interaction against repeats. `None` where the repeats show no spread at all.
    pub interaction_test: Option<FTest>,
    /// The level above which the interaction is pooled.
    pub pooling_alpha: f64,
    /// Interaction and repeats together, where they were pooled.
    pub pooled: Option<Line>,
    /// Parts against what is pooled, or else against the interaction. `None` where that is 0.
    pub part_test: Option<FTest>,
    /// People against the same.
    pub person_test: Option<FTest>,
    /// The variance of repeats.
    pub var_repeat: Component,
    /// The variance of the interaction; 0 where pooled.
    pub var_interaction: Component,
    /// The variance between people.
    pub var_person: Component,
    /// The variance between parts.
    pub var_part: Component,
    /// The result.
    pub spread: Spread,
}

/// Takes a study apart by the analysis of variance, parts and people both taken for random.
///
/// The interaction is pooled with the repeats where its p is above `pooling_alpha` ([`DEFAULT_POOLING_ALPHA`]; 1 never
/// pools, 0 pools unless p is 0). Without any interaction and any repeat spread p counts as 1. Variances by the expected
/// mean squares of a, b, n parts, people, trials, with E the error line (what is pooled, or else the interaction):
/// people (MS − E)/(a n), parts (MS − E)/(b n), interaction (MS − repeat MS)/n, each held at 0.
///
/// Source: the AIAG manual's method (see the head of [`super`]); its worked example is met, and the sums of squares
/// agree with a second program's.
///
/// # Errors
/// [`AgreementError::PoolingAlpha`] where `pooling_alpha` is not from 0 to 1, [`AgreementError::NoSpread`] where all
/// readings are equal.
pub fn anova(study: &Study, pooling_alpha: f64) -> Result<Anova, AgreementError> {
    if !(0.0..=1.0).contains(&pooling_alpha) {
        return Err(AgreementError::PoolingAlpha { given: pooling_alpha });
    }
    let (parts, people, trials) = (study.parts, study.people, study.trials);
    let [part, person, interaction, repeat, total] = lines(study);
    let interaction_test = f_test(interaction, repeat);
    let p = interaction_test.map_or(if interaction.ss > 0.0 { 0.0 } else { 1.0 }, |test| test.p);
    let pooled = (p > pooling_alpha).then(|| line(interaction.ss + repeat.ss, interaction.df + repeat.df));
    let error = pooled.unwrap_or(interaction);

    let var_repeat = Component { variance: pooled.unwrap_or(repeat).ms, clamped: false };
    let var_interaction = match pooled {
        Some(_) => Component { variance: 0.0, clamped: false },
        None => component(interaction.ms - repeat.ms, trials),
    };
    let var_person = component(person.ms - error.ms, parts * trials);
    let var_part = component(part.ms - error.ms, people * trials);
    let deviation = |component: Component| component.variance.sqrt();
    let spread = Spread::of(Method::Anova, deviation(var_repeat), deviation(var_person), deviation(var_interaction), deviation(var_part))?;
    Ok(Anova {
        part,
        person,
        interaction,
        repeat,
        total,
        interaction_test,
        pooling_alpha,
        pooled,
        part_test: f_test(part, error),
        person_test: f_test(person, error),
        var_repeat,
        var_interaction,
        var_person,
        var_part,
        spread,
    })
}

/// Parts, people, interaction, repeats and everything.
fn lines(study: &Study) -> [Line; 5] {
    let (parts, people, trials) = (study.parts, study.people, study.trials);
    let grand = mean(&study.readings);
    let (mut of_part, mut of_person) = (vec![0.0; parts], vec![0.0; people]);
    for (part, person, cell) in study.cells() {
        of_part[part] += mean(cell) / number(people);
        of_person[person] += mean(cell) / number(parts);
    }
    // From deviations, not from squares less squares: nothing is lost where readings are large and alike.
    let squares = |means: &[f64], each: usize| number(each) * means.iter().map(|m| (m - grand).powi(2)).sum::<f64>();
    let (mut interaction, mut repeat) = (0.0, 0.0);
    for (part, person, cell) in study.cells() {
        let own = mean(cell);
        interaction += number(trials) * (own - of_part[part] - of_person[person] + grand).powi(2);
        repeat += cell.iter().map(|reading| (reading - own).powi(2)).sum::<f64>();
    }
    let total = study.readings.iter().map(|reading| (reading - grand).powi(2)).sum::<f64>();
    // What rounding alone can leave is none, or noise would be tested against noise.
    let noise = number(study.readings.len()) * study.rounding().powi(2);
    let clean = |ss: f64, df: usize| line(if ss > noise { ss } else { 0.0 }, df);
    [
        clean(squares(&of_part, people * trials), parts - 1),
        clean(squares(&of_person, parts * trials), people - 1),
        clean(interaction, (parts - 1) * (people - 1)),
        clean(repeat, parts * people * (trials - 1)),
        clean(total, parts * people * trials - 1),
    ]
}

fn line(ss: f64, df: usize) -> Line {
    Line { ss, df, ms: ss / number(df.max(1)) }
}

/// A difference of mean squares over the readings behind each mean, held at 0.
fn component(difference: f64, each: usize) -> Component {
    Component { variance: difference.max(0.0) / number(each), clamped: difference < 0.0 }
}

/// The ratio of two mean squares and its upper tail; `None` where the lower is 0.
fn f_test(upper: Line, lower: Line) -> Option<FTest> {
    let distribution = FisherSnedecor::new(number(upper.df), number(lower.df)).ok()?;
    // Over 0 it is infinite, or 0 over 0 not a number.
    let f = upper.ms / lower.ms;
    f.is_finite().then(|| FTest { f, p: distribution.sf(f).clamp(0.0, 1.0) })
}
