//! Kinds that the crew writes at a machine: visits, hours, clearances, findings.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use super::{Check, LATEST_MS, optional_text, text};
use crate::bracket::{Bracket, BracketError};
use crate::hours::Hours;
use crate::ids::RecordId;
use crate::length::Length;
use crate::valve::Valve;

/// When in the work a clearance was read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    /// Before touching the adjuster.
    Found,
    /// Adjuster locked, engine not yet turned over.
    Set,
    /// After turning the engine over and checking again.
    Left,
}

/// A text that names no stage.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{given}\" is not a stage: found (before touching), set (locked, engine not yet turned) or left (after turning it over)")]
pub struct StageError {
    /// What was given.
    pub given: String,
}

/// A visit to a machine, or going on with one. A visit's id is its record's.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Visit {
    /// The person confirmed that the engine is cold.
    pub cold: bool,
    /// Engine temperature in tenths of a degree Celsius, where it was measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub engine_tenth_c: Option<i32>,
    /// The cautions were shown and confirmed before a hand went near the engine.
    pub cautions_confirmed: bool,
    /// Why the machine is visited.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub purpose: String,
    /// The person's own visit that is gone on with: cautions and cold are said of it again.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub resumes: Option<RecordId>,
}

/// A visit finished.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SignOff {
    /// Which visit.
    pub visit: RecordId,
    /// Every valve was left in range, or what was heard of hydraulic lash is said; false: finished with something open.
    pub complete: bool,
    /// A remark.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub remark: String,
}

/// What the hour meter showed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HourReading {
    /// The meter, in tenths of an hour.
    #[serde(rename = "meter_tenth_h")]
    pub meter: Hours,
    /// During which visit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub visit: Option<RecordId>,
}

/// The hour meter was replaced.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MeterChange {
    /// What the old meter showed last, in tenths of an hour.
    #[serde(rename = "old_tenth_h")]
    pub old: Hours,
    /// What the new meter showed first, in tenths of an hour.
    #[serde(rename = "new_tenth_h")]
    pub new: Hours,
    /// When it was replaced, in ms since 1970 UTC; absent: when this was stated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub changed_ms: Option<i64>,
}

/// One reading of one valve's clearance.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Clearance {
    /// Which valve.
    pub valve: Valve,
    /// When in the work.
    pub stage: Stage,
    /// The largest leaf that entered, in tenths of a µm.
    #[serde(rename = "go_tenth_um", default, skip_serializing_if = "Option::is_none")]
    pub go: Option<Length>,
    /// The smallest leaf that did not, in tenths of a µm.
    #[serde(rename = "no_go_tenth_um", default, skip_serializing_if = "Option::is_none")]
    pub no_go: Option<Length>,
    /// The single leaves used, where leaves were stacked.
    #[serde(rename = "leaves_tenth_um", default, skip_serializing_if = "Vec::is_empty")]
    pub leaves: Vec<Length>,
    /// The engine was said to be cold, and that still counted: see [`crate::cold`].
    pub cold: bool,
    /// Engine temperature in tenths of a degree Celsius, where it was measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub engine_tenth_c: Option<i32>,
    /// The adjuster was turned for this reading.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub adjusted: bool,
    /// During which visit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub visit: Option<RecordId>,
}

/// How grave a finding is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum FindingKind {
    /// To be looked after.
    Watch,
    /// Do not run this machine until cleared.
    Hold,
}

/// Something found on a machine.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Finding {
    /// How grave.
    pub grade: FindingKind,
    /// What, in words.
    pub what: String,
    /// During which visit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub visit: Option<RecordId>,
}

/// A finding seen to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FindingCleared {
    /// Which finding.
    pub finding: RecordId,
    /// What was done.
    pub how: String,
}

impl Stage {
    /// Every stage, in the order of the work.
    pub const ALL: [Self; 3] = [Self::Found, Self::Set, Self::Left];

    /// The stage's name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Found => "found",
            Self::Set => "set",
            Self::Left => "left",
        }
    }
}

impl fmt::Display for Stage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

impl FromStr for Stage {
    type Err = StageError;
    fn from_str(text: &str) -> Result<Self, StageError> {
        let given = text.trim().to_ascii_lowercase();
        Self::ALL.into_iter().find(|s| s.name() == given).ok_or_else(|| StageError { given: text.to_owned() })
    }
}

impl Clearance {
    /// The bracket that the leaves leave.
    ///
    /// # Errors
    /// [`BracketError`] where they say nothing or contradict each other; a checked record never gives one.
    pub fn bracket(&self) -> Result<Bracket, BracketError> {
        Bracket::new(self.go, self.no_go)
    }
}

/// Temperatures that an engine can have, in tenths of a degree Celsius.
fn temperature(tenth_c: Option<i32>) -> Result<(), String> {
    match tenth_c {
        Some(t) if !(-600..=10_000).contains(&t) => Err("an engine temperature lies between -60 and 1000 °C".to_owned()),
        _ => Ok(()),
    }
}

impl Check for Visit {
    fn check(&self) -> Result<(), String> {
        temperature(self.engine_tenth_c)?;
        optional_text("purpose", &self.purpose)
    }
}

impl Check for SignOff {
    fn check(&self) -> Result<(), String> {
        optional_text("remark", &self.remark)
    }
}

fn meter(hours: Hours) -> Result<(), String> {
    if hours < Hours::from_tenths(0) || hours > Hours::MOST {
        return Err(format!("an hour meter shows 0 to {} h", Hours::MOST));
    }
    Ok(())
}

impl Check for HourReading {
    fn check(&self) -> Result<(), String> {
        meter(self.meter)
    }
}

impl Check for MeterChange {
    fn check(&self) -> Result<(), String> {
        meter(self.old)?;
        meter(self.new)?;
        if self.changed_ms.is_some_and(|ms| !(0..=LATEST_MS).contains(&ms)) {
            return Err("a meter is changed after 1970 and before the year 3000".to_owned());
        }
        Ok(())
    }
}

impl Check for Clearance {
    fn check(&self) -> Result<(), String> {
        temperature(self.engine_tenth_c)?;
        if self.leaves.len() > 8 || self.leaves.iter().any(|leaf| *leaf <= Length::ZERO) {
            return Err("a reading names at most 8 leaves, each above zero".to_owned());
        }
        self.bracket().map(|_| ()).map_err(|e| e.to_string())
    }
}

impl Check for Finding {
    fn check(&self) -> Result<(), String> {
        text("finding", &self.what)
    }
}

impl Check for FindingCleared {
    fn check(&self) -> Result<(), String> {
        text("account of what was done", &self.how)
    }
}
