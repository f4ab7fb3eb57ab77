//! The bytes that are taken, and that both ways of judging them agree.

use proptest::prelude::*;

use super::*;
use crate::record::any::values;

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

/// The quick way and the slow way say the same of these bytes; gives whether they are taken.
fn judged_alike(bytes: &[u8]) -> bool {
    let slow = decode_slowly(bytes);
    assert_eq!(walk::is_deterministic(bytes), slow.is_ok(), "{} is {slow:?}", hex::encode(bytes));
    assert_eq!(check(bytes), slow.clone().map(|_| ()), "{}", hex::encode(bytes));
    assert_eq!(decode_value(bytes), slow, "{}", hex::encode(bytes));
    slow.is_ok()
}

#[test]
fn all_short_bytes_are_judged_alike() {
    let mut taken = 0;
    for first in 0..=255 {
        taken += usize::from(judged_alike(&[first]));
        for second in 0..=255 {
            taken += usize::from(judged_alike(&[first, second]));
        }
    }
    // Of one byte: 2 x 24 integers, 4 empty strings and collections, 3 simple values. Of two: 2 x 232 integers, a byte string of
    // any one byte, a text of any ASCII character, and an array around each of the 55.
    assert_eq!(taken, 55 + 464 + 256 + 128 + 55);
}

/// Each head at the ends of each form's range, in every form that holds it.
#[test]
fn heads_are_judged_alike() {
    let ends = [0, 1, 20, 22, 23, 24, 31, 32, 0xff, 0x100, 0xffff, 0x1_0000, 0xffff_ffff, 0x1_0000_0000, 1 << 63, u64::MAX - 1, u64::MAX];
    let mut taken = 0;
    for argument in ends {
        let bytes = argument.to_be_bytes();
        for major in 0..8_u8 {
            for (minor, width) in [(24, 1), (25, 2), (26, 4), (27, 8)] {
                let mut item = vec![major << 5 | minor];
                item.extend_from_slice(&bytes[8 - width..]);
                taken += usize::from(judged_alike(&item));
                // With content: enough for the short ones.
                for filler in [0_u8, 0x41] {
                    item.resize(1 + width + 300, filler);
                    for length in [1 + width + 24, 1 + width + 48, 1 + width + 255, 1 + width + 256] {
                        taken += usize::from(judged_alike(&item[..length]));
                    }
                    item.truncate(1 + width);
                }
            }
        }
    }
    assert!(taken > 30, "{taken} were taken");
}

#[test]
fn nesting_is_judged_alike() {
    let mut deepest = [0; 3];
    for depth in 0..40 {
        for (way, (open, close)) in [(vec![0x81], vec![]), (vec![0xa1, 0x00], vec![]), (vec![0xa1], vec![0x00])].into_iter().enumerate() {
            for inner in [vec![0x00], vec![0x80], vec![0xa0]] {
                let bytes = [open.repeat(depth), inner, close.repeat(depth)].concat();
                if judged_alike(&bytes) {
                    deepest[way] = depth;
                }
            }
        }
    }
    assert_eq!(deepest, [DEEPEST; 3], "an integer inside so many");
}

/// Texts longer than what the slow way reads at once, with characters across the seam.
#[test]
fn long_texts_are_judged_alike() {
    let mut refused = 0;
    for length in [4_090, 4_094, 4_095, 4_096, 4_097, 8_190, 8_193] {
        for tail in ["", "ä", "€", "😀"] {
            let text = format!("{}{tail}", "x".repeat(length));
            let bytes = encode(&text).unwrap();
            assert!(judged_alike(&bytes));
            // Bytes that stand in no text, and a lead and a follower without the other, before and across the seam and at the end.
            for at in [3, 4_097, 4_098, 4_099, bytes.len() - 2, bytes.len() - 1] {
                for wrong in [0xff, 0xc3, 0x80] {
                    let mut bytes = bytes.clone();
                    if let Some(byte) = bytes.get_mut(at) {
                        *byte = wrong;
                    }
                    refused += usize::from(!judged_alike(&bytes));
                }
            }
        }
    }
    assert!(refused > 300, "{refused} were refused");
}

#[test]
fn the_error_is_the_slow_ways() {
    for (hex_text, error) in [
        ("1800", CborError::NotDeterministic),
        ("f814", CborError::NotDeterministic),
        ("f7", CborError::NotDeterministic),
        ("c24105", CborError::NotDeterministic),
        ("9fff", CborError::NotDeterministic),
        ("a2010018010a", CborError::Shape("a map names the same key twice".to_owned())),
        ("821800f93c00", CborError::Shape("a floating-point number".to_owned())),
        ("0000", CborError::Malformed("something follows the end".to_owned())),
    ] {
        assert_eq!(check(&hex::decode(hex_text).unwrap()), Err(error), "{hex_text}");
    }
    assert!(matches!(check(&[0xf9]), Err(CborError::Malformed(_))) && matches!(check(&[0xf8, 0x20]), Err(CborError::Malformed(_))));
}

/// Numbers at the ends of what CBOR's integers hold, and what no quick way writes.
#[test]
fn odd_values_are_written_alike() {
    let integer = |n: i128| Value::Integer(n.try_into().unwrap());
    let deep = (0..30).fold(Value::Null, |inner, _| Value::Array(vec![inner]));
    let twice = Value::Map(vec![(Value::Null, Value::Null), (Value::Null, Value::Bool(true))]);
    let tag = Value::Tag(2, Box::new(Value::Bytes(vec![1])));
    for value in [integer(-(1 << 64)), integer((1 << 64) - 1), integer(i128::from(i64::MIN)), deep, twice, tag, Value::Float(0.5)] {
        assert_eq!(encode(&value), encode_slowly(&value), "{value:?}");
    }
    assert!(matches!(encode(&Value::Array(vec![Value::Float(0.5)])), Err(CborError::Shape(_))));
    let mut bytes = vec![7];
    assert!(append(&mut bytes, &Value::Array(vec![Value::Null, Value::Float(0.5)])).is_err() && bytes == [7], "nothing is left behind");
    append(&mut bytes, &integer(i128::from(u64::MAX))).unwrap();
    assert_eq!(bytes.len(), 10);
}

#[test]
fn integers_are_written_in_their_shortest_form() {
    for n in [0, 23, 24, 255, 256, 65_535, 65_536, 4_294_967_295, 4_294_967_296, i64::MAX] {
        for n in [n, -n, -1 - n] {
            let mut bytes = Vec::new();
            written::put_int(&mut bytes, n);
            assert_eq!(bytes, encode_slowly(&n).unwrap(), "{n}");
        }
    }
}

/// What is done to good bytes to make them doubtful.
fn spoil(mut bytes: Vec<u8>, how: u8, at: prop::sample::Index, byte: u8) -> Vec<u8> {
    if bytes.is_empty() {
        return bytes;
    }
    let at = at.index(bytes.len());
    match how % 5 {
        0 => bytes[at] = byte,
        1 => bytes[at] ^= 1 << (byte % 8),
        2 => bytes.insert(at, byte),
        3 => drop(bytes.remove(at)),
        _ => bytes.truncate(at),
    }
    bytes
}

proptest! {
    #[test]
    fn no_bytes_panic_and_what_is_read_writes_back(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
        judged_alike(&bytes);
        if let Ok(value) = decode_value(&bytes) {
            prop_assert_eq!(encode_value(value).unwrap(), bytes);
        }
    }

    #[test]
    fn good_bytes_are_taken_and_spoiled_ones_judged_alike(
        value in values(), spoils in proptest::collection::vec((any::<u8>(), any::<prop::sample::Index>(), any::<u8>()), 1..12),
    ) {
        let bytes = encode(&value).unwrap();
        prop_assert_eq!(&bytes, &encode_slowly(&value).unwrap());
        prop_assert!(judged_alike(&bytes));
        for (how, at, byte) in spoils {
            judged_alike(&spoil(bytes.clone(), how, at, byte));
        }
    }

    /// Maps with keys of every type, as they come: in order, out of order, twice.
    #[test]
    fn maps_in_any_order_are_judged_and_written_alike(entries in proptest::collection::vec((values(), values()), 0..5)) {
        let map = Value::Map(entries);
        let mut raw = Vec::new();
        ciborium::into_writer(&map, &mut raw).unwrap();
        judged_alike(&raw);
        prop_assert_eq!(encode(&map), encode_slowly(&map));
    }
}
