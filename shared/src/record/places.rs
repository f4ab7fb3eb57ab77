//! Kinds that describe where machines live and what they are.

use serde::{Deserialize, Serialize};

use super::{Check, optional_text, season, text};
use crate::engine_card::Duty;
use crate::ids::{CardId, PropertyId};
use crate::usage::Between;
use crate::valve::MOST_CYLINDERS;

/// A client site. The property's id is its document's.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PropertyCard {
    /// What the shop calls it.
    pub name: String,
    /// Where it is, in words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub address: String,
    /// What the crew must know (gate, dog, key).
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub access: String,
    /// When its machines are in use; absent: as the shop says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub season: Option<Between>,
}

/// A machine. The machine's id is its document's.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct MachineCard {
    /// The tag on the machine.
    pub tag: String,
    /// What it is, in words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub description: String,
    /// Where it lives.
    pub property: PropertyId,
    /// Its engine's card, once the office has chosen one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub engine_card: Option<CardId>,
    /// How many cylinders its engine has, where no card says so.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cylinders: Option<u8>,
    /// Who runs it.
    #[serde(default)]
    pub duty: Duty,
    /// What it is taken to run in a week of its season, in hours, 1 to 168, where it has no hour meter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hours_per_week: Option<u8>,
    /// Entered in the field and not yet confirmed by the office.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub provisional: bool,
}

impl Check for PropertyCard {
    fn check(&self) -> Result<(), String> {
        text("property name", &self.name)?;
        optional_text("address", &self.address)?;
        optional_text("access note", &self.access)?;
        season(self.season)
    }
}

impl Check for MachineCard {
    fn check(&self) -> Result<(), String> {
        text("machine tag", &self.tag)?;
        optional_text("description", &self.description)?;
        if self.cylinders.is_some_and(|n| n == 0 || n > MOST_CYLINDERS) {
            return Err(format!("a machine's engine has 1 to {MOST_CYLINDERS} cylinders"));
        }
        if self.hours_per_week.is_some_and(|hours| hours == 0 || hours > 168) {
            return Err("a machine runs 1 to 168 hours a week".to_owned());
        }
        Ok(())
    }
}
