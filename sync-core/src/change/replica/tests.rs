use automerge::transaction::{CommitOptions, Transactable};
use automerge::{AutoCommit, ROOT, ReadDoc};
use ed25519_dalek::SigningKey;
use shared::ids::{DeviceId, PersonId, ShopId};
use shared::record::{Body, ClockEvidence, Note, Record};

use super::*;

fn signed(doc: DocId, n: u8) -> Blob {
    let record = Record {
        id: RecordId::from_bytes([n; 16]),
        doc,
        by: PersonId::from_bytes([3; 16]),
        measured_by: None,
        at_ms: 1_790_000_000_000,
        clock: ClockEvidence::default(),
        seen: vec![],
        body: Body::Note(Note { text: "n".repeat(usize::from(n)), visit: None }),
    };
    let key = SigningKey::from_bytes(&[7; 32]);
    Blob(envelope::sign(&record, DeviceId::from_bytes([5; 16]), &key, ShopId::from_bytes([6; 16])).unwrap())
}

fn recipe(doc: DocId, actor: u8, seq: u64, start_op: u64, deps: Vec<Bytes32>, records: &[u8]) -> Recipe {
    let mut recipe = Recipe {
        hash: Bytes32([0; 32]),
        actor: Bytes16([actor; 16]),
        seq,
        start_op,
        deps,
        time: 1_790_000_000,
        records: records.iter().map(|n| signed(doc, *n)).collect(),
    };
    recipe.hash = change_hash(doc, &recipe).unwrap();
    recipe
}

/// What the library itself commits is, to the hash, what the recipe makes: a third party's Automerge opens it.
#[test]
fn a_recipe_is_what_automerge_itself_commits() {
    let doc = DocId::from_bytes([9; 16]);
    let ours = recipe(doc, 1, 1, 2, vec![genesis_hash(doc)], &[40, 20, 30]);
    let mut document = Automerge::new();
    document.apply_changes([genesis(doc)]).unwrap();
    let mut theirs = AutoCommit::load(&document.save()).unwrap();
    theirs.set_actor(ActorId::from([1u8; 16].as_slice()));
    let (_, map) = theirs.get(ROOT, "records").unwrap().unwrap();
    for n in [40, 20, 30] {
        theirs.put(&map, RecordId::from_bytes([n; 16]).to_string(), ScalarValue::Bytes(signed(doc, n).0)).unwrap();
    }
    let hash = theirs.commit_with(CommitOptions::default().with_time(1_790_000_000)).unwrap();
    assert_eq!(Bytes32(hash.0), ours.hash);
}

#[test]
fn a_saved_document_reads_back_into_the_same_recipes() {
    let doc = DocId::from_bytes([9; 16]);
    let a = recipe(doc, 1, 1, 2, vec![genesis_hash(doc)], &[20, 30]);
    let b = recipe(doc, 2, 1, 2, vec![genesis_hash(doc)], &[21]);
    let mut deps = vec![a.hash, b.hash];
    deps.sort_unstable();
    let c = recipe(doc, 1, 2, 4, deps, &[22]);
    let saved = save(doc, &[a.clone(), b.clone(), c.clone()]).unwrap();
    let mut again = load(doc, &saved, &[c.hash]).unwrap();
    again.sort_by_key(|r| r.hash);
    let mut all = vec![a, b, c.clone()];
    all.sort_by_key(|r| r.hash);
    assert_eq!(again, all);
    assert!(load(doc, &saved, &[all[0].hash]).is_err() || all[0].hash == c.hash);
    assert!(load(DocId::from_bytes([8; 16]), &saved, &[c.hash]).is_err(), "another document's genesis");
}

#[test]
fn facts_that_cannot_be_are_refused_without_a_panic() {
    let doc = DocId::from_bytes([9; 16]);
    let good = recipe(doc, 1, 1, 2, vec![genesis_hash(doc)], &[20]);
    for (why, change) in [
        ("no records", Recipe { records: vec![], ..good.clone() }),
        ("no deps", Recipe { deps: vec![], ..good.clone() }),
        ("seq 0", Recipe { seq: 0, ..good.clone() }),
        ("op 0", Recipe { start_op: 0, ..good.clone() }),
        ("op past u32", Recipe { start_op: u64::from(u32::MAX), ..good.clone() }),
        ("op past i64", Recipe { start_op: u64::MAX, ..good.clone() }),
        ("genesis actor", Recipe { actor: Bytes16(*doc.as_bytes()), ..good.clone() }),
        ("no record", Recipe { records: vec![Blob(vec![1, 2, 3])], ..good.clone() }),
    ] {
        assert!(change_hash(doc, &change).is_err(), "{why}");
    }
    for n in 0..200 {
        assert!(load(doc, &vec![0x85; n], &[]).is_err());
    }
}
