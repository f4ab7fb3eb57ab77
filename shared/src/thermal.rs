//! Warmth: how much of a clearance read on a warm engine is growth, and what it would be cold.
//!
//! Four lengths grow, and the rocker's lever carries the difference of two of them to the valve:
//!
//! `change = R·(growth of the stack − growth of the push rod) + growth of the head beside the stem − growth of the stem`
//!
//! with R = valve-side arm over push-rod-side arm, and each growth `α·L·ΔT` with a temperature of its own. Derived from the
//! drawing in `docs/warmth.md`; no published worked example was found. Above zero the warm engine shows more clearance
//! than the cold one: so with an aluminium stack and head around steel. Gray iron and a stem much hotter than the head turn
//! the sign. So no sign is taken for granted, one temperature for a whole part is itself a guess, and a warm reading is
//! **never** judged by such an estimate: a [`WarmEstimate`] has no verdict but *not judged*. It tells what to expect when
//! the engine is cold.
//!
//! Lengths in tenths of a µm, temperature differences in tenths of a °C (or K), coefficients in 1e-6 per K.

mod names;

use serde::{Deserialize, Serialize};

pub use names::MaterialError;

use crate::bracket::Bracket;
use crate::length::{Length, LengthUnit};
use crate::verdict::{Verdict, Why};

/// The longest part that is taken, 1 m: more is a slip of the unit.
pub const LONGEST: Length = Length::from_tenth_um(10_000_000);

/// The most that a part is taken to be warmer or colder than it is when cold, 500 °C, in tenths: past what a valve stem
/// stands, and far past where a room-temperature coefficient still holds.
pub const MOST_TENTH_C: i32 = 5000;

/// The greatest coefficient that is taken, 100 in 1e-6 per K: several times that of any metal of an engine.
pub const MOST_COEFFICIENT: f64 = 100.0;

/// What a part is made of, with a published coefficient of linear expansion at room temperature.
///
/// Steels, irons, 356 and stainless: Callister, *Fundamentals of Materials Science and Engineering*, appendix B, table
/// B.6, read in public copies. Die-casting alloys: NADCA product specification standards, table A-3-2, read in a public
/// copy. Alloy numbers are those tables' own.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Material {
    /// Plain carbon steel 1020: 11.7.
    Steel1020,
    /// Plain carbon steel 1040: 11.3.
    Steel1040,
    /// Chromium-molybdenum steel 4140: 12.3.
    Steel4140,
    /// Nickel-chromium-molybdenum steel 4340: 12.3.
    Steel4340,
    /// Austenitic stainless steel 304: 17.2.
    Stainless304,
    /// Gray iron, grades G1800 to G4000: 11.4.
    GrayIron,
    /// Ductile iron 60-40-18: 11.2.
    DuctileIron604018,
    /// Ductile iron 80-55-06: 10.6.
    DuctileIron805506,
    /// Cast aluminium 356.0: 21.5.
    Aluminium356,
    /// Die-cast aluminium 360 or A360: 21.0.
    DieCast360,
    /// Die-cast aluminium 380: 22.0.
    DieCast380,
    /// Die-cast aluminium A380: 21.8.
    DieCastA380,
    /// Die-cast aluminium 383: 21.1.
    DieCast383,
    /// Die-cast aluminium 384: 21.0.
    DieCast384,
    /// Another, with its coefficient and where that was read.
    Stated {
        /// Hundredths of 1e-6 per K: 2150 for 21.5.
        hundredths: u32,
        /// Where it was read. Never empty.
        source: String,
    },
}

/// A part that grows.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Part {
    /// How long it is.
    #[serde(rename = "length_tenth_um")]
    pub length: Length,
    /// What it is made of.
    pub material: Material,
    /// How much warmer it is than when cold, tenths of a °C.
    pub warmer_tenth_c: i32,
}

/// The head beside the valve stem, from the valve's seat up to the rocker's pivot. It is taken to be as long as the stem:
/// the pivot lies about as high as the stem's tip.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Head {
    /// What it is made of.
    pub material: Material,
    /// How much warmer it is than when cold, tenths of a °C.
    pub warmer_tenth_c: i32,
}

/// The parts whose growth moves a clearance.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Train {
    /// The stack of barrel and head, from where the cam followers run to the rocker's pivot.
    pub stack: Part,
    /// The push rod.
    pub rod: Part,
    /// The valve stem, from the valve's seat to its tip.
    pub stem: Part,
    /// The head beside the stem.
    pub head: Head,
    /// Valve-side arm over push-rod-side arm of the rocker, in thousandths (1300 = 1.3), as on the engine card.
    pub ratio_milli: u32,
}

/// What a warm reading would be cold. It is for reading, not for judging: it holds no bracket, and its only verdict is
/// *not judged*.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct WarmEstimate {
    warm: Bracket,
    cold_go: Option<Length>,
    cold_no_go: Option<Length>,
    change_tenth_um: f64,
    stem_per_10_c_tenth_um: f64,
}

/// Parts or temperatures that cannot be.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum WarmthError {
    /// A part that is not above zero long, or longer than [`LONGEST`].
    #[error("a {part} of {:.2} mm cannot be: it is above zero and at most 1 m long", given.mm())]
    PartLength {
        /// Which part.
        part: &'static str,
        /// What was given.
        given: Length,
    },
    /// A temperature difference over [`MOST_TENTH_C`].
    #[error("a temperature difference of {}.{} °C cannot be: it is at most 500 °C either way", given_tenth_c / 10, (given_tenth_c % 10).abs())]
    Temperature {
        /// What was given, tenths of a °C.
        given_tenth_c: i32,
    },
    /// A coefficient that is no number above zero and at most [`MOST_COEFFICIENT`].
    #[error("an expansion coefficient of {given} · 1e-6 per K cannot be: it is above zero and at most 100")]
    Coefficient {
        /// What was given, in 1e-6 per K.
        given: f64,
    },
    /// A stated coefficient without a source.
    #[error("a stated expansion coefficient needs its source: where it was read")]
    NoSource,
    /// A rocker ratio that is not above zero and at most 10.
    #[error("the rocker ratio is valve-side arm over push-rod-side arm: above zero and at most 10")]
    Ratio,
}

impl Material {
    /// The coefficient of linear expansion, in 1e-6 per K.
    ///
    /// # Errors
    /// [`WarmthError`] where a stated one is zero or over [`MOST_COEFFICIENT`], or names no source.
    pub fn coefficient(&self) -> Result<f64, WarmthError> {
        Ok(match self {
            Self::Steel1020 => 11.7,
            Self::Steel1040 => 11.3,
            Self::Steel4140 | Self::Steel4340 => 12.3,
            Self::Stainless304 => 17.2,
            Self::GrayIron => 11.4,
            Self::DuctileIron604018 => 11.2,
            Self::DuctileIron805506 => 10.6,
            Self::Aluminium356 => 21.5,
            Self::DieCast360 | Self::DieCast384 => 21.0,
            Self::DieCast380 => 22.0,
            Self::DieCastA380 => 21.8,
            Self::DieCast383 => 21.1,
            Self::Stated { hundredths, source } => {
                if source.trim().is_empty() {
                    return Err(WarmthError::NoSource);
                }
                let given = f64::from(*hundredths) / 100.0;
                check_coefficient(given)?;
                given
            }
        })
    }

    /// Where the coefficient was read.
    #[must_use]
    pub fn source(&self) -> &str {
        match self {
            Self::DieCast360 | Self::DieCast380 | Self::DieCastA380 | Self::DieCast383 | Self::DieCast384 => "NADCA table A-3-2",
            Self::Stated { source, .. } => source,
            _ => "Callister table B.6",
        }
    }
}

impl Head {
    /// The head beside the stem: material and temperature are the stack's where nothing else is stated.
    #[must_use]
    pub fn of(stack: &Part, material: Option<Material>, warmer_tenth_c: Option<i32>) -> Self {
        Self {
            material: material.unwrap_or_else(|| stack.material.clone()),
            warmer_tenth_c: warmer_tenth_c.unwrap_or(stack.warmer_tenth_c),
        }
    }
}

impl WarmEstimate {
    /// Always *not judged*, whatever the estimate.
    #[must_use]
    pub const fn verdict(&self) -> Verdict {
        Verdict::NotSettled(Why::NotCold)
    }

    /// How much more clearance there is warm than cold, tenths of a µm; below zero where there is less.
    #[must_use]
    pub const fn change_tenth_um(&self) -> f64 {
        self.change_tenth_um
    }

    /// The edges of the reading, less the change: at least the first, less than the second, a missing one open. Rounded
    /// outward to whole tenths of a µm. May be zero or less, where the estimate leaves no clearance: so these are edges,
    /// and no [`Bracket`], and nothing here hands out
    /// one that could be judged.
    #[must_use]
    pub const fn cold_edges(&self) -> (Option<Length>, Option<Length>) {
        (self.cold_go, self.cold_no_go)
    }

    /// The estimate in plain sentences, which end in what to do: let it cool and read again.
    #[must_use]
    pub fn words(&self, unit: LengthUnit) -> String {
        let cold = match (self.cold_go, self.cold_no_go) {
            (Some(go), Some(no_go)) => format!("about {} to {}", roughly(go, unit), shown(no_go, unit)),
            (Some(go), None) => format!("about {} or more", shown(go, unit)),
            (None, Some(no_go)) => format!("under about {}", shown(no_go, unit)),
            (None, None) => "not known".to_owned(),
        };
        let why = if self.change_tenth_um > 0.0 {
            "warmth opens it"
        } else if self.change_tenth_um < 0.0 {
            "warmth closes it"
        } else {
            "warmth leaves it as it is"
        };
        let none_left = if self.cold_go.or(self.cold_no_go).is_some_and(|edge| edge <= Length::ZERO) {
            " Cold there may be no clearance left: do not run it before a cold reading."
        } else {
            ""
        };
        let stem = roughly(whole(self.stem_per_10_c_tenth_um.round()), unit);
        format!(
            "Not judged: read {} on a warm engine. By the growth of its parts ({why}) it would be {cold} cold: an estimate, not a \
             reading. If the stem is hotter than stated, it would be more: {stem} {unit} for each 10 °C; if it is colder, less.\
             {none_left} Let it cool and read again.",
            self.warm.show(unit)
        )
    }
}

/// How much a part grows, tenths of a µm: `α·L·ΔT`, with `α` in 1e-6 per K and `ΔT` in tenths of a °C. Below zero where
/// it is colder than it was. One coefficient for the whole difference, so a guide beyond some 100 °C.
///
/// # Errors
/// [`WarmthError`] where the length, the coefficient or the difference cannot be.
pub fn growth(length: Length, coefficient: f64, delta_tenth_c: i32) -> Result<f64, WarmthError> {
    grown("part", length, coefficient, delta_tenth_c)
}

/// A coefficient given per °F (in 1e-6, as µin per inch and °F), per K: times 9/5.
#[must_use]
pub fn per_kelvin(per_fahrenheit: f64) -> f64 {
    per_fahrenheit * 1.8
}

/// What a clearance read warm would be cold.
///
/// # Errors
/// [`WarmthError`] where a part, its material, the rocker ratio or a temperature difference cannot be.
pub fn estimate_cold(bracket: &Bracket, train: &Train) -> Result<WarmEstimate, WarmthError> {
    if !(1..=10_000).contains(&train.ratio_milli) {
        return Err(WarmthError::Ratio);
    }
    let Train { stack, rod, stem, head, .. } = train;
    let of = |name, part: &Part| grown(name, part.length, part.material.coefficient()?, part.warmer_tenth_c);
    let levered = of("barrel and head", stack)? - of("push rod", rod)?;
    let beside = of("valve stem", stem)?;
    let head = grown("valve stem", stem.length, head.material.coefficient()?, head.warmer_tenth_c)?;
    let change_tenth_um = f64::from(train.ratio_milli) / 1000.0 * levered + head - beside;
    // Outward, so that rounding never makes the estimate look sharper than the reading.
    Ok(WarmEstimate {
        warm: *bracket,
        cold_go: bracket.go().map(|go| go.minus(whole(change_tenth_um.ceil()))),
        cold_no_go: bracket.no_go().map(|no_go| no_go.minus(whole(change_tenth_um.floor()))),
        change_tenth_um,
        stem_per_10_c_tenth_um: grown("valve stem", stem.length, stem.material.coefficient()?, 100)?,
    })
}

fn grown(part: &'static str, length: Length, coefficient: f64, delta_tenth_c: i32) -> Result<f64, WarmthError> {
    if length <= Length::ZERO || length > LONGEST {
        return Err(WarmthError::PartLength { part, given: length });
    }
    check_coefficient(coefficient)?;
    if !(-MOST_TENTH_C..=MOST_TENTH_C).contains(&delta_tenth_c) {
        return Err(WarmthError::Temperature { given_tenth_c: delta_tenth_c });
    }
    Ok(coefficient * 1e-7 * tenths(length) * f64::from(delta_tenth_c))
}

fn check_coefficient(given: f64) -> Result<(), WarmthError> {
    if given > 0.0 && given <= MOST_COEFFICIENT { Ok(()) } else { Err(WarmthError::Coefficient { given }) }
}

/// An estimate is shown to a tenth of a thou or to 2 or 3 µm, not to the last digit.
fn roughly(length: Length, unit: LengthUnit) -> String {
    unit.worked_out(tenths(length), 1)
}

fn shown(length: Length, unit: LengthUnit) -> String {
    format!("{} {unit}", roughly(length, unit))
}

#[expect(clippy::cast_precision_loss, reason = "at most 1 m, 1e7 tenths")]
fn tenths(length: Length) -> f64 {
    length.tenth_um() as f64
}

#[expect(clippy::cast_possible_truncation, reason = "already a whole number, and growths are below 1e8 tenths")]
fn whole(tenth_um: f64) -> Length {
    Length::from_tenth_um(tenth_um as i64)
}

#[cfg(test)]
mod tests;
