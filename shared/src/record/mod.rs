//! Records: everything that anybody states, immutable, append-only and signed. One file per group of kinds.
//!
//! This module is the envelope's payload and the list of kinds. How a payload is signed is `sync-core`'s matter.

#[cfg(any(test, feature = "strategies"))]
pub mod any;
mod book_keeping;
mod day;
mod measuring;
mod named;
mod payload;
mod people;
mod places;
mod settling;

use ciborium::Value;
use serde::{Deserialize, Serialize};

pub use book_keeping::{Arrival, Note, Photo, Receipted};
pub use day::{Covered, DayClosed, DayCounts, MOST_COVERED, MOST_HEADS, MOST_PARTS};
pub use measuring::{Clearance, Finding, FindingCleared, FindingKind, HourReading, MeterChange, SignOff, Stage, Visit};
pub use people::{Assignment, Device, DeviceRevoked, Person, RoleGrant, ShopCard, USUAL_LEVEL_MILLI, USUAL_WINDOW_MIN};
pub use places::{MachineCard, PropertyCard};
pub use settling::{Decision, Ruling, Void};

use crate::cbor::{self, CborError};
use crate::engine_card::EngineCard;
use crate::ids::{DocId, PersonId, RecordId};
use crate::usage::{Between, Season};

/// The latest time that a record may name, the year 3000, in ms since 1970 UTC.
pub(crate) const LATEST_MS: i64 = 32_503_680_000_000;

/// The longest text in a record, in bytes.
pub const LONGEST_TEXT: usize = 4_000;
/// The largest signed record, in bytes.
pub const LARGEST_RECORD: usize = 64 * 1024;
/// The most tips a record may name as seen.
pub const MOST_SEEN: usize = 64;
/// The most records that one ruling names.
pub const MOST_NAMED: usize = 1_024;
/// The most records that one arrival names: with the hash of each it stays below [`LARGEST_RECORD`].
pub const MOST_RECEIPTED: usize = 512;

/// What the device knew of its own clock when it wrote.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, Default)]
#[serde(deny_unknown_fields)]
pub struct ClockEvidence {
    /// Shop time minus device time at last contact, in ms; `None` before any contact.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub offset_ms: Option<i64>,
    /// Shop time of that contact, in ms since 1970 UTC: the record is no older, whatever the clock says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub contact_ms: Option<i64>,
    /// How far off the offset may be, in ms.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub uncertainty_ms: Option<i64>,
    /// The wall clock was moved, or the device restarted, since that contact.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub stepped: bool,
}

/// One statement by one person on one device.
#[derive(Debug, Clone, PartialEq)]
pub struct Record {
    /// UUIDv7 of the record.
    pub id: RecordId,
    /// The document it belongs to.
    pub doc: DocId,
    /// Who states it.
    pub by: PersonId,
    /// Who measured, where the office transcribes a paper sheet.
    pub measured_by: Option<PersonId>,
    /// Device wall clock, ms since 1970 UTC.
    pub at_ms: i64,
    /// What the device knew of its clock.
    pub clock: ClockEvidence,
    /// The tips of the same slot that the device knew when it wrote.
    pub seen: Vec<RecordId>,
    /// What is stated.
    pub body: Body,
}

/// A record of a kind or version that this program does not know: carried and passed on, never judged.
#[derive(Debug, Clone, PartialEq)]
pub struct UnknownBody {
    /// Its kind.
    pub kind: String,
    /// Its version.
    pub v: u32,
    /// Its body, untouched.
    pub body: Value,
}

/// A record whose bytes or content cannot be taken.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum RecordError {
    /// Not deterministic CBOR of the envelope's shape.
    #[error(transparent)]
    Cbor(#[from] CborError),
    /// The shape is right and the content is not.
    #[error("{0}")]
    Content(String),
}

macro_rules! kinds {
    ($($variant:ident($body:ty) = $name:literal, $v:literal;)+) => {
        /// What is stated: one variant per kind of record.
        #[derive(Debug, Clone, PartialEq)]
        #[expect(missing_docs, reason = "each variant is documented by the type that it holds")]
        pub enum Body {
            $($variant($body),)+
            Unknown(UnknownBody),
        }

        impl Body {
            /// The kinds that this version understands.
            pub const KINDS: &[&str] = &[$($name),+];

            /// The kind's name on the wire.
            #[must_use]
            pub fn kind(&self) -> &str {
                match self {
                    $(Self::$variant(_) => $name,)+
                    Self::Unknown(unknown) => &unknown.kind,
                }
            }

            /// The schema version of the kind.
            #[must_use]
            pub const fn version(&self) -> u32 {
                match self {
                    $(Self::$variant(_) => $v,)+
                    Self::Unknown(unknown) => unknown.v,
                }
            }

            /// The body as a CBOR value.
            ///
            /// # Errors
            /// [`CborError::Shape`] never in practice: every body has a CBOR form.
            pub fn to_value(&self) -> Result<Value, CborError> {
                match self {
                    $(Self::$variant(body) => cbor::to_value(body),)+
                    Self::Unknown(unknown) => Ok(unknown.body.clone()),
                }
            }

            fn from_value(kind: String, v: u32, body: Value) -> Result<Self, CborError> {
                match (kind.as_str(), v) {
                    $(($name, $v) => cbor::from_value(&body).map(Self::$variant),)+
                    _ => Ok(Self::Unknown(UnknownBody { kind, v, body })),
                }
            }

            /// The body of this kind and version from its own bytes; `None` where it does not read.
            fn read(kind: &str, v: u32, bytes: &[u8]) -> Option<Self> {
                match (kind, v) {
                    $(($name, $v) => payload::read(bytes).map(Self::$variant),)+
                    _ => Some(Self::Unknown(UnknownBody { kind: kind.to_owned(), v, body: payload::read(bytes)? })),
                }
            }

            /// Appends the body as deterministic CBOR.
            fn append_to(&self, out: &mut Vec<u8>) -> Result<(), CborError> {
                match self {
                    $(Self::$variant(body) => cbor::append(out, body),)+
                    Self::Unknown(unknown) => cbor::append(out, &unknown.body),
                }
            }

            fn check_known(&self) -> Result<(), String> {
                match self {
                    $(Self::$variant(body) => Check::check(body),)+
                    Self::Unknown(_) => Ok(()),
                }
            }
        }

        $(impl From<$body> for Body {
            fn from(body: $body) -> Self {
                Self::$variant(body)
            }
        })+
    };
}

kinds! {
    Shop(ShopCard) = "shop", 1;
    Person(Person) = "person", 1;
    Role(RoleGrant) = "role", 1;
    Device(Box<Device>) = "device", 1;
    DeviceRevoked(DeviceRevoked) = "device-revoked", 1;
    Assignment(Assignment) = "assignment", 1;
    EngineCard(Box<EngineCard>) = "engine-card", 1;
    Property(PropertyCard) = "property", 1;
    Machine(MachineCard) = "machine", 1;
    Visit(Visit) = "visit", 1;
    SignOff(SignOff) = "sign-off", 1;
    Hours(HourReading) = "hours", 1;
    MeterChange(MeterChange) = "meter-change", 1;
    Clearance(Clearance) = "clearance", 1;
    Finding(Finding) = "finding", 1;
    FindingCleared(FindingCleared) = "finding-cleared", 1;
    Note(Note) = "note", 1;
    Photo(Photo) = "photo", 1;
    Void(Void) = "void", 1;
    Ruling(Ruling) = "ruling", 1;
    Arrival(Arrival) = "arrival", 1;
    DayClosed(Box<DayClosed>) = "day-closed", 1;
}

/// What a body must satisfy beyond its shape, said in a sentence.
// Rare kinds are much larger than the readings and hours that a book is full of: boxed, they do not make every record so large.
macro_rules! boxed {
    ($($body:ident)+) => {
        $(impl From<$body> for Body {
            fn from(body: $body) -> Self {
                Self::$body(Box::new(body))
            }
        })+
    };
}

boxed! { Device EngineCard DayClosed }

trait Check {
    fn check(&self) -> Result<(), String>;
}

impl<T: Check> Check for Box<T> {
    fn check(&self) -> Result<(), String> {
        T::check(self)
    }
}

impl Check for EngineCard {
    fn check(&self) -> Result<(), String> {
        text("engine card name", &self.name)?;
        if let Some(source) = &self.source {
            text("manual", &source.manual)?;
            text("page", &source.page)?;
        }
        self.check().map_err(|e| e.to_string())
    }
}

/// A text that is present and not too long.
fn text(what: &str, given: &str) -> Result<(), String> {
    if given.trim().is_empty() {
        return Err(format!("the {what} is empty"));
    }
    optional_text(what, given)
}

/// A text that may be empty, is not too long and holds nothing that misleads.
fn season(between: Option<Between>) -> Result<(), String> {
    Season { between, ..Season::default() }.check().map_err(|error| error.to_string())
}

fn optional_text(what: &str, given: &str) -> Result<(), String> {
    if given.len() > LONGEST_TEXT {
        return Err(format!("the {what} is over {LONGEST_TEXT} bytes"));
    }
    match crate::text::fault(given) {
        None => Ok(()),
        Some(character) => Err(format!(
            "the {what} has a character that cannot be seen or turns what is read ({character}): a control, a mark of direction, or one without width"
        )),
    }
}

impl Record {
    /// Whether the record's content can be, beyond its shape.
    ///
    /// # Errors
    /// [`RecordError::Content`] with a sentence.
    pub fn check(&self) -> Result<(), RecordError> {
        let content = |sentence: String| Err(RecordError::Content(sentence));
        if self.seen.len() > MOST_SEEN {
            return content(format!("a record names at most {MOST_SEEN} records that it has seen"));
        }
        if self.seen.contains(&self.id) {
            return content("a record cannot have seen itself".to_owned());
        }
        if self.at_ms < 0 || self.at_ms > LATEST_MS {
            return content("the record's time lies outside the years 1970 to 3000".to_owned());
        }
        const YEARS_MS: i64 = 100 * 366 * 86_400_000;
        if self.clock.offset_ms.is_some_and(|ms| ms.unsigned_abs() > YEARS_MS.unsigned_abs())
            || self.clock.uncertainty_ms.is_some_and(|ms| !(0..=YEARS_MS).contains(&ms))
            || self.clock.contact_ms.is_some_and(|ms| !(0..=LATEST_MS).contains(&ms))
        {
            return content("the record's clock evidence is beyond a century".to_owned());
        }
        if let Some(character) = crate::text::fault(self.body.kind()) {
            return content(format!("the record's kind has a character that misleads ({character})"));
        }
        self.check_ids().and_then(|()| self.body.check_known()).or_else(content)
    }

    /// Who measured: `measured_by` where the office transcribed, else the author.
    #[must_use]
    pub fn measurer(&self) -> PersonId {
        self.measured_by.unwrap_or(self.by)
    }
}

#[cfg(test)]
mod tests;
