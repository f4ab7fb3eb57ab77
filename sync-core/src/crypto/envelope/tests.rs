//! What is taken for a signed record, and that both ways of opening one agree.

use proptest::prelude::*;
use shared::ids::{DocId, PersonId, RecordId};
use shared::record::any::records;
use shared::record::{Body, ClockEvidence, Note};

use super::*;

fn note() -> Record {
    Record {
        id: RecordId::from_bytes([1; 16]),
        doc: DocId::from_bytes([2; 16]),
        by: PersonId::from_bytes([3; 16]),
        measured_by: None,
        at_ms: 1_790_000_000_000,
        clock: ClockEvidence::default(),
        seen: vec![],
        body: Body::Note(Note { text: "gate sticks".into(), visit: None }),
    }
}

#[test]
fn a_signed_record_opens_and_holds_in_its_own_shop_only() {
    let key = SigningKey::from_bytes(&[7; 32]);
    let public = Bytes32(key.verifying_key().to_bytes());
    let (device, shop) = (DeviceId::from_bytes([5; 16]), ShopId::from_bytes([6; 16]));
    let bytes = sign(&note(), device, &key, shop).unwrap();
    assert_eq!(bytes[..2], [0xd2, 0x84], "tagged COSE_Sign1");
    let opened = decode_unverified(&bytes).unwrap();
    assert_eq!((opened.device, &opened.record), (device, &note()));
    assert_eq!(opened.verify(&public, shop), Ok(()));
    assert_eq!(opened.verify(&public, ShopId::from_bytes([9; 16])), Err(EnvelopeError::Signature));
    assert!(decode_unverified(&bytes[1..]).unwrap().verify(&public, shop).is_ok(), "untagged is read too");
}

#[test]
fn every_changed_byte_is_noticed() {
    let key = SigningKey::from_bytes(&[7; 32]);
    let public = Bytes32(key.verifying_key().to_bytes());
    let (device, shop) = (DeviceId::from_bytes([5; 16]), ShopId::from_bytes([6; 16]));
    let bytes = sign(&note(), device, &key, shop).unwrap();
    for at in 1..bytes.len() {
        let mut changed = bytes.clone();
        changed[at] ^= 1;
        let holds = decode_unverified(&changed).is_ok_and(|o| o.device == device && o.verify(&public, shop).is_ok());
        assert!(!holds, "byte {at}");
    }
}

const DEVICE: DeviceId = DeviceId::from_bytes([5; 16]);
const SHOP: ShopId = ShopId::from_bytes([6; 16]);

fn key() -> SigningKey {
    SigningKey::from_bytes(&[7; 32])
}

/// Both ways say the same of these bytes, to the last word; gives whether the signature holds, where they open at all.
fn opened_alike(bytes: &[u8]) -> Option<bool> {
    let public = Bytes32(key().verifying_key().to_bytes());
    let (quick, slow) =
        (decode_unverified(bytes), if bytes.len() > LARGEST_RECORD { Err(EnvelopeError::TooLarge) } else { open_other(bytes) });
    match (quick, slow) {
        (Ok(quick), Ok(slow)) => {
            assert_eq!((quick.device, &quick.record), (slow.device, &slow.record));
            assert_eq!(read_back(bytes), Ok((slow.device, slow.record.clone())));
            let holds = slow.verify(&public, SHOP);
            assert_eq!(quick.verify(&public, SHOP), holds);
            assert_eq!(quick.verify_with(&key().verifying_key(), SHOP), holds);
            let elsewhere = ShopId::from_bytes([9; 16]);
            assert_eq!(quick.verify(&public, elsewhere), Err(EnvelopeError::Signature));
            Some(holds.is_ok())
        }
        (quick, slow) => {
            assert_eq!(quick.map(|_| ()), slow.map(|_| ()), "{}", bytes.len());
            None
        }
    }
}

/// An envelope around a payload, signed, with whatever algorithm, tagged or not.
fn around(payload: &[u8], algorithm: iana::Algorithm, tagged: bool) -> Vec<u8> {
    let protected =
        HeaderBuilder::new().algorithm(algorithm).content_type(RECORD_TYPE.to_owned()).key_id(DEVICE.as_bytes().to_vec()).build();
    let signed = CoseSign1Builder::new()
        .protected(protected)
        .payload(payload.to_vec())
        .create_signature(SHOP.as_bytes(), |bytes| key().sign(bytes).to_bytes().to_vec())
        .build();
    if tagged { signed.to_tagged_vec().unwrap() } else { signed.to_vec().unwrap() }
}

#[test]
fn what_is_signed_here_takes_the_quick_way() {
    let bytes = sign(&note(), DEVICE, &key(), SHOP).unwrap();
    assert!(matches!(decode_unverified(&bytes).unwrap().held, Held::Own(_)));
    assert!(matches!(decode_unverified(&bytes[1..]).unwrap().held, Held::Other(_)));
    let no_key = (0..=255).map(|byte| Bytes32([byte; 32])).find(|key| VerifyingKey::from_bytes(&key.0).is_err()).unwrap();
    for bytes in [&bytes[..], &bytes[1..]] {
        assert_eq!(decode_unverified(bytes).unwrap().verify(&no_key, SHOP), Err(EnvelopeError::Key));
    }
}

/// Tag and algorithm as agreed in their other forms, other algorithms, payloads of every length of length, and none.
#[test]
fn other_envelopes_are_opened_alike() {
    let text = |length: usize| Record { body: Body::Note(Note { text: "x".repeat(length), visit: None }), ..note() };
    for payload in [note(), text(1), text(4_000)].map(|record| record.encode().unwrap()) {
        for tagged in [true, false] {
            for algorithm in [iana::Algorithm::EdDSA, iana::Algorithm::Ed25519] {
                assert_eq!(opened_alike(&around(&payload, algorithm, tagged)), Some(true), "{algorithm:?}");
            }
            for algorithm in [iana::Algorithm::ES256, iana::Algorithm::Ed448] {
                assert_eq!(opened_alike(&around(&payload, algorithm, tagged)), None, "{algorithm:?}");
            }
        }
    }
    for length in [0, 1, 23, 24, 25, 255, 256, 257, 65_200, 65_399, 65_400, 65_401, 65_535, 65_536] {
        assert_eq!(opened_alike(&around(&vec![0; length], iana::Algorithm::EdDSA, true)), None, "{length}");
    }
}

/// The payload's length in a longer form than it needs: the library takes it, and so it is taken.
#[test]
fn longer_lengths_are_opened_alike() {
    let record = Record { body: Body::Note(Note { text: "x".into(), visit: None }), ..note() };
    let bytes = sign(&record, DEVICE, &key(), SHOP).unwrap();
    let at = 2 + 64 + 1;
    assert_eq!(bytes[at - 1..=at], [0xa0, 0x58], "the payload begins here");
    for long in [vec![0x59, 0], vec![0x5a, 0, 0, 0]] {
        let bytes = [&bytes[..at], &long, &bytes[at + 1..]].concat();
        assert_eq!(opened_alike(&bytes), Some(true));
    }
    let signature = bytes.len() - 66;
    assert_eq!(bytes[signature..signature + 2], [0x58, 0x40], "the signature begins here");
    for (head, cut) in [(vec![0x59, 0, 0x40], 0), (vec![0x58, 0x3f], 1), (vec![0x58, 0x41], 0)] {
        let bytes = [&bytes[..signature], &head, &bytes[signature + 2..bytes.len() - cut]].concat();
        opened_alike(&bytes);
    }
}

/// Every byte changed to eight other values, left out, and put in twice, of every kind of envelope that is taken.
#[test]
fn every_changed_byte_is_judged_alike() {
    let payload = note().encode().unwrap();
    let mut judged = [0; 2];
    for (algorithm, tagged) in [(iana::Algorithm::EdDSA, true), (iana::Algorithm::EdDSA, false), (iana::Algorithm::Ed25519, true)] {
        let bytes = around(&payload, algorithm, tagged);
        for at in 0..bytes.len() {
            let mut variants: Vec<Vec<u8>> = (0..8)
                .map(|bit| {
                    let mut changed = bytes.clone();
                    changed[at] ^= 1 << bit;
                    changed
                })
                .collect();
            variants.push([&bytes[..at], &bytes[at + 1..]].concat());
            variants.push([&bytes[..=at], &bytes[at..]].concat());
            for changed in variants {
                match opened_alike(&changed) {
                    None => judged[0] += 1,
                    Some(false) => judged[1] += 1,
                    // What was tagged and is no more is the same envelope.
                    Some(true) => assert_eq!(changed, bytes[1..], "byte {at} of {algorithm:?}"),
                }
            }
            opened_alike(&bytes[..at]);
        }
    }
    assert!(judged[0] > 1_000 && judged[1] > 1_000, "{judged:?} do not open, do not hold");
}

proptest! {
    #[test]
    fn every_record_signed_here_opens_alike(record in records(), at in any::<prop::sample::Index>(), byte in any::<u8>()) {
        let bytes = sign(&record, DEVICE, &key(), SHOP).unwrap();
        prop_assert!(own::split(&bytes).is_some());
        prop_assert_eq!(opened_alike(&bytes), Some(true));
        prop_assert_eq!(&decode_unverified(&bytes).unwrap().record, &record);
        prop_assert_eq!(&bytes, &around(&record.encode().unwrap(), iana::Algorithm::EdDSA, true));
        let mut changed = bytes.clone();
        let at = at.index(bytes.len());
        changed[at] = byte;
        prop_assert!(changed == bytes || opened_alike(&changed) != Some(true));
    }
}
