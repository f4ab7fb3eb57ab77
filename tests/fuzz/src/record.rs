//! One signed record: opened, read, checked, and written again.

use std::cell::OnceCell;

use ciborium::Value;
use ed25519_dalek::SigningKey;
use shared::bytes::Bytes32;
use shared::ids::{DeviceId, ShopId};
use shared::record::Record;
use sync_core::crypto::envelope;

use super::forge::{self, Signer};
use super::mutate;
use super::script::Script;

thread_local! {
    static ARCHETYPES: OnceCell<Vec<Value>> = const { OnceCell::new() };
}

fn signer(n: u8) -> Signer {
    Signer { device: DeviceId::from_bytes([n; 16]), key: SigningKey::from_bytes(&[n; 32]), shop: ShopId::from_bytes([9; 16]) }
}

/// Payloads of real records, of as many kinds as a crew's day has.
fn archetypes() -> Vec<Value> {
    let ground = super::ground::at_shop();
    let recipes = ground.offers.iter().flat_map(|offer| &offer.docs).flat_map(|doc| &doc.recipes);
    recipes.flat_map(|recipe| &recipe.records).filter_map(|record| forge::payload(&record.0)).collect()
}

/// The first byte says how the rest is meant: as an envelope, as a payload to be signed, or as edits of a real payload.
pub fn once(bytes: &[u8]) {
    let Some((how, rest)) = bytes.split_first() else { return };
    match how % 3 {
        0 => opened(rest),
        1 => {
            if let Ok(payload) = ciborium::de::from_reader_with_recursion_limit::<Value, _>(rest, 64) {
                signed(&payload);
            }
        }
        _ => {
            let mut script = Script::of(rest);
            let payload = ARCHETYPES.with(|kept| {
                let kept = kept.get_or_init(archetypes);
                kept[script.pick(kept.len())].clone()
            });
            let mut payload = payload;
            while !script.is_done() {
                mutate::value(&mut payload, &mut script);
            }
            signed(&payload);
        }
    }
}

/// What is signed holds under that key and shop, and under no other.
fn signed(payload: &Value) {
    let (right, wrong) = (signer(1), signer(2));
    let bytes = forge::signed(payload, &right);
    opened(&bytes);
    let Ok(opened) = envelope::decode_unverified(&bytes) else { return };
    let key = |signer: &Signer| Bytes32(signer.key.verifying_key().to_bytes());
    assert_eq!(opened.device, right.device);
    assert_eq!(opened.verify(&key(&right), right.shop), Ok(()));
    assert!(opened.verify(&key(&wrong), right.shop).is_err(), "another's key");
    assert!(opened.verify(&key(&right), ShopId::from_bytes([8; 16])).is_err(), "another shop");
}

/// Whatever opens is deterministic CBOR, says the same when written again, and is written as it came.
fn opened(bytes: &[u8]) {
    let Ok(opened) = envelope::decode_unverified(bytes) else { return };
    let payload = forge::payload_bytes(bytes).expect("what opens has a payload");
    let value = shared::cbor::decode_value(&payload).expect("what opens is deterministic");
    assert_eq!(shared::cbor::encode(&value).expect("a value"), payload, "the payload's value writes as it came");
    if opened.record.check().is_err() {
        return;
    }
    let again = opened.record.encode().expect("what is checked is written");
    assert_eq!(Record::decode(&again).as_ref(), Ok(&opened.record), "the record says the same when written again");
    assert_eq!(again, payload, "the record is written as it came");
}
