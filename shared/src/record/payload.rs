//! The payload: how a record becomes the bytes that are signed, and how such bytes become a record.
//!
//! The quick ways here take the one spelling of a record and nothing else. Bytes that they do not take go the slow way over
//! trees of values, which defines what is accepted and says what is wrong.

use cbor4ii::core::dec::Read;
use cbor4ii::core::utils::SliceReader;
use cbor4ii::serde::Deserializer;
use ciborium::Value;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::{Body, ClockEvidence, Record, RecordError};
use crate::cbor::walk::{ARRAY, BYTES, MAP, NEGATIVE, TEXT, UNSIGNED, head, slice, take};
use crate::cbor::written::{put_bytes, put_head, put_int, put_text};
use crate::cbor::{self, CborError, DEEPEST};
use crate::ids::{DocId, PersonId, RecordId};

/// The payload as it is signed. Field names are the wire's.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Payload {
    id: RecordId,
    doc: DocId,
    kind: String,
    v: u32,
    by: PersonId,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    measured_by: Option<PersonId>,
    at: i64,
    clock: ClockEvidence,
    seen: Vec<RecordId>,
    body: Value,
}

/// The payload's fields, taken from its bytes.
struct Fields<'a> {
    v: u32,
    at: i64,
    by: Uuid,
    id: Uuid,
    doc: Uuid,
    body: &'a [u8],
    kind: &'a str,
    seen: Vec<RecordId>,
    clock: ClockEvidence,
    measured_by: Option<Uuid>,
}

/// What a map of so many entries begins with.
const NINE: u8 = MAP << 5 | 9;
const TEN: u8 = MAP << 5 | 10;

impl Record {
    /// The payload, as deterministic CBOR.
    ///
    /// # Errors
    /// [`RecordError`] where the content cannot be.
    pub fn encode(&self) -> Result<Vec<u8>, RecordError> {
        self.check()?;
        Ok(self.written()?)
    }

    /// The payload of any content, its fields in the order that [`Fields::take`] expects.
    pub(super) fn written(&self) -> Result<Vec<u8>, CborError> {
        let mut out = Vec::with_capacity(512);
        out.push(if self.measured_by.is_some() { TEN } else { NINE });
        put_text(&mut out, "v");
        put_head(&mut out, UNSIGNED, u64::from(self.body.version()));
        put_text(&mut out, "at");
        put_int(&mut out, self.at_ms);
        put_text(&mut out, "by");
        put_bytes(&mut out, self.by.as_bytes());
        put_text(&mut out, "id");
        put_bytes(&mut out, self.id.as_bytes());
        put_text(&mut out, "doc");
        put_bytes(&mut out, self.doc.as_bytes());
        put_text(&mut out, "body");
        self.body.append_to(&mut out)?;
        put_text(&mut out, "kind");
        put_text(&mut out, self.body.kind());
        put_text(&mut out, "seen");
        put_head(&mut out, ARRAY, self.seen.len() as u64);
        for seen in &self.seen {
            put_bytes(&mut out, seen.as_bytes());
        }
        put_text(&mut out, "clock");
        self.clock.append_to(&mut out);
        if let Some(measurer) = self.measured_by {
            put_text(&mut out, "measured_by");
            put_bytes(&mut out, measurer.as_bytes());
        }
        Ok(out)
    }

    /// The payload by way of trees of values, put in order there: what [`Record::written`] is held to.
    pub(super) fn written_slowly(&self) -> Result<Vec<u8>, CborError> {
        let payload = Payload {
            id: self.id,
            doc: self.doc,
            kind: self.body.kind().to_owned(),
            v: self.body.version(),
            by: self.by,
            measured_by: self.measured_by,
            at: self.at_ms,
            clock: self.clock,
            seen: self.seen.clone(),
            body: self.body.to_value()?,
        };
        cbor::encode_slowly(&payload)
    }

    /// Reads a payload, refusing what is not deterministic CBOR of this shape.
    ///
    /// The content is *not* checked here, so that a record refused elsewhere can still be read and shown:
    /// admission calls [`Record::check`].
    ///
    /// # Errors
    /// [`RecordError::Cbor`].
    pub fn decode(bytes: &[u8]) -> Result<Self, RecordError> {
        match Self::taken(bytes) {
            // A field that is null, or false where absent says the same, would be a second spelling of one record.
            Some(record) if record.written().is_ok_and(|again| again == bytes) => Ok(record),
            _ => Self::decode_slowly(bytes),
        }
    }

    /// Reads a payload that [`Record::decode`] has taken before, without judging its form again.
    ///
    /// For bytes of the program's own store alone, which holds nothing that did not pass [`Record::decode`] on its way in.
    /// Never for what another device sent: of a record spelled in a second way this may take both spellings, and two
    /// devices would then hold different bytes for one record.
    ///
    /// # Errors
    /// [`RecordError::Cbor`], where the store has been damaged.
    pub fn read_back(bytes: &[u8]) -> Result<Self, RecordError> {
        Self::taken(bytes).map_or_else(|| Self::decode_slowly(bytes), Ok)
    }

    /// The record of bytes whose fields stand as they are written; its body may still be spelled in a second way.
    fn taken(bytes: &[u8]) -> Option<Self> {
        let fields = Fields::take(bytes)?;
        Some(Self {
            id: RecordId(fields.id),
            doc: DocId(fields.doc),
            by: PersonId(fields.by),
            measured_by: fields.measured_by.map(PersonId),
            at_ms: fields.at,
            clock: fields.clock,
            seen: fields.seen,
            body: Body::read(fields.kind, fields.v, fields.body)?,
        })
    }

    /// The definition of what is taken: what reads as a tree of values, and is written from the record as it came.
    pub(super) fn decode_slowly(bytes: &[u8]) -> Result<Self, RecordError> {
        let payload: Payload = cbor::from_value(&cbor::decode_slowly(bytes)?)?;
        let record = Self {
            id: payload.id,
            doc: payload.doc,
            by: payload.by,
            measured_by: payload.measured_by,
            at_ms: payload.at,
            clock: payload.clock,
            seen: payload.seen,
            body: Body::from_value(payload.kind, payload.v, payload.body)?,
        };
        if record.written_slowly()? == bytes { Ok(record) } else { Err(CborError::NotDeterministic.into()) }
    }
}

impl<'a> Fields<'a> {
    /// Takes the fields of a payload: there is one order in which they stand, and one form of each.
    fn take(bytes: &'a [u8]) -> Option<Self> {
        let (&count, rest) = bytes.split_first()?;
        if count != NINE && count != TEN {
            return None;
        }
        let mut rest = rest;
        let rest = &mut rest;
        let fields = Self {
            v: u32::try_from(named(rest, b"\x61v").and_then(int)?).ok()?,
            at: named(rest, b"\x62at").and_then(int)?,
            by: named(rest, b"\x62by").and_then(id)?,
            id: named(rest, b"\x62id").and_then(id)?,
            doc: named(rest, b"\x63doc").and_then(id)?,
            body: slice(named(rest, b"\x64body")?, DEEPEST - 1)?,
            kind: named(rest, b"\x64kind").and_then(text)?,
            seen: named(rest, b"\x64seen").and_then(ids)?,
            clock: named(rest, b"\x65clock").and_then(ClockEvidence::take)?,
            measured_by: if count == TEN { Some(named(rest, b"\x6bmeasured_by").and_then(id)?) } else { None },
        };
        rest.is_empty().then_some(fields)
    }
}

impl ClockEvidence {
    fn append_to(&self, out: &mut Vec<u8>) {
        let given = [self.offset_ms, self.contact_ms, self.uncertainty_ms].into_iter().flatten().count();
        let count = given + usize::from(self.stepped);
        put_head(out, MAP, count as u64);
        if self.stepped {
            out.extend_from_slice(b"\x67stepped\xf5");
        }
        for (name, value) in [("offset_ms", self.offset_ms), ("contact_ms", self.contact_ms), ("uncertainty_ms", self.uncertainty_ms)] {
            if let Some(ms) = value {
                put_text(out, name);
                put_int(out, ms);
            }
        }
    }

    fn take(rest: &mut &[u8]) -> Option<Self> {
        let (MAP, count) = head(rest)? else { return None };
        let mut clock = Self::default();
        let mut taken = 0;
        if named(rest, b"\x67stepped\xf5").is_some() {
            clock.stepped = true;
            taken += 1;
        }
        if let Some(rest) = named(rest, b"\x69offset_ms") {
            clock.offset_ms = Some(int(rest)?);
            taken += 1;
        }
        if let Some(rest) = named(rest, b"\x6acontact_ms") {
            clock.contact_ms = Some(int(rest)?);
            taken += 1;
        }
        if let Some(rest) = named(rest, b"\x6euncertainty_ms") {
            clock.uncertainty_ms = Some(int(rest)?);
            taken += 1;
        }
        (count == taken).then_some(clock)
    }
}

/// Passes over a field's name, as encoded, to its value; where another stands there nothing is passed over.
fn named<'r, 'a>(rest: &'r mut &'a [u8], name: &[u8]) -> Option<&'r mut &'a [u8]> {
    *rest = rest.strip_prefix(name)?;
    Some(rest)
}

fn int(rest: &mut &[u8]) -> Option<i64> {
    match head(rest)? {
        (UNSIGNED, argument) => i64::try_from(argument).ok(),
        (NEGATIVE, argument) => i64::try_from(argument).ok().map(|argument| !argument),
        _ => None,
    }
}

fn id(rest: &mut &[u8]) -> Option<Uuid> {
    let (BYTES, 16) = head(rest)? else { return None };
    Uuid::from_slice(take(rest, 16)?).ok()
}

fn ids(rest: &mut &[u8]) -> Option<Vec<RecordId>> {
    let (ARRAY, count) = head(rest)? else { return None };
    // Each takes 17 bytes: a claimed count gets no more room than its bytes have.
    let count = usize::try_from(count).ok().filter(|count| *count <= rest.len() / 17)?;
    let mut ids = Vec::with_capacity(count);
    for _ in 0..count {
        ids.push(RecordId(id(rest)?));
    }
    Some(ids)
}

fn text<'a>(rest: &mut &'a [u8]) -> Option<&'a str> {
    let (TEXT, length) = head(rest)? else { return None };
    std::str::from_utf8(take(rest, length)?).ok()
}

/// A body's type from its bytes, all of them.
pub(super) fn read<T: DeserializeOwned>(bytes: &[u8]) -> Option<T> {
    let mut reader = Deserializer::new(SliceReader::new(bytes));
    let value = T::deserialize(&mut reader).ok()?;
    reader.into_inner().fill(1).is_ok_and(|rest| rest.as_ref().is_empty()).then_some(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_body_is_all_of_its_bytes() {
        assert_eq!(read::<u32>(&[0x07]), Some(7));
        assert_eq!(read::<u32>(&[0x07, 0x00]), None);
        assert_eq!(read::<u32>(&[]), None);
    }
}
