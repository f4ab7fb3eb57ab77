//! Deterministic CBOR (RFC 8949 §4.2.1): shortest integers, definite lengths, map keys in the bytewise order of
//! their encodings (which is not the older length-first order), no duplicate keys. Other bytes are refused.
//!
//! Floats and tags are outside what this book writes, and are refused too.

use ciborium::Value;
use serde::Serialize;
use serde::de::DeserializeOwned;

/// Deepest nesting that is read. A record nests four deep.
const DEEPEST: usize = 16;

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
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn key_order(keys: Vec<Value>) -> Vec<Value> {
        let map = Value::Map(keys.into_iter().map(|k| (k, Value::Null)).collect());
        let Value::Map(entries) = sorted(map).unwrap() else { unreachable!() };
        entries.into_iter().map(|(k, _)| k).collect()
    }

    /// The example of RFC 8949 §4.2.1 (read in the working group's draft): 10, 100, -1, "z", "aa", [100], [-1], false.
    #[test]
    fn keys_sort_bytewise_as_in_the_rfc() {
        let int = |i: i64| Value::Integer(i.into());
        let rfc = vec![
            int(10),
            int(100),
            int(-1),
            Value::Text("z".into()),
            Value::Text("aa".into()),
            Value::Array(vec![int(100)]),
            Value::Array(vec![int(-1)]),
            Value::Bool(false),
        ];
        let mut shuffled = rfc.clone();
        shuffled.reverse();
        assert_eq!(key_order(shuffled), rfc);
    }

    /// RFC 8949 appendix A rows that are well-formed and not deterministic, or not what we take.
    #[test]
    fn other_encodings_are_refused() {
        for (hex_text, why) in [
            ("1800", "0 in two bytes"),
            ("1900ff", "255 in three bytes"),
            ("5f4101ff", "indefinite byte string"),
            ("9fff", "indefinite array"),
            ("bf6161 01ff", "indefinite map"),
            ("a2616201616102", "keys out of order"),
            ("a2616101616102", "a key twice"),
            ("f93c00", "a float"),
            ("c11a514b67b0", "a tag"),
            ("0000", "two items"),
            ("", "nothing"),
            ("a16161", "cut short"),
        ] {
            let bytes = hex::decode(hex_text.replace(' ', "")).unwrap();
            assert!(decode_value(&bytes).is_err(), "{why}");
        }
        assert!(decode_value(&[0x81; 4096]).is_err(), "nested without end");
    }

    proptest! {
        #[test]
        fn no_bytes_panic_and_what_is_read_writes_back(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            if let Ok(value) = decode_value(&bytes) {
                prop_assert_eq!(encode_value(value).unwrap(), bytes);
            }
        }
    }
}
