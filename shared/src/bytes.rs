//! Fixed byte strings: a byte string in CBOR, hexadecimal in JSON.

use std::fmt;

use serde::de::{self, Visitor};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Thirty-two bytes: an Ed25519 public key, a change hash or a SHA-256.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Bytes32(pub [u8; 32]);

/// Sixteen bytes that are not a UUID: an Automerge actor.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Bytes16(pub [u8; 16]);

macro_rules! fixed {
    ($name:ident, $len:literal) => {
        impl $name {
            /// From a slice of exactly the right length.
            #[must_use]
            pub fn from_slice(bytes: &[u8]) -> Option<Self> {
                bytes.try_into().ok().map(Self)
            }
        }

        impl std::str::FromStr for $name {
            type Err = hex::FromHexError;

            fn from_str(text: &str) -> Result<Self, Self::Err> {
                let mut bytes = [0; $len];
                hex::decode_to_slice(text, &mut bytes)?;
                Ok(Self(bytes))
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&hex::encode(self.0))
            }
        }

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                fmt::Display::fmt(self, f)
            }
        }

        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                if serializer.is_human_readable() {
                    serializer.serialize_str(&hex::encode(self.0))
                } else {
                    serializer.serialize_bytes(&self.0)
                }
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                struct Fixed;
                impl Visitor<'_> for Fixed {
                    type Value = $name;
                    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                        write!(f, "{} bytes", $len)
                    }
                    fn visit_bytes<E: de::Error>(self, v: &[u8]) -> Result<$name, E> {
                        $name::from_slice(v).ok_or_else(|| E::invalid_length(v.len(), &self))
                    }
                    fn visit_str<E: de::Error>(self, v: &str) -> Result<$name, E> {
                        let bytes = hex::decode(v).map_err(E::custom)?;
                        $name::from_slice(&bytes).ok_or_else(|| E::invalid_length(bytes.len(), &self))
                    }
                }
                if deserializer.is_human_readable() { deserializer.deserialize_str(Fixed) } else { deserializer.deserialize_bytes(Fixed) }
            }
        }
    };
}

#[cfg(feature = "schema")]
macro_rules! schema {
    ($name:ident, $pattern:literal, $what:literal) => {
        impl utoipa::PartialSchema for $name {
            fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
                let text = utoipa::openapi::ObjectBuilder::new().schema_type(utoipa::openapi::schema::Type::String);
                text.pattern(Some($pattern)).description(Some($what)).into()
            }
        }

        impl utoipa::ToSchema for $name {}
    };
}

#[cfg(feature = "schema")]
schema!(Bytes32, "^[0-9a-fA-F]{64}$", "Thirty-two bytes in hexadecimal: an Ed25519 public key or a hash.");
#[cfg(feature = "schema")]
schema!(Bytes16, "^[0-9a-fA-F]{32}$", "Sixteen bytes in hexadecimal.");

fixed!(Bytes32, 32);
fixed!(Bytes16, 16);

/// Any byte string: a byte string in CBOR, hexadecimal in JSON.
#[derive(Clone, PartialEq, Eq, Hash, Default)]
pub struct Blob(pub Vec<u8>);

impl fmt::Debug for Blob {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Blob({} bytes)", self.0.len())
    }
}

impl Serialize for Blob {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        if serializer.is_human_readable() { serializer.serialize_str(&hex::encode(&self.0)) } else { serializer.serialize_bytes(&self.0) }
    }
}

impl<'de> Deserialize<'de> for Blob {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Any;
        impl Visitor<'_> for Any {
            type Value = Blob;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a byte string")
            }
            fn visit_bytes<E: de::Error>(self, v: &[u8]) -> Result<Blob, E> {
                Ok(Blob(v.to_vec()))
            }
            fn visit_byte_buf<E: de::Error>(self, v: Vec<u8>) -> Result<Blob, E> {
                Ok(Blob(v))
            }
            fn visit_str<E: de::Error>(self, v: &str) -> Result<Blob, E> {
                hex::decode(v).map(Blob).map_err(E::custom)
            }
        }
        if deserializer.is_human_readable() { deserializer.deserialize_str(Any) } else { deserializer.deserialize_byte_buf(Any) }
    }
}
