//! What a record's bytes are, and that the quick and the slow way over them agree.

use std::collections::BTreeMap;

use proptest::prelude::*;
use proptest::strategy::ValueTree;

use super::any::records;
use super::*;
use crate::bytes::Bytes32;
use crate::length::Length;

fn reading() -> Record {
    Record {
        id: RecordId::from_bytes([1; 16]),
        doc: DocId::from_bytes([2; 16]),
        by: PersonId::from_bytes([3; 16]),
        measured_by: None,
        at_ms: 1_790_000_000_000,
        clock: ClockEvidence { offset_ms: Some(-1_500), contact_ms: Some(1_780_300_000_000), uncertainty_ms: Some(40), stepped: false },
        seen: vec![RecordId::from_bytes([4; 16])],
        body: Body::Clearance(Clearance {
            valve: "1I".parse().unwrap(),
            stage: Stage::Found,
            go: Some(Length::from_thou(5)),
            no_go: Some(Length::from_thou(6)),
            leaves: vec![],
            cold: true,
            engine_tenth_c: None,
            adjusted: false,
            visit: None,
        }),
    }
}

#[test]
fn a_record_reads_back_as_written() {
    let record = reading();
    let bytes = record.encode().unwrap();
    assert_eq!(Record::decode(&bytes).unwrap(), record);
}

/// Frozen: strangers sign and verify these bytes.
#[test]
fn the_bytes_of_a_reading_do_not_change() {
    assert_eq!(
        hex::encode(reading().encode().unwrap()),
        "a96176016261741b000001a0c4506c0062627950030303030303030303030303030303036269645001010101010101010101010101010101\
         63646f635002020202020202020202020202020202\
         64626f6479a564636f6c64f565737461676565666f756e646576616c7665623149\
         6b676f5f74656e74685f756d1904f66e6e6f5f676f5f74656e74685f756d1905f4\
         646b696e6469636c656172616e6365647365656e8150040404040404040404040404040404\
         0465636c6f636ba3696f66667365745f6d733905db6a636f6e746163745f6d731b0000019e82262b006e756e6365727461696e74795f6d731828"
            .replace(char::is_whitespace, "")
    );
}

#[test]
fn a_newer_kind_is_carried_untouched() {
    let mut record = reading();
    record.body = Body::Unknown(UnknownBody { kind: "torque".into(), v: 7, body: Value::Array(vec![Value::Integer(9.into())]) });
    let bytes = record.encode().unwrap();
    let again = Record::decode(&bytes).unwrap();
    assert_eq!(again.encode().unwrap(), bytes);
    assert_eq!(again.body.kind(), "torque");
}

#[test]
fn a_kind_of_tomorrow_has_a_name_that_can_be_read() {
    for kind in ["to\u{1b}[2Jrque", "torque\u{202e}", "tor\nque\r"] {
        let body = Body::Unknown(UnknownBody { kind: kind.into(), v: 7, body: Value::Null });
        let said = Record { body, ..reading() }.encode().unwrap_err().to_string();
        assert!(said.contains("misleads (U+"), "{said}");
    }
}

#[test]
fn what_cannot_be_is_said() {
    let mut record = reading();
    if let Body::Clearance(body) = &mut record.body {
        body.go = Some(Length::from_thou(7));
    }
    assert!(record.encode().unwrap_err().to_string().contains("is not thinner than"));
    let mut record = reading();
    record.seen = vec![record.id];
    assert_eq!(record.encode().unwrap_err().to_string(), "a record cannot have seen itself");
}

#[test]
fn an_unknown_field_is_refused_in_a_known_version() {
    let record = reading();
    let Value::Map(mut entries) = cbor::decode_value(&record.encode().unwrap()).unwrap() else { unreachable!() };
    for (key, value) in &mut entries {
        if key.as_text() == Some("body")
            && let Value::Map(body) = value
        {
            body.push((Value::Text("torque".into()), Value::Integer(1.into())));
        }
    }
    let bytes = cbor::encode(&Value::Map(entries)).unwrap();
    assert!(matches!(Record::decode(&bytes), Err(RecordError::Cbor(CborError::Shape(_)))));
}

/// A field that is null says what its absence says: one record has one spelling.
#[test]
fn a_record_has_one_spelling() {
    let record = Record { body: Body::Note(Note { text: "gate sticks".into(), visit: None }), ..reading() };
    let Value::Map(mut payload) = cbor::decode_value(&record.encode().unwrap()).unwrap() else { unreachable!() };
    for (key, value) in &mut payload {
        if let (Value::Text(key), Value::Map(body)) = (key, value)
            && key == "body"
        {
            body.push((Value::Text("visit".into()), Value::Null));
        }
    }
    let bytes = cbor::encode(&Value::Map(payload)).unwrap();
    assert_eq!(Record::decode(&bytes), Err(RecordError::Cbor(CborError::NotDeterministic)));
}

/// The least number there is has no opposite.
#[test]
fn clock_evidence_at_the_end_of_numbers_is_refused() {
    let clock = ClockEvidence { offset_ms: Some(i64::MIN), ..ClockEvidence::default() };
    assert!(Record { clock, ..reading() }.check().is_err());
    let clock = ClockEvidence { contact_ms: Some(i64::MIN), ..ClockEvidence::default() };
    assert!(Record { clock, ..reading() }.check().is_err());
    let arrival = Arrival {
        records: vec![Receipted { record: RecordId::from_bytes([1; 16]), sha256: Bytes32([3; 32]) }],
        at: 0,
        skew_ms: i64::MIN,
        uncertainty_ms: 0,
        brought_by: crate::ids::DeviceId::from_bytes([2; 16]),
        position: 1,
        released_by: None,
    };
    assert!(Record { body: Body::Arrival(arrival), ..reading() }.check().is_err());
}

/// The quick way and the slow way say the same of these bytes.
fn read_alike(bytes: &[u8]) -> Result<Record, RecordError> {
    let slow = Record::decode_slowly(bytes);
    assert_eq!(Record::decode(bytes), slow, "{}", hex::encode(bytes));
    if slow.is_ok() {
        assert_eq!(Record::read_back(bytes), slow, "{}", hex::encode(bytes));
    }
    slow
}

/// Every way in which a field of the payload, of its clock or of its body can be left out, added or put another way.
fn respelled(bytes: &[u8]) -> Vec<Vec<u8>> {
    let others = [Value::Null, Value::Bool(false), Value::Bool(true), Value::Text(String::new()), Value::Array(vec![]), Value::Map(vec![])];
    let optional =
        ["measured_by", "stepped", "offset_ms", "uncertainty_ms", "visit", "adjusted", "leaves_tenth_um", "go_tenth_um", "remark"];
    let Value::Map(payload) = cbor::decode_value(bytes).unwrap() else { unreachable!() };
    let mut all = Vec::new();
    let mut keep = |payload: Vec<(Value, Value)>| all.extend(cbor::encode(&Value::Map(payload)));
    let variants = |map: &[(Value, Value)]| {
        let mut variants = Vec::new();
        for at in 0..map.len() {
            let mut without = map.to_vec();
            without.remove(at);
            variants.push(without);
            for other in &others {
                let mut changed = map.to_vec();
                changed[at].1 = other.clone();
                variants.push(changed);
            }
        }
        for name in optional {
            for other in &others {
                variants.push([map, &[(Value::Text(name.into()), other.clone())]].concat());
            }
        }
        variants
    };
    for at in 0..payload.len() {
        if let Value::Map(inner) = &payload[at].1 {
            for variant in variants(inner) {
                let mut payload = payload.clone();
                payload[at].1 = Value::Map(variant);
                keep(payload);
            }
        }
    }
    variants(&payload).into_iter().for_each(keep);
    all
}

#[test]
fn second_spellings_are_refused_alike() {
    let marked = Record { measured_by: Some(PersonId::from_bytes([7; 16])), ..reading() };
    let stepped = Record { clock: ClockEvidence { stepped: true, ..ClockEvidence::default() }, ..reading() };
    let (mut taken, mut second, mut shape) = (0, 0, 0);
    for record in [reading(), marked, stepped] {
        for bytes in respelled(&record.encode().unwrap()) {
            match read_alike(&bytes) {
                Ok(_) => taken += 1,
                Err(RecordError::Cbor(CborError::NotDeterministic)) => second += 1,
                Err(_) => shape += 1,
            }
        }
    }
    assert!(taken > 20 && second > 20 && shape > 300, "{taken} taken, {second} second spellings, {shape} of another shape");
}

/// Numbers that a field does not hold, ids of other lengths, and a claim of more records than there are bytes.
#[test]
fn fields_out_of_range_are_refused_alike() {
    let good = hex::encode(reading().encode().unwrap());
    for (from, to) in [
        ("617601", "6176191000"),
        ("617601", "61761a00010000"),
        ("617601", "61761b0000000100000000"),
        ("617601", "617620"),
        ("6261741b000001a0c4506c00", "6261741b8000000000000000"),
        ("6261741b000001a0c4506c00", "6261741bffffffffffffffff"),
        ("6261741b000001a0c4506c00", "6261743b7fffffffffffffff"),
        ("6261741b000001a0c4506c00", "6261743b8000000000000000"),
        ("6261741b000001a0c4506c00", "62617400"),
        ("626279500303", "6262795103030303"),
        ("626279500303", "6262794f03"),
        ("6473656e", "6473656f"),
        ("647365656e81", "647365656e80"),
        ("647365656e81", "647365656e82"),
        ("647365656e81", "647365656e9bffffffffffffffff"),
        ("65636c6f636ba2", "65636c6f636ba1"),
        ("65636c6f636ba2", "65636c6f636ba3"),
        ("696f66667365745f6d733905db", "696f66667365745f6d73f6"),
        ("a9617601", "aa617601"),
        ("a9617601", "a8617601"),
    ] {
        let _ = read_alike(&hex::decode(good.replacen(from, to, 1)).unwrap());
    }
    let longest = good.replacen("6261741b000001a0c4506c00", "6261743b7fffffffffffffff", 1);
    assert_eq!(Record::decode(&hex::decode(longest).unwrap()).unwrap().at_ms, i64::MIN);
}

/// A text longer than the room that names are read into is no second-class text.
#[test]
fn long_texts_are_read_whole() {
    for length in [255, 256, 257, LONGEST_TEXT] {
        let text = format!("{}ä", "x".repeat(length - 2));
        let record = Record { body: Body::Note(Note { text: text.clone(), visit: None }), ..reading() };
        assert_eq!(read_alike(&record.encode().unwrap()), Ok(record));
        let slot = crate::slot::Slot::named(&text);
        let of = vec![RecordId::from_bytes([8; 16])];
        let record = Record { body: Body::Ruling(Ruling { slot, of, decision: Decision::Recheck, reason: String::new() }), ..reading() };
        assert_eq!(read_alike(&record.written().unwrap()), Ok(record));
    }
}

/// The payload's own map counts among what may stand inside one another.
#[test]
fn a_body_is_nested_no_deeper_than_is_read() {
    let deepest = (0..30).filter(|depth| {
        let body = (0..*depth).fold(Value::Null, |inner, _| Value::Array(vec![inner]));
        let record = Record { body: Body::Unknown(UnknownBody { kind: "torque".into(), v: 7, body }), ..reading() };
        read_alike(&record.written().unwrap()).is_ok()
    });
    assert_eq!(deepest.max(), Some(cbor::DEEPEST - 1));
}

/// What the store holds damaged is an error, and is not a panic.
#[test]
fn damaged_bytes_are_not_read_back() {
    let bytes = reading().encode().unwrap();
    for length in 0..bytes.len() {
        assert!(Record::read_back(&bytes[..length]).is_err(), "{length}");
    }
    assert!(Record::read_back(&[bytes, vec![0]].concat()).is_err());
}

/// The strategy makes every kind, each of which can be.
#[test]
fn records_of_every_kind_are_made_up() {
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let mut made: BTreeMap<String, usize> = BTreeMap::new();
    for _ in 0..3_000 {
        let record = records().new_tree(&mut runner).unwrap().current();
        assert_eq!(record.check(), Ok(()), "{record:?}");
        let kind = if matches!(record.body, Body::Unknown(_)) { "of tomorrow".to_owned() } else { record.body.kind().to_owned() };
        *made.entry(kind).or_default() += 1;
    }
    assert_eq!(made.len(), Body::KINDS.len() + 1, "{made:?}");
    assert!(made.values().all(|count| *count > 20), "{made:?}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1_000))]

    #[test]
    fn every_record_is_written_and_read_alike(record in records()) {
        let bytes = record.written().unwrap();
        prop_assert_eq!(&bytes, &record.written_slowly().unwrap());
        prop_assert_eq!(Record::read_back(&bytes), Ok(record.clone()));
        prop_assert_eq!(read_alike(&bytes), Ok(record));
    }

    #[test]
    fn spoiled_records_are_read_alike(record in records(), spoils in proptest::collection::vec(any::<(prop::sample::Index, u8, u8)>(), 1..12)) {
        let bytes = record.encode().unwrap();
        for (at, how, byte) in spoils {
            let mut bytes = bytes.clone();
            let at = at.index(bytes.len());
            match how % 4 {
                0 => bytes[at] = byte,
                1 => bytes[at] ^= 1 << (byte % 8),
                2 => bytes.insert(at, byte),
                _ => drop(bytes.remove(at)),
            }
            let _ = read_alike(&bytes);
            let _ = Record::read_back(&bytes);
        }
    }
}

/// Puts a character into the n-th text of a body, counted through everything in it; how many texts there are.
fn deface(value: &mut Value, nth: usize, c: char, seen: &mut usize) {
    match value {
        Value::Text(text) => {
            if *seen == nth {
                text.push(c);
            }
            *seen += 1;
        }
        Value::Array(inside) => inside.iter_mut().for_each(|value| deface(value, nth, c, seen)),
        Value::Map(inside) => inside.iter_mut().for_each(|(_, value)| deface(value, nth, c, seen)),
        _ => {}
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    /// Whatever text a record of any kind has: a control or a mark of direction in it is refused, or is no such text at all.
    #[test]
    fn no_text_of_any_kind_may_mislead(record in records(), nth in 0..8_usize, c in prop::sample::select(vec!['\u{1b}', '\u{9b}', '\u{202e}', '\r'])) {
        if matches!(record.body, Body::Unknown(_)) {
            return Ok(());
        }
        let mut body = record.body.to_value().unwrap();
        let mut texts = 0;
        deface(&mut body, nth, c, &mut texts);
        if nth >= texts {
            return Ok(());
        }
        if let Ok(defaced) = Body::from_value(record.body.kind().to_owned(), record.body.version(), body) {
            // Blanks around a valve's or an id's name are no part of it.
            if defaced == record.body {
                return Ok(());
            }
            let record = Record { body: defaced, ..record };
            prop_assert!(record.check().is_err(), "{record:?}");
        }
    }
}

/// Puts an id in the place of the `n`-th id in a tree of values; false where it has no so many.
fn put_id(value: &mut Value, n: &mut usize, id: &[u8; 16]) -> bool {
    match value {
        Value::Bytes(bytes) if bytes.len() == 16 => {
            if *n == 0 {
                *bytes = id.to_vec();
                return true;
            }
            *n -= 1;
            false
        }
        Value::Array(items) => items.iter_mut().any(|item| put_id(item, n, id)),
        Value::Map(entries) => entries.iter_mut().any(|(_, item)| put_id(item, n, id)),
        _ => false,
    }
}

proptest! {
    /// Whatever id of a record is the nil or the max one, its own or that of what it speaks about: the record is not taken.
    #[test]
    fn no_id_in_a_record_names_nothing(record in records(), nothing in prop_oneof![Just([0; 16]), Just([0xff; 16])]) {
        let record = Record { body: match record.body { Body::Unknown(_) => reading().body, known => known }, ..record };
        prop_assume!(record.check().is_ok());
        let bytes = record.encode().unwrap();
        for place in 0.. {
            let mut payload = cbor::decode_value(&bytes).unwrap();
            if !put_id(&mut payload, &mut { place }, &nothing) {
                prop_assert!(place >= 3, "a record has its own id, its document's and its author's");
                break;
            }
            let forged = Record::decode(&cbor::encode(&payload).unwrap()).unwrap();
            let said = forged.check().unwrap_err().to_string();
            prop_assert!(said.contains("an id that names nothing"), "{place}: {said}");
        }
    }
}
