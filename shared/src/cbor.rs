//! Deterministic CBOR (RFC 8949 §4.2.1): shortest integers, definite lengths, map keys in the bytewise order of
//! their encodings (which is not the older length-first order), no duplicate keys. Other bytes are refused.
//!
//! Floats and tags are outside what this book writes, and are refused too.
//!
//! There are two ways to the same answer. [`walk`] says yes in one walk over the bytes; where it does not, the slow way
//! reads everything to a tree, writes the tree, and says what is wrong. The tests hold the two together.

pub(crate) mod walk;
pub(crate) mod written;

use ciborium::Value;
use serde::Serialize;
use serde::de::DeserializeOwned;

/// Deepest nesting that is read. A record nests four deep.
pub(crate) const DEEPEST: usize = 16;

/// Bytes that are not deterministic CBOR of the expected shape.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CborError {
    /// Not CBOR at all, cut short, or nested too deep.
    #[error("the bytes are not CBOR: {0}")]
    Malformed(String),
    /// Well-formed, and not in the one form that RFC 8949 §4.2.1 allows.
    #[error("the bytes are CBOR but not in deterministic form (RFC 8949 section 4.2.1)")]
    NotDeterministic,
    /// Deterministic, and not of the expected shape.
    #[error("the CBOR has another shape than expected: {0}")]
    Shape(String),
}

/// A value as deterministic CBOR.
///
/// # Errors
/// [`CborError::Shape`] for what this book does not write: floats, tags, duplicate map keys.
pub fn encode<T: Serialize>(value: &T) -> Result<Vec<u8>, CborError> {
    let mut bytes = Vec::new();
    append(&mut bytes, value)?;
    Ok(bytes)
}

/// Appends a value as deterministic CBOR; on an error nothing is appended.
pub(crate) fn append<T: Serialize>(bytes: &mut Vec<u8>, value: &T) -> Result<(), CborError> {
    let mut unsorted = Vec::with_capacity(256);
    if ciborium::into_writer(value, &mut unsorted).is_ok() && written::append_sorted(bytes, &unsorted).is_some() {
        return Ok(());
    }
    bytes.extend_from_slice(&encode_slowly(value)?);
    Ok(())
}

pub(crate) fn encode_slowly<T: Serialize>(value: &T) -> Result<Vec<u8>, CborError> {
    encode_value(to_value(value)?)
}

/// Any serialisable thing as a CBOR value.
///
/// # Errors
/// [`CborError::Shape`] where it has no CBOR form.
pub fn to_value<T: Serialize>(value: &T) -> Result<Value, CborError> {
    Value::serialized(value).map_err(|e| CborError::Shape(e.to_string()))
}

/// A CBOR value read as a type.
///
/// # Errors
/// [`CborError::Shape`] where it is of another shape.
pub fn from_value<T: DeserializeOwned>(value: &Value) -> Result<T, CborError> {
    value.deserialized().map_err(|e| CborError::Shape(e.to_string()))
}

fn encode_value(value: Value) -> Result<Vec<u8>, CborError> {
    let mut bytes = Vec::new();
    ciborium::into_writer(&sorted(value)?, &mut bytes).map_err(|e| CborError::Shape(e.to_string()))?;
    Ok(bytes)
}

/// Reads deterministic CBOR, refusing every other encoding of the same value.
///
/// # Errors
/// [`CborError`]; nothing is taken from refused bytes.
pub fn decode<T: DeserializeOwned>(bytes: &[u8]) -> Result<T, CborError> {
    from_value(&decode_value(bytes)?)
}

/// As [`decode`], to a CBOR value.
///
/// # Errors
/// [`CborError`]; nothing is taken from refused bytes.
pub fn decode_value(bytes: &[u8]) -> Result<Value, CborError> {
    if !walk::is_deterministic(bytes) {
        return decode_slowly(bytes);
    }
    ciborium::de::from_reader_with_recursion_limit(bytes, DEEPEST).map_err(|e| CborError::Malformed(e.to_string()))
}

/// Whether bytes are deterministic CBOR, of any shape.
///
/// Costs one walk over the bytes where they are; finding out why they are not costs reading and writing them.
///
/// # Errors
/// As [`decode_value`].
pub fn check(bytes: &[u8]) -> Result<(), CborError> {
    if walk::is_deterministic(bytes) { Ok(()) } else { decode_slowly(bytes).map(|_| ()) }
}

/// The definition of what is taken: what reads as a tree and is written from it as it came.
pub(crate) fn decode_slowly(bytes: &[u8]) -> Result<Value, CborError> {
    let mut rest = bytes;
    let value: Value =
        ciborium::de::from_reader_with_recursion_limit(&mut rest, DEEPEST).map_err(|e| CborError::Malformed(e.to_string()))?;
    if !rest.is_empty() {
        return Err(CborError::Malformed("something follows the end".to_owned()));
    }
    match encode_value(value.clone()) {
        Ok(again) if again == bytes => Ok(value),
        Ok(_) => Err(CborError::NotDeterministic),
        Err(error) => Err(error),
    }
}

fn sorted(value: Value) -> Result<Value, CborError> {
    Ok(match value {
        Value::Map(entries) => {
            let mut keyed = Vec::with_capacity(entries.len());
            for (key, value) in entries {
                let mut encoded = Vec::new();
                let key = sorted(key)?;
                ciborium::into_writer(&key, &mut encoded).map_err(|e| CborError::Shape(e.to_string()))?;
                keyed.push((encoded, key, sorted(value)?));
            }
            keyed.sort_by(|a, b| a.0.cmp(&b.0));
            if keyed.windows(2).any(|pair| pair[0].0 == pair[1].0) {
                return Err(CborError::Shape("a map names the same key twice".to_owned()));
            }
            Value::Map(keyed.into_iter().map(|(_, key, value)| (key, value)).collect())
        }
        Value::Array(items) => Value::Array(items.into_iter().map(sorted).collect::<Result<_, _>>()?),
        Value::Float(_) => return Err(CborError::Shape("a floating-point number".to_owned())),
        Value::Tag(..) => return Err(CborError::Shape("a tag".to_owned())),
        other => other,
    })
}

#[cfg(test)]
mod tests;
