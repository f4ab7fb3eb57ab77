//! Identifiers: one newtype each over a UUID (RFC 9562), all made by one macro so that all parse and print alike.
//!
//! In CBOR an id is a 16-byte string, in JSON its usual text form. The nil and the max UUID (RFC 9562, sections 5.9 and 5.10) are the id of
//! nothing: no text is read as one, and no record may hold one ([`Record::check`](crate::record::Record::check)).

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// A text that is no id.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum IdError {
    /// It is not a UUID.
    #[error("\"{0}\" is not an id: an id is 32 hexadecimal digits, as in 017f22e2-79b0-7cc3-98c4-dc0c0c07398f")]
    NotAnId(String),
    /// It is the nil or the max UUID.
    #[error("{0} is the id of nothing: all its bits are alike. Take the id from a list")]
    NamesNothing(Uuid),
}

/// Whether a UUID is the nil or the max one, which stand for no UUID at all.
#[must_use]
pub const fn names_nothing(id: Uuid) -> bool {
    id.is_nil() || id.is_max()
}

macro_rules! id {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
        #[serde(transparent)]
        pub struct $name(pub Uuid);

        impl $name {
            /// The id with these 16 bytes.
            #[must_use]
            pub const fn from_bytes(bytes: [u8; 16]) -> Self {
                Self(Uuid::from_bytes(bytes))
            }

            /// The 16 bytes of the id.
            #[must_use]
            pub const fn as_bytes(&self) -> &[u8; 16] {
                self.0.as_bytes()
            }

            /// A UUIDv7 from a wall-clock time (ms since 1970 UTC) and ten random bytes.
            #[must_use]
            pub fn from_time(ms: i64, random: [u8; 10]) -> Self {
                let ms = u64::try_from(ms).unwrap_or(0);
                Self(uuid::Builder::from_unix_timestamp_millis(ms, &random).into_uuid())
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.fmt(f)
            }
        }

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, "{}({})", stringify!($name), self.0)
            }
        }

        impl FromStr for $name {
            type Err = IdError;
            fn from_str(text: &str) -> Result<Self, IdError> {
                match Uuid::from_str(text.trim()) {
                    Ok(id) if names_nothing(id) => Err(IdError::NamesNothing(id)),
                    Ok(id) => Ok(Self(id)),
                    Err(_) => Err(IdError::NotAnId(text.to_owned())),
                }
            }
        }
    };
}

id!(
    /// One shop, and so one book.
    ShopId
);
id!(
    /// One Automerge document: a machine, a property, the roster, the engines or the days.
    DocId
);
id!(
    /// One machine; also the id of its document.
    MachineId
);
id!(
    /// One property; also the id of its document.
    PropertyId
);
id!(
    /// One person of the shop. The shop itself speaks under [`PersonId::shop`].
    PersonId
);
id!(
    /// One enrolled device, and so one pair of keys.
    DeviceId
);
id!(
    /// One engine card.
    CardId
);
id!(
    /// One record.
    RecordId
);

/// The bytes of an id that name the device which made it: those between a UUIDv7's time and its last four.
const MARK: std::ops::Range<usize> = 6..12;

impl DeviceId {
    /// An id that this device gives to a record, or to a document that it founds: a UUIDv7 from a wall-clock time (ms since 1970 UTC)
    /// and random bytes, with bytes 6 to 11 (from 0) of the device's own id. So nobody can take the id of a record that is still on its
    /// way. The last four bytes are random: what one device makes in one millisecond is held apart by them.
    ///
    /// ```
    /// use shared::ids::DeviceId;
    /// let (device, other) = (DeviceId::from_bytes([7; 16]), DeviceId::from_bytes([8; 16]));
    /// let id = device.make(1_790_000_000_000, [1; 10]);
    /// assert!(device.made(id) && !other.made(id));
    /// ```
    #[must_use]
    pub fn make(self, ms: i64, random: [u8; 10]) -> Uuid {
        let mut bytes = *RecordId::from_time(ms, random).as_bytes();
        bytes[MARK].copy_from_slice(&self.as_bytes()[MARK]);
        Uuid::from_bytes(bytes)
    }

    /// Whether an id is one that this device may give.
    #[must_use]
    pub fn made(self, id: Uuid) -> bool {
        id.as_bytes()[MARK] == self.as_bytes()[MARK]
    }
}

impl MachineId {
    /// The machine's document.
    #[must_use]
    pub const fn doc(self) -> DocId {
        DocId(self.0)
    }
}

impl PropertyId {
    /// The property's document.
    #[must_use]
    pub const fn doc(self) -> DocId {
        DocId(self.0)
    }
}

impl PersonId {
    /// The author of what the shop's server itself states (arrivals, enrolled devices).
    #[must_use]
    pub const fn shop(shop: ShopId) -> Self {
        Self(shop.0)
    }
}

impl ShopId {
    /// The document that holds people, devices, roles and assignments: UUIDv5 of the shop id and "roster".
    #[must_use]
    pub fn roster(self) -> DocId {
        DocId(Uuid::new_v5(&self.0, b"roster"))
    }

    /// The document that holds the engine cards: UUIDv5 of the shop id and "engines".
    #[must_use]
    pub fn engines(self) -> DocId {
        DocId(Uuid::new_v5(&self.0, b"engines"))
    }

    /// The document that holds the closings of days: UUIDv5 of the shop id and "days".
    #[must_use]
    pub fn days(self) -> DocId {
        DocId(Uuid::new_v5(&self.0, b"days"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 9562, appendix A.6: the UUIDv7 of 2022-02-22T19:22:22Z (read in the working group's draft 14).
    #[test]
    fn uuid_v7_of_the_rfc() {
        let mut random = [0u8; 10];
        random.copy_from_slice(&hex::decode("0cc318c4dc0c0c07398f").unwrap());
        let id = RecordId::from_time(1_645_557_742_000, random);
        assert_eq!(id.to_string(), "017f22e2-79b0-7cc3-98c4-dc0c0c07398f");
    }

    #[test]
    fn a_wrong_id_is_named() {
        let error = RecordId::from_str("12-zz").unwrap_err();
        assert!(error.to_string().starts_with("\"12-zz\" is not an id"));
    }

    #[test]
    fn what_names_nothing_is_no_id() {
        for bits in ["0", "f", "F"] {
            let error = RecordId::from_str(&bits.repeat(32)).unwrap_err();
            assert!(matches!(error, IdError::NamesNothing(_)) && error.to_string().contains("the id of nothing"), "{error}");
        }
        RecordId::from_str(&format!("{}1", "0".repeat(31))).unwrap();
    }
}
