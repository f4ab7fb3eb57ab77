//! The slot: what a record speaks about, within its document.
//!
//! Written `lash/1I/found` for the clearance of one valve at one stage, `hours` for the hour meter, `meter` for its changes,
//! `visit/<id>` for a visit. That name is part of what rulings sign, so it is a promise to strangers: never change one.

use std::fmt;
use std::str::FromStr;

use jiff::civil::Date;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::ids::{CardId, DeviceId, PersonId, PropertyId, RecordId};
use crate::record::{Body, Record, Stage};
use crate::valve::Valve;

/// The longest slot name that a ruling may name, in bytes.
pub const LONGEST_SLOT: usize = 160;
/// The longest name that is read: of a ruling on the longest. Bounds how deep rulings on rulings go.
const LONGEST_NAME: usize = LONGEST_SLOT + "ruling/".len();

/// What a record speaks about, within its document.
///
/// ```
/// # use shared::slot::Slot;
/// let slot = Slot::named("lash/1I/found");
/// assert!(matches!(slot, Slot::Lash(..)));
/// assert_eq!(slot.to_string(), "lash/1I/found");
/// // A newer program's slot keeps its name.
/// assert_eq!(Slot::named("oil/level").to_string(), "oil/level");
/// ```
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Slot {
    /// The card of the document's machine.
    Machine,
    /// The hour meter.
    Hours,
    /// The changes of the hour meter: all of a machine, so that two notes of one change meet.
    MeterChanges,
    /// The clearance of a valve at a stage.
    Lash(Valve, Stage),
    /// A visit.
    Visit(RecordId),
    /// The sign-off of a visit.
    SignOff(RecordId),
    /// A finding.
    Finding(RecordId),
    /// That a finding is cleared.
    FindingCleared(RecordId),
    /// A note.
    Note(RecordId),
    /// A photo.
    Photo(RecordId),
    /// The card of the document's property.
    Property,
    /// An engine card.
    EngineCard(CardId),
    /// The shop's settings.
    Shop,
    /// A person's card.
    Person(PersonId),
    /// A person's role.
    Role(PersonId),
    /// Whether a person looks after a property.
    Assignment(PersonId, PropertyId),
    /// A device's card.
    Device(DeviceId),
    /// That a device is revoked.
    DeviceRevoked(DeviceId),
    /// One part of the closing of a day.
    Day(Date, u32),
    /// The rulings on a slot.
    Ruling(Box<Self>),
    /// The voiding of a record.
    Void(RecordId),
    /// A name that this version does not know: of a newer one, or of nothing.
    Other(String),
}

impl Slot {
    /// The slot with this name.
    #[must_use]
    pub fn named(name: &str) -> Self {
        // Only what is written as we write it: a name that came in is passed on as it is.
        Some(name)
            .filter(|name| name.len() <= LONGEST_NAME)
            .and_then(Self::read)
            .filter(|slot| slot.is_written(name))
            .unwrap_or_else(|| Self::Other(name.to_owned()))
    }

    /// The rulings on a slot.
    #[must_use]
    pub fn ruling(of: &Self) -> Self {
        Self::Ruling(Box::new(of.clone()))
    }

    /// The slot that a record speaks about; `None` for arrivals and for what this version does not understand.
    #[must_use]
    pub fn of(record: &Record) -> Option<Self> {
        let id = record.id;
        Some(match &record.body {
            Body::Clearance(b) => Self::Lash(b.valve, b.stage),
            Body::Hours(_) => Self::Hours,
            Body::SignOff(b) => Self::SignOff(b.visit),
            Body::Ruling(b) => Self::ruling(&b.slot),
            Body::Void(b) => Self::Void(b.target),
            Body::Shop(_) => Self::Shop,
            Body::Property(_) => Self::Property,
            Body::Machine(_) => Self::Machine,
            Body::EngineCard(b) => Self::EngineCard(b.card),
            Body::Person(b) => Self::Person(b.person),
            Body::Device(b) => Self::Device(b.device),
            Body::DeviceRevoked(b) => Self::DeviceRevoked(b.device),
            Body::Role(b) => Self::Role(b.person),
            Body::Assignment(b) => Self::Assignment(b.person, b.property),
            Body::Visit(_) => Self::Visit(id),
            Body::MeterChange(_) => Self::MeterChanges,
            Body::Finding(_) => Self::Finding(id),
            Body::FindingCleared(b) => Self::FindingCleared(b.finding),
            Body::Note(_) => Self::Note(id),
            Body::Photo(_) => Self::Photo(id),
            Body::DayClosed(b) => Self::Day(b.day, b.part),
            Body::Arrival(_) | Body::Unknown(_) => return None,
        })
    }

    /// The slot in words for a screen.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::Lash(valve, stage) => format!("clearance {valve} ({}), {}", valve.words(), stage.name()),
            Self::Day(day, _) => format!("closing of {day}"),
            Self::Ruling(_) | Self::Void(_) | Self::DeviceRevoked(_) | Self::Other(_) => self.to_string(),
            Self::Hours => "hour meter".to_owned(),
            Self::MeterChanges => "change of the hour meter".to_owned(),
            Self::Machine => "machine card".to_owned(),
            Self::Property => "property".to_owned(),
            Self::Shop => "shop settings".to_owned(),
            Self::EngineCard(_) => "engine card".to_owned(),
            Self::SignOff(_) => "visit sign-off".to_owned(),
            Self::FindingCleared(_) => "finding cleared".to_owned(),
            Self::Visit(_) => "visit".to_owned(),
            Self::Finding(_) => "finding".to_owned(),
            Self::Note(_) => "note".to_owned(),
            Self::Photo(_) => "photo".to_owned(),
            Self::Person(_) => "person".to_owned(),
            Self::Role(_) => "role".to_owned(),
            Self::Assignment(..) => "assignment".to_owned(),
            Self::Device(_) => "device".to_owned(),
        }
    }

    fn read(name: &str) -> Option<Self> {
        let (kind, rest) = name.split_once('/').unwrap_or((name, ""));
        let two = || rest.split_once('/');
        Some(match kind {
            "machine" => Self::Machine,
            "hours" => Self::Hours,
            "meter" => Self::MeterChanges,
            "lash" => Self::Lash(parsed(two()?.0)?, parsed(two()?.1)?),
            "visit" => Self::Visit(parsed(rest)?),
            "sign-off" => Self::SignOff(parsed(rest)?),
            "finding" => Self::Finding(parsed(rest)?),
            "cleared" => Self::FindingCleared(parsed(rest)?),
            "note" => Self::Note(parsed(rest)?),
            "photo" => Self::Photo(parsed(rest)?),
            "property" => Self::Property,
            "card" => Self::EngineCard(parsed(rest)?),
            "shop" => Self::Shop,
            "person" => Self::Person(parsed(rest)?),
            "role" => Self::Role(parsed(rest)?),
            "assignment" => Self::Assignment(parsed(two()?.0)?, parsed(two()?.1)?),
            "device" => Self::Device(parsed(rest)?),
            "revoked" => Self::DeviceRevoked(parsed(rest)?),
            "day" => Self::Day(parsed(two()?.0)?, parsed(two()?.1)?),
            "ruling" => Self::ruling(&Self::named(rest)),
            "void" => Self::Void(parsed(rest)?),
            _ => return None,
        })
    }

    /// Whether this is exactly how the slot is written.
    fn is_written(&self, name: &str) -> bool {
        struct Rest<'a>(&'a str);
        impl fmt::Write for Rest<'_> {
            fn write_str(&mut self, part: &str) -> fmt::Result {
                self.0 = self.0.strip_prefix(part).ok_or(fmt::Error)?;
                Ok(())
            }
        }
        let mut rest = Rest(name);
        fmt::write(&mut rest, format_args!("{self}")).is_ok() && rest.0.is_empty()
    }
}

fn parsed<T: FromStr>(text: &str) -> Option<T> {
    text.parse().ok()
}

impl fmt::Display for Slot {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Machine => f.write_str("machine"),
            Self::Hours => f.write_str("hours"),
            Self::MeterChanges => f.write_str("meter"),
            Self::Lash(valve, stage) => write!(f, "lash/{valve}/{}", stage.name()),
            Self::Visit(id) => write!(f, "visit/{id}"),
            Self::SignOff(visit) => write!(f, "sign-off/{visit}"),
            Self::Finding(id) => write!(f, "finding/{id}"),
            Self::FindingCleared(finding) => write!(f, "cleared/{finding}"),
            Self::Note(id) => write!(f, "note/{id}"),
            Self::Photo(id) => write!(f, "photo/{id}"),
            Self::Property => f.write_str("property"),
            Self::EngineCard(card) => write!(f, "card/{card}"),
            Self::Shop => f.write_str("shop"),
            Self::Person(person) => write!(f, "person/{person}"),
            Self::Role(person) => write!(f, "role/{person}"),
            Self::Assignment(person, property) => write!(f, "assignment/{person}/{property}"),
            Self::Device(device) => write!(f, "device/{device}"),
            Self::DeviceRevoked(device) => write!(f, "revoked/{device}"),
            Self::Day(day, part) => write!(f, "day/{day}/{part}"),
            Self::Ruling(of) => write!(f, "ruling/{of}"),
            Self::Void(target) => write!(f, "void/{target}"),
            Self::Other(name) => f.write_str(name),
        }
    }
}

impl Serialize for Slot {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Slot {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer).map(|name| Self::named(&name))
    }
}

#[cfg(feature = "schema")]
impl utoipa::PartialSchema for Slot {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
        let text = utoipa::openapi::ObjectBuilder::new().schema_type(utoipa::openapi::schema::Type::String);
        text.description(Some("A slot's name within its document.")).into()
    }
}

#[cfg(feature = "schema")]
impl utoipa::ToSchema for Slot {}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::any::records;
    use proptest::prelude::*;

    proptest! {
        /// A name is part of what a ruling signs: whatever came in is written again as it came.
        #[test]
        fn a_name_is_passed_on_as_it_came(name in "(ruling/|lash/|day/|visit/|hours|meter|assignment/){0,3}[a-zA-Z0-9/ _-]{0,40}") {
            prop_assert_eq!(Slot::named(&name).to_string(), name);
        }

        /// What a record speaks about is read back from its name as the same slot.
        #[test]
        fn the_slot_of_a_record_is_read_back(record in records()) {
            if let Some(slot) = Slot::of(&record) {
                prop_assert_eq!(Slot::named(&slot.to_string()), slot);
            }
        }
    }

    #[test]
    fn another_spelling_is_another_slot() {
        for name in ["lash/1i/found", "lash/1I/found/", "hours/", "day/2026-1-2/1", "day/2026-01-02/01", "visit/x", ""] {
            assert_eq!(Slot::named(name), Slot::Other(name.to_owned()));
        }
    }
}
