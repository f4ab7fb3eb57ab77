use super::*;
use crate::length::Length;

fn reading() -> Record {
    Record {
        id: RecordId::from_bytes([1; 16]),
        doc: DocId::from_bytes([2; 16]),
        by: PersonId::from_bytes([3; 16]),
        measured_by: None,
        at_ms: 1_790_000_000_000,
        clock: ClockEvidence { offset_ms: Some(-1_500), uncertainty_ms: Some(40), stepped: false },
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
         0465636c6f636ba2696f66667365745f6d733905db6e756e6365727461696e74795f6d731828"
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
    let clock = ClockEvidence { offset_ms: Some(i64::MIN), uncertainty_ms: None, stepped: false };
    assert!(Record { clock, ..reading() }.check().is_err());
    let arrival = Arrival {
        records: vec![RecordId::from_bytes([1; 16])],
        at: 0,
        skew_ms: i64::MIN,
        uncertainty_ms: 0,
        brought_by: crate::ids::DeviceId::from_bytes([2; 16]),
        position: 1,
        released_by: None,
    };
    assert!(Record { body: Body::Arrival(arrival), ..reading() }.check().is_err());
}
