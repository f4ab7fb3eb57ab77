//! Kinds of the roster: the shop itself, people, roles, devices, assignments.

use serde::{Deserialize, Serialize};

use super::{Check, optional_text, text};
use crate::bytes::Bytes32;
use crate::engine_card::{Duty, Interval};
use crate::ids::{DeviceId, PersonId, PropertyId};
use crate::length::LengthUnit;
use crate::role::Role;
use crate::usage::Between;

/// The shop: its name, its signing key and the settings that every replica must share.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct ShopCard {
    /// The shop's name.
    pub name: String,
    /// IANA name of the shop's time zone; a day of the day sheet is a day there.
    pub time_zone: String,
    /// Conflict window, in minutes: tips older than the latest by more are history, not contenders.
    pub conflict_window_min: u32,
    /// What each feeler leaf may be off by when two readings are compared, in tenths of a µm.
    /// An input: no published tolerance table could be read, so none is built in (0 = leaves taken as exact).
    pub leaf_tolerance_tenth_um: u32,
    /// Standard uncertainty of the feel of one leaf, in tenths of a µm: an input, from the shop's own repeat readings; 0 = not stated.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub feel_tenth_um: u32,
    /// The unit of lengths on the shop's pages and papers, where nobody asks for another.
    #[serde(default, skip_serializing_if = "is_usual")]
    pub unit: LengthUnit,
    /// The level at which a reading proves something, in thousandths, where nobody asks for another: 950 by default
    /// (ISO 14253-1:2017).
    #[serde(default = "usual_level", skip_serializing_if = "is_usual_level")]
    pub conformance_milli: u32,
    /// What the shop asks of commercial machines, whatever their cards say: the shorter of the two counts.
    #[serde(default, skip_serializing_if = "Interval::is_none")]
    pub commercial: Interval,
    /// The same of homeowners' machines.
    #[serde(default, skip_serializing_if = "Interval::is_none")]
    pub homeowner: Interval,
    /// When machines are in use, where their property says nothing else; absent: all year.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub season: Option<Between>,
}

/// Twelve hours: within them an engine has hardly run between two readings, and two people may well disagree.
pub const USUAL_WINDOW_MIN: u32 = 12 * 60;
/// 95 % (ISO 14253-1:2017).
pub const USUAL_LEVEL_MILLI: u32 = 950;

const fn usual_level() -> u32 {
    USUAL_LEVEL_MILLI
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "as serde calls it")]
const fn is_usual_level(level: &u32) -> bool {
    *level == USUAL_LEVEL_MILLI
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "as serde calls it")]
const fn is_zero(tenth_um: &u32) -> bool {
    *tenth_um == 0
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "as serde calls it")]
fn is_usual(unit: &LengthUnit) -> bool {
    *unit == LengthUnit::default()
}

impl ShopCard {
    /// The conflict window in ms.
    #[must_use]
    pub fn conflict_window_ms(&self) -> i64 {
        i64::from(self.conflict_window_min) * 60_000
    }

    /// A shop with the usual settings.
    #[must_use]
    pub fn usual(name: impl Into<String>, time_zone: impl Into<String>) -> Self {
        Self {
            name: name.into(),
            time_zone: time_zone.into(),
            conflict_window_min: USUAL_WINDOW_MIN,
            leaf_tolerance_tenth_um: 0,
            feel_tenth_um: 0,
            unit: LengthUnit::default(),
            conformance_milli: USUAL_LEVEL_MILLI,
            commercial: Interval::NONE,
            homeowner: Interval::NONE,
            season: None,
        }
    }

    /// What the shop asks of machines under a duty, beside their cards.
    #[must_use]
    pub const fn interval(&self, duty: Duty) -> Interval {
        match duty {
            Duty::Commercial => self.commercial,
            Duty::Homeowner => self.homeowner,
        }
    }

    /// The level at which a reading proves something, 0.5 to below 1.
    #[must_use]
    pub fn conformance_level(&self) -> f64 {
        f64::from(self.conformance_milli) / 1000.0
    }
}

/// A person of the shop.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Person {
    /// The person's id.
    pub person: PersonId,
    /// The name on screens.
    pub name: String,
}

/// A role given to a person, or taken away.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RoleGrant {
    /// Whose.
    pub person: PersonId,
    /// Which; absent: none any more.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub role: Option<Role>,
}

/// A device, its owner and its two public keys.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Device {
    /// The device's id; `kid` of what it signs.
    pub device: DeviceId,
    /// Who uses it. Its records may be stated by this person only.
    pub person: PersonId,
    /// What the office calls it.
    pub name: String,
    /// Ed25519 key that signs records.
    pub record_key: Bytes32,
    /// Ed25519 key that signs log-ins.
    pub login_key: Bytes32,
    /// Who issued the one-time code that enrolled it.
    pub issued_by: PersonId,
}

/// A device that is trusted no more.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DeviceRevoked {
    /// Which.
    pub device: DeviceId,
    /// Why, in words.
    pub reason: String,
}

/// A property given to a person to look after, or taken away.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Assignment {
    /// To whom.
    pub person: PersonId,
    /// Which property, with its machines.
    pub property: PropertyId,
    /// True while it holds.
    pub active: bool,
}

impl Check for ShopCard {
    fn check(&self) -> Result<(), String> {
        text("shop name", &self.name)?;
        text("time zone", &self.time_zone)?;
        if self.conflict_window_min == 0 || self.conflict_window_min > 14 * 24 * 60 {
            return Err("the conflict window is from one minute to 14 days".to_owned());
        }
        if self.leaf_tolerance_tenth_um > 500 {
            return Err("a leaf tolerance over 0.05 mm is no feeler gauge".to_owned());
        }
        if self.feel_tenth_um > 500 {
            return Err("a feel that is uncertain by over 0.05 mm tells no leaf from the next".to_owned());
        }
        if !(500..=999).contains(&self.conformance_milli) {
            return Err("a conformance level is from 50 % to 99.9 %".to_owned());
        }
        for interval in [self.commercial, self.homeowner] {
            if interval.hours == Some(0) || interval.months == Some(0) {
                return Err("a shop's interval is of one hour or month at least, or there is none".to_owned());
            }
        }
        Ok(())
    }
}

impl Check for Person {
    fn check(&self) -> Result<(), String> {
        text("person's name", &self.name)
    }
}

impl Check for RoleGrant {
    fn check(&self) -> Result<(), String> {
        Ok(())
    }
}

impl Check for Device {
    fn check(&self) -> Result<(), String> {
        text("device name", &self.name)?;
        if self.record_key == self.login_key {
            return Err("a device signs records and log-ins with two different keys".to_owned());
        }
        Ok(())
    }
}

impl Check for DeviceRevoked {
    fn check(&self) -> Result<(), String> {
        optional_text("reason", &self.reason)
    }
}

impl Check for Assignment {
    fn check(&self) -> Result<(), String> {
        Ok(())
    }
}
