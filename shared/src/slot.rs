//! The slot: what a record speaks about, named within its document.
//!
//! `lash/1I/found` is the clearance of one valve at one stage, `hours` the hour meter, `meter` its changes, `visit/<id>` a visit.
//! A slot's name is part of what rulings sign, so it is a promise to strangers: never change one.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::ids::{CardId, RecordId};
use crate::record::{Body, Record, Stage};
use crate::valve::Valve;

/// The longest slot name that is taken, in bytes.
pub const LONGEST_SLOT: usize = 160;

/// A slot's name within its document.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(transparent)]
pub struct Slot(pub String);

impl Slot {
    /// The clearance of a valve at a stage.
    #[must_use]
    pub fn lash(valve: Valve, stage: Stage) -> Self {
        Self(format!("lash/{valve}/{}", stage.name()))
    }

    /// The hour meter.
    #[must_use]
    pub fn hours() -> Self {
        Self("hours".to_owned())
    }

    /// The changes of the hour meter: all of a machine, so that two notes of one change meet.
    #[must_use]
    pub fn meter_changes() -> Self {
        Self("meter".to_owned())
    }

    /// The card of the document's machine.
    #[must_use]
    pub fn machine() -> Self {
        Self("machine".to_owned())
    }

    /// An engine card.
    #[must_use]
    pub fn engine_card(card: CardId) -> Self {
        Self(format!("card/{card}"))
    }

    /// The sign-off of a visit.
    #[must_use]
    pub fn sign_off(visit: RecordId) -> Self {
        Self(format!("sign-off/{visit}"))
    }

    /// One part of the closing of a day.
    #[must_use]
    pub fn day(day: jiff::civil::Date, part: u32) -> Self {
        Self(format!("day/{day}/{part}"))
    }

    /// The rulings on a slot.
    #[must_use]
    pub fn ruling(of: &Self) -> Self {
        Self(format!("ruling/{}", of.0))
    }

    /// The voiding of a record.
    #[must_use]
    pub fn void(target: RecordId) -> Self {
        Self(format!("void/{target}"))
    }

    /// The slot that a record speaks about; `None` for arrivals and for what this version does not understand.
    #[must_use]
    pub fn of(record: &Record) -> Option<Self> {
        let id = record.id;
        Some(match &record.body {
            Body::Clearance(b) => Self::lash(b.valve, b.stage),
            Body::Hours(_) => Self::hours(),
            Body::SignOff(b) => Self::sign_off(b.visit),
            Body::Ruling(b) => Self::ruling(&b.slot),
            Body::Void(b) => Self::void(b.target),
            Body::Shop(_) => Self("shop".to_owned()),
            Body::Property(_) => Self("property".to_owned()),
            Body::Machine(_) => Self::machine(),
            Body::EngineCard(b) => Self::engine_card(b.card),
            Body::Person(b) => Self(format!("person/{}", b.person)),
            Body::Device(b) => Self(format!("device/{}", b.device)),
            Body::DeviceRevoked(b) => Self(format!("revoked/{}", b.device)),
            Body::Role(b) => Self(format!("role/{}", b.person)),
            Body::Assignment(b) => Self(format!("assignment/{}/{}", b.person, b.property)),
            Body::Visit(_) => Self(format!("visit/{id}")),
            Body::MeterChange(_) => Self::meter_changes(),
            Body::Finding(_) => Self(format!("finding/{id}")),
            Body::FindingCleared(b) => Self(format!("cleared/{}", b.finding)),
            Body::Note(_) => Self(format!("note/{id}")),
            Body::Photo(_) => Self(format!("photo/{id}")),
            Body::DayClosed(b) => Self::day(b.day, b.part),
            Body::Arrival(_) | Body::Unknown(_) => return None,
        })
    }

    /// The slot in words for a screen.
    #[must_use]
    pub fn words(&self) -> String {
        let mut parts = self.0.split('/');
        match (parts.next(), parts.next(), parts.next()) {
            (Some("lash"), Some(valve), Some(stage)) => match valve.parse::<Valve>() {
                Ok(valve) => format!("clearance {valve} ({}), {stage}", valve.words()),
                Err(_) => self.0.clone(),
            },
            (Some("hours"), None, None) => "hour meter".to_owned(),
            (Some("meter"), None, None) => "change of the hour meter".to_owned(),
            (Some("machine"), None, None) => "machine card".to_owned(),
            (Some("property"), None, None) => "property".to_owned(),
            (Some("shop"), None, None) => "shop settings".to_owned(),
            (Some("card"), ..) => "engine card".to_owned(),
            (Some("day"), Some(day), _) => format!("closing of {day}"),
            (Some("sign-off"), ..) => "visit sign-off".to_owned(),
            (Some("cleared"), ..) => "finding cleared".to_owned(),
            (Some(kind @ ("person" | "role" | "device" | "assignment" | "visit" | "finding" | "note" | "photo")), ..) => kind.to_owned(),
            _ => self.0.clone(),
        }
    }
}

impl fmt::Display for Slot {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}
