//! What one signed record costs: opened, read back, verified, signed, and hashed as a change.
//!
//! `cargo bench -p sync-core --bench record`

#![expect(clippy::unwrap_used, reason = "a benchmark may panic")]

use divan::Bencher;
use divan::counter::{BytesCount, ItemsCount};
use ed25519_dalek::{Signature, Signer, SigningKey, VerifyingKey};
use sha2::{Digest, Sha256};
use shared::bytes::{Blob, Bytes16, Bytes32};
use shared::ids::{DeviceId, DocId, PersonId, RecordId, ShopId};
use shared::length::Length;
use shared::record::{Body, Clearance, ClockEvidence, Record, Stage};
use shared::wire::Recipe;
use sync_core::change::replica::{change_hash, genesis_hash};
use sync_core::crypto::envelope;

const DOC: DocId = DocId::from_bytes([2; 16]);
const DEVICE: DeviceId = DeviceId::from_bytes([5; 16]);
const SHOP: ShopId = ShopId::from_bytes([6; 16]);

fn main() {
    divan::main();
}

/// What the processor does in the same run: SHA-256 of 1 MiB. Every other median is told in this one.
#[divan::bench]
fn yardstick(bencher: Bencher<'_, '_>) {
    let mebibyte = vec![0x5a_u8; 1 << 20];
    bencher.counter(BytesCount::new(mebibyte.len())).bench(|| Sha256::digest(divan::black_box(&mebibyte)));
}

/// A clearance as the crew writes it: on a visit, with the tip before it seen.
fn clearance() -> Record {
    Record {
        id: RecordId::from_time(1_790_000_000_000, [1; 10]),
        doc: DOC,
        by: PersonId::from_bytes([3; 16]),
        measured_by: None,
        at_ms: 1_790_000_000_000,
        clock: ClockEvidence { offset_ms: Some(-1_500), uncertainty_ms: Some(40), ..ClockEvidence::default() },
        seen: vec![RecordId::from_time(1_780_000_000_000, [4; 10])],
        body: Body::Clearance(Clearance {
            valve: "1I".parse().unwrap(),
            stage: Stage::Found,
            go: Some(Length::from_thou(5)),
            no_go: Some(Length::from_thou(6)),
            leaves: vec![],
            cold: true,
            engine_tenth_c: None,
            adjusted: false,
            visit: Some(RecordId::from_time(1_789_999_000_000, [7; 10])),
        }),
    }
}

fn key() -> SigningKey {
    SigningKey::from_bytes(&[7; 32])
}

fn signed() -> Vec<u8> {
    envelope::sign(&clearance(), DEVICE, &key(), SHOP).unwrap()
}

/// From bytes received to a record, not verified.
#[divan::bench]
fn open(bencher: Bencher<'_, '_>) {
    let bytes = signed();
    bencher.counter(ItemsCount::new(1usize)).bench(|| envelope::decode_unverified(divan::black_box(&bytes)).unwrap());
}

/// From bytes of the own store to a record.
#[divan::bench]
fn read_back(bencher: Bencher<'_, '_>) {
    let bytes = signed();
    bencher.counter(ItemsCount::new(1usize)).bench(|| envelope::read_back(divan::black_box(&bytes)).unwrap());
}

/// The payload alone, read.
#[divan::bench]
fn decode(bencher: Bencher<'_, '_>) {
    let payload = clearance().encode().unwrap();
    bencher.counter(ItemsCount::new(1usize)).bench(|| Record::decode(divan::black_box(&payload)).unwrap());
}

/// The payload alone, written.
#[divan::bench]
fn encode(bencher: Bencher<'_, '_>) {
    let record = clearance();
    bencher.counter(ItemsCount::new(1usize)).bench(|| divan::black_box(&record).encode().unwrap());
}

/// The signature, with the device's key as bytes.
#[divan::bench]
fn verify(bencher: Bencher<'_, '_>) {
    let opened = envelope::decode_unverified(&signed()).unwrap();
    let public = Bytes32(key().verifying_key().to_bytes());
    bencher.counter(ItemsCount::new(1usize)).bench(|| divan::black_box(&opened).verify(&public, SHOP).unwrap());
}

/// The signature, with the device's key decoded before.
#[divan::bench]
fn verify_with(bencher: Bencher<'_, '_>) {
    let opened = envelope::decode_unverified(&signed()).unwrap();
    let public = key().verifying_key();
    bencher.counter(ItemsCount::new(1usize)).bench(|| divan::black_box(&opened).verify_with(&public, SHOP).unwrap());
}

/// The arithmetic of a signature alone, over as many bytes as the record's Sig_structure has.
#[divan::bench]
fn verify_strict_alone(bencher: Bencher<'_, '_>) {
    let (key, message) = (key(), [9u8; 400]);
    let (public, signature): (VerifyingKey, Signature) = (key.verifying_key(), key.sign(&message));
    bencher.counter(ItemsCount::new(1usize)).bench(|| public.verify_strict(divan::black_box(&message), &signature).unwrap());
}

/// A public key from its bytes.
#[divan::bench]
fn key_from_bytes(bencher: Bencher<'_, '_>) {
    let public = key().verifying_key().to_bytes();
    bencher.counter(ItemsCount::new(1usize)).bench(|| VerifyingKey::from_bytes(divan::black_box(&public)).unwrap());
}

/// From a record to signed bytes.
#[divan::bench]
fn sign(bencher: Bencher<'_, '_>) {
    let (record, key) = (clearance(), key());
    bencher.counter(ItemsCount::new(1usize)).bench(|| envelope::sign(divan::black_box(&record), DEVICE, &key, SHOP).unwrap());
}

/// The hash of the change that brings one record.
#[divan::bench(name = "change_hash")]
fn hash_of_a_change(bencher: Bencher<'_, '_>) {
    let recipe = Recipe {
        hash: Bytes32([0; 32]),
        actor: Bytes16([8; 16]),
        seq: 1,
        start_op: 2,
        deps: vec![genesis_hash(DOC)],
        time: 1_790_000_000_000,
        records: vec![Blob(signed())],
    };
    bencher.counter(ItemsCount::new(1usize)).bench(|| change_hash(DOC, divan::black_box(&recipe)).unwrap());
}
