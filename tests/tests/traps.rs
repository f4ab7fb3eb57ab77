//! Traps: what is known to panic Automerge 0.12, to cost it gigabytes, or to leave it a document that no longer loads,
//! sent to every entry point that meets a peer's bytes. Each is answered by a verdict, in bounded time and memory, and
//! leaves the book as it was.
//!
//! Nothing that a peer sends reaches Automerge's decoder: a change travels as a recipe, which cannot even say most of
//! these. The list of traps is from tests with that version (the design folder's notes on sync engines, section 4.1).

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use std::io::Read;
use std::num::NonZeroU64;
use std::time::{Duration, Instant};

use automerge::legacy::{Key, ObjectId, Op, OpId, OpType};
use automerge::transaction::Transactable;
use automerge::{ActorId, AutoCommit, Automerge, Change, ExpandedChange, ROOT, ScalarValue};
use fixtures::forge::{Forged, next_recipe, own_id, signed};
use shared::bytes::{Blob, Bytes16, Bytes32};
use shared::ids::DocId;
use shared::problem::Code;
use shared::record::{Body, Note};
use shared::wire::{
    Bundle, BundledDoc, DocAnswer, DocOffer, ExchangeAnswer, ExchangeRequest, MOST_OFFERED, MOST_RECORDS, Recipe, SHORTEST_RECORD,
    ShortRecipe,
};
use sync_core::sync::{read_body, write_body};
use tests::Crew;

/// No trap may cost more than this: a hang or a bomb costs minutes or the machine. Not a measure of speed.
const SOON: Duration = Duration::from_secs(20);

struct Ground {
    crew: Crew,
    machine: DocId,
    tech: usize,
    helper: usize,
}

fn ground(seed: u64) -> Ground {
    let (crew, machine, [_, tech, helper]) = Crew::of_three(seed);
    Ground { crew, machine, tech, helper }
}

/// Recipes as they travel, in full.
fn named(recipes: &[Recipe]) -> Vec<ShortRecipe> {
    recipes.iter().cloned().map(Into::into).collect()
}

impl Ground {
    /// A good change on what the tech's phone has.
    fn good(&self, n: u8) -> Recipe {
        let body = Body::Note(Note { text: format!("note {n}"), visit: None });
        let by = self.crew.phones[self.tech].person;
        let book = &self.crew.phones[self.tech].book;
        let forged = Forged { id: own_id(book, n.into()), by, doc: self.machine, body };
        let (_, bytes) = signed(book, &forged, self.crew.now_ms);
        next_recipe(book, self.machine, Bytes16([n; 16]), vec![bytes])
    }

    fn request(&self, recipes: Vec<Recipe>) -> ExchangeRequest {
        let mut request = self.crew.offer(self.tech);
        request.docs.push(DocOffer { id: self.machine, heads: vec![], recipes: named(&recipes), lacking: false });
        request
    }

    fn log(&self) -> Vec<u64> {
        let phones = self.crew.phones.iter().map(|phone| &phone.book);
        phones.chain([&self.crew.shop]).map(|book| book.store().log().log_end().unwrap()).collect()
    }

    /// Sends changes to the shop, to a phone as if from the shop, and to a phone in a bundle. The shop's codes.
    fn everywhere(&mut self, recipes: Vec<Recipe>) -> Vec<Code> {
        let began = Instant::now();
        let before = self.log();
        let answer = self.crew.answer(self.tech, &self.request(recipes.clone()));
        let codes = answer.docs.iter().flat_map(|doc| &doc.refused).map(|refusal| refusal.code).collect();
        let mut from_shop = self.crew.answer(self.helper, &self.crew.offer(self.helper));
        slip_into(&mut from_shop, self.machine, named(&recipes));
        self.crew.take(self.helper, &from_shop);
        let made =
            self.crew.phones[self.tech].book.outgoing().make_bundle(&sync_core::sync::bundle::Load::Unsent, &self.crew.moment(0)).unwrap();
        let mut bundle: Bundle = read_body(&made.bundles[0], true).unwrap();
        bundle.docs.push(BundledDoc { id: self.machine, recipes: named(&recipes) });
        let bytes = write_body(&bundle, true).unwrap();
        let moment = self.crew.moment(self.helper);
        self.crew.phones[self.helper].book.peer().take_bundle(&bytes, &moment).unwrap();
        assert!(began.elapsed() < SOON, "answered after {:?}", began.elapsed());
        // A good record is saved out of a bundle's bad change, into a change of the receiver's own; nothing else moves.
        let after = self.log();
        let moved = after.iter().zip(&before).enumerate().filter(|(_, (a, b))| a != b).map(|(n, _)| n);
        assert!(moved.into_iter().all(|n| n == self.helper && after[n] == before[n] + 1), "{before:?} {after:?}");
        for book in self.crew.phones.iter().map(|phone| &phone.book).chain([&self.crew.shop]) {
            assert!(recipes.iter().all(|recipe| !book.store().log().holds_change(self.machine, recipe.hash).unwrap()));
            assert_eq!(book.verify().unwrap().faults, Vec::<String>::new());
        }
        codes
    }
}

/// Has an answer bring these of a document, instead of what it brought.
fn slip_into(answer: &mut ExchangeAnswer, doc: DocId, recipes: Vec<ShortRecipe>) {
    match answer.docs.iter_mut().find(|named| named.id == doc) {
        Some(named) => named.recipes = recipes,
        None => answer.docs.push(DocAnswer { recipes, ..DocAnswer::new(doc) }),
    }
}

/// Recipes whose numbers lie; a fitting hash is named where one can be made.
#[test]
fn numbers_that_panic_automerge_are_refused() {
    let mut ground = ground(1);
    let counters = [0, 1, 2, u64::from(u32::MAX) - 1, u64::from(u32::MAX), 1 << 30, 1 << 40, u64::MAX - 1, u64::MAX];
    let mut recipes: Vec<Recipe> = counters.iter().map(|start_op| Recipe { start_op: *start_op, ..ground.good(1) }).collect();
    recipes.extend([0, 2, 3, 1 << 31, 1 << 40, u64::MAX].map(|seq| Recipe { seq, ..ground.good(2) }));
    recipes.push(Recipe { actor: Bytes16(*ground.machine.as_bytes()), ..ground.good(3) });
    recipes.push(Recipe { deps: vec![], ..ground.good(4) });
    recipes.push(Recipe { records: vec![], ..ground.good(5) });
    recipes.push(Recipe { hash: Bytes32([9; 32]), ..ground.good(6) });
    recipes.extend([i64::MIN, -1, i64::MAX].map(|time| Recipe { time, ..ground.good(7) }));
    for recipe in &mut recipes {
        if let Ok(hash) = sync_core::change::replica::change_hash(ground.machine, recipe)
            && recipe.hash != Bytes32([9; 32])
        {
            recipe.hash = hash;
        }
    }
    let count = recipes.len();
    assert_eq!(ground.everywhere(recipes), vec![Code::ChangeInvalid; count]);
}

/// The second branch of one actor, which Automerge refuses for ever.
#[test]
fn the_same_sequence_number_twice_is_refused_and_the_first_stays() {
    let mut ground = ground(2);
    let (first, second) = (ground.good(1), Recipe { actor: Bytes16([1; 16]), ..ground.good(2) });
    let second = Recipe { hash: sync_core::change::replica::change_hash(ground.machine, &second).unwrap(), ..second };
    let answer = ground.crew.answer(ground.tech, &ground.request(vec![first.clone()]));
    assert!(answer.docs.iter().any(|doc| doc.taken == vec![first.hash]));
    ground.crew.level_all();
    assert_eq!(ground.everywhere(vec![second]), [Code::ChangeInvalid]);
}

#[test]
fn orphans_without_end_are_not_queued() {
    let mut ground = ground(3);
    let like = ground.good(1);
    let orphan = |n: usize| {
        let mut dep = [0xee; 32];
        dep[..8].copy_from_slice(&(n as u64).to_be_bytes());
        Recipe { deps: vec![Bytes32(dep)], hash: Bytes32(dep), ..like.clone() }
    };
    let orphans: Vec<Recipe> = (0..MOST_OFFERED).map(orphan).collect();
    let answer = ground.crew.answer(ground.tech, &ground.request(orphans.clone()));
    assert!(answer.docs.iter().all(|doc| doc.refused.is_empty() && doc.needed.len() <= 256), "asked for, and bounded");
    assert_eq!(ground.crew.shop.store().quarantine().quarantined().unwrap(), vec![]);
    let mut from_shop = ground.crew.answer(ground.helper, &ground.crew.offer(ground.helper));
    slip_into(&mut from_shop, ground.machine, named(&orphans));
    let before = ground.log();
    ground.crew.take(ground.helper, &from_shop);
    assert_eq!(ground.log(), before);
    // One more than agreed is refused before anything is looked at, and so is a change that builds on a thousand others.
    let mut too_many = orphans;
    too_many.push(orphan(MOST_OFFERED));
    let device = ground.crew.phones[ground.tech].book.identity().unwrap().device;
    let moment = ground.crew.moment(0);
    let request = ground.request(too_many);
    assert!(ground.crew.shop.peer().answer(device, &request, &moment, &mut ground.crew.dice).is_err());
    let wide = Recipe {
        deps: (0..10_000_u64)
            .map(|n| {
                let mut d = [0; 32];
                d[..8].copy_from_slice(&n.to_be_bytes());
                Bytes32(d)
            })
            .collect(),
        ..ground.good(2)
    };
    assert_eq!(ground.everywhere(vec![wide]), [Code::ChangeInvalid]);
}

/// Automerge's own bytes, each of which breaks it: they can only come as a record's bytes, or as a body, and are neither.
fn poison() -> Vec<(&'static str, Vec<u8>)> {
    let actor = ActorId::from(&[1u8; 16]);
    let other = OpId::new(77, &ActorId::from(&[2u8; 16]));
    let op = |obj, key, pred: Vec<OpId>, insert, action| Op { action, obj, key, pred: pred.into(), insert };
    let put = || OpType::Put(ScalarValue::Int(1));
    let change = |operations, start_op: u64, seq| {
        Change::from(ExpandedChange {
            operations,
            actor_id: actor.clone(),
            hash: None,
            seq,
            start_op: NonZeroU64::new(start_op).unwrap(),
            time: 0,
            message: None,
            deps: vec![],
            extra_bytes: vec![],
            author: None,
        })
        .raw_bytes()
        .to_vec()
    };
    let mut bombed = AutoCommit::new();
    bombed.put(ROOT, "zeros", ScalarValue::Bytes(vec![0; 8_000_000])).unwrap();
    vec![
        ("unknown object", change(vec![op(ObjectId::Id(other.clone()), Key::Map("a".into()), vec![], false, put())], 1, 1)),
        ("unknown element", change(vec![op(ObjectId::Root, Key::Seq(other.clone().into()), vec![], true, put())], 1, 1)),
        ("unknown predecessor", change(vec![op(ObjectId::Root, Key::Map("a".into()), vec![other], false, put())], 1, 1)),
        ("delete of nothing", change(vec![op(ObjectId::Root, Key::Map("a".into()), vec![], false, OpType::Delete)], 1, 1)),
        ("counter past u32", change(vec![op(ObjectId::Root, Key::Map("a".into()), vec![], false, put())], u64::from(u32::MAX) - 1, 1)),
        ("sequence gap", change(vec![op(ObjectId::Root, Key::Map("a".into()), vec![], false, put())], 1, 9)),
        (
            "a million operations",
            change((0..20_000).map(|_| op(ObjectId::Root, Key::Map("a".into()), vec![], false, put())).collect(), 1, 1),
        ),
        ("a deflate bomb", bombed.save()),
        ("an empty document", Automerge::new().save()),
    ]
}

#[test]
fn automerges_own_bytes_are_no_record_no_body_and_no_bundle() {
    let mut ground = ground(4);
    for (what, bytes) in poison() {
        assert!(read_body::<ExchangeRequest>(&bytes, false).is_err() && read_body::<ExchangeRequest>(&bytes, true).is_err(), "{what}");
        assert!(read_body::<ExchangeAnswer>(&bytes, false).is_err() && read_body::<ExchangeAnswer>(&bytes, true).is_err(), "{what}");
        let moment = ground.crew.moment(ground.helper);
        assert!(ground.crew.phones[ground.helper].book.peer().take_bundle(&bytes, &moment).is_err(), "{what}");
        // Not even read where it is shorter than a signature; else no record.
        if bytes.len() < SHORTEST_RECORD {
            let short = write_body(&ground.request(vec![Recipe { records: vec![Blob(bytes)], ..ground.good(1) }]), true).unwrap();
            assert!(read_body::<ExchangeRequest>(&short, true).is_err(), "{what}");
            continue;
        }
        let recipe = Recipe { records: vec![Blob(bytes)], hash: Bytes32([7; 32]), ..ground.good(1) };
        let codes = ground.everywhere(vec![recipe]);
        assert!(matches!(codes[..], [Code::ChangeInvalid | Code::Unreadable]), "{what}: {codes:?}");
    }
}

/// A message has the agreed fields and no other: there is no field in which a saved document or an operation could come.
#[test]
fn a_message_with_a_field_for_automerges_bytes_is_not_read() {
    let ground = ground(5);
    let request = ground.request(vec![ground.good(1)]);
    let answer = ciborium::Value::serialized(&shared::wire::DocAnswer::new(ground.machine)).unwrap();
    let with = |value: &ciborium::Value, field: &str| {
        let mut map = value.clone().into_map().unwrap();
        map.push((field.into(), ciborium::Value::Bytes(vec![0x85, 0x6f, 0x4a, 0x83])));
        ciborium::Value::Map(map)
    };
    for field in ["snapshot", "saved", "ops", "change", "doc"] {
        assert!(with(&answer, field).deserialized::<shared::wire::DocAnswer>().is_err(), "{field}");
        let recipe = ciborium::Value::serialized(&request.docs[request.docs.len() - 1].recipes[0]).unwrap();
        assert!(with(&recipe, field).deserialized::<Recipe>().is_err(), "{field}");
    }
}

#[test]
fn bodies_that_would_grow_without_end_are_not_read() {
    let began = Instant::now();
    let bomb = zstd::encode_all(std::io::repeat(0).take(1 << 31), 3).unwrap();
    assert!(bomb.len() < 1 << 20, "{}", bomb.len());
    let before = peak_kib();
    assert!(read_body::<ExchangeRequest>(&bomb, true).is_err());
    // A list that claims to have 2^60 entries, a text of 2^60 bytes, and ten thousand lists in one another.
    for head in [&[0x9b][..], &[0x7b], &[0x5b], &[0xbb]] {
        let claim = [head, &(1_u64 << 60).to_be_bytes()].concat();
        assert!(read_body::<ExchangeRequest>(&claim, false).is_err());
        assert!(sync_core::crypto::envelope::decode_unverified(&claim).is_err());
    }
    // Millions of empty records in a few hundred bytes, and one more than a change may have.
    let ground = ground(6);
    for records in [vec![Blob(vec![]); 3_000_000], vec![Blob(vec![7; SHORTEST_RECORD]); MOST_RECORDS + 1]] {
        let many = write_body(&ground.request(vec![Recipe { records, ..ground.good(1) }]), true).unwrap();
        assert!(many.len() < 20_000, "{}", many.len());
        assert!(read_body::<ExchangeRequest>(&many, true).is_err());
    }
    let nested = vec![0x81; 1 << 20];
    assert!(read_body::<ExchangeRequest>(&nested, false).is_err());
    assert!(sync_core::crypto::envelope::decode_unverified(&nested).is_err());
    assert!(peak_kib() - before < 200_000, "{} KiB more", peak_kib() - before);
    assert!(began.elapsed() < 3 * SOON);
}

/// The most memory that this process has had, in KiB.
fn peak_kib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|line| line.starts_with("VmHWM")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}
