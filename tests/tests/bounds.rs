//! How much the book takes, and that whatever it took it can hand out, verify, back up and put back: a device that floods
//! keeps nobody from the shop.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use fixtures::forge::{Forged, next_recipe, own_id, signed};

use proptest::prelude::*;
use shared::bytes::{Blob, Bytes16};
use shared::ids::DocId;
use shared::record::{Body, Note, Record, UnknownBody};
use shared::wire::{DocOffer, ExchangeAnswer, ExchangeRequest, LARGEST_CHANGE, MOST_RECORDS, Recipe, Refusal};
use sync_core::book::Book;
use sync_core::book::backup::restore_shop;
use sync_core::crypto::envelope;
use sync_core::judge::ledger::Entry;
use sync_core::store::Provenance;
use sync_core::store::frontier::Frontier;
use sync_core::store::{CURSOR, Checked};
use sync_core::sys::clock::ClockReading;
use tests::Crew;

/// The phone that floods, in a crew of three.
const HELPER: usize = 3;
const BAD: Bytes16 = Bytes16([0xbd; 16]);

/// Records of a size that the helper signs, of a kind that nobody knows. Each seed gives other ones.
fn blobs(crew: &Crew, phone: usize, doc: DocId, seed: u16, sizes: &[usize]) -> Vec<(Record, Vec<u8>)> {
    let by = crew.phones[phone].person;
    let book = &crew.phones[phone].book;
    let one = |(n, size): (usize, &usize)| {
        let id = own_id(book, 0xb1 << 32 | u64::from(seed) << 16 | n as u64);
        let body = UnknownBody { kind: "ballast".into(), v: 1, body: shared::cbor::to_value(&Blob(vec![0; *size])).unwrap() };
        signed(book, &Forged { id, by, doc, body: Body::Unknown(body) }, crew.now_ms)
    };
    sizes.iter().enumerate().map(one).collect()
}

/// What the shop refuses of changes that a device sends past its own program, one after another on the shop's heads.
fn send(crew: &mut Crew, phone: usize, doc: DocId, records: Vec<Vec<Vec<u8>>>) -> Vec<Refusal> {
    let mut refused = Vec::new();
    for records in records {
        let recipe = next_recipe(&crew.shop, doc, BAD, records);
        let offer = DocOffer { id: doc, heads: vec![], recipes: vec![recipe.into()], lacking: false };
        let request = ExchangeRequest { docs: vec![offer], room: Some(0), ..crew.offer(phone) };
        refused.extend(crew.answer(phone, &request).docs.into_iter().flat_map(|doc| doc.refused));
    }
    refused
}

fn bytes_of(records: Vec<(Record, Vec<u8>)>) -> Vec<Vec<u8>> {
    records.into_iter().map(|(_, bytes)| bytes).collect()
}

/// Puts a change into the shop's book beneath admission, as one that an earlier program took.
fn force(crew: &Crew, phone: usize, doc: DocId, records: Vec<(Record, Vec<u8>)>) {
    let device = crew.phones[phone].book.identity().unwrap().device;
    let store = crew.shop.store();
    let (checked, bytes): (Vec<Checked>, Vec<Vec<u8>>) = records
        .into_iter()
        .map(|(record, bytes)| (Checked { entry: Entry { device, sha256: envelope::sha256(&bytes), record }, held: false }, bytes))
        .unzip();
    let recipe: Recipe = next_recipe(&crew.shop, doc, BAD, bytes);
    let mut frontier = Frontier::read(store, doc).unwrap();
    frontier.advance(&recipe);
    let document = store.documents().document(doc).unwrap().unwrap();
    store.log().append(&mut frontier, document.place, vec![(recipe, checked)], Provenance::AT_SHOP).unwrap();
    sync_core::engine::projection::derive(store, &document, crew.shop.roster().unwrap()).unwrap();
}

/// Every phone but the flooding one, and a new one of the office, gets level through the bytes that travel, and holds what
/// the shop holds.
fn all_served(crew: &mut Crew, doc: DocId) {
    for phone in (0..crew.phones.len()).filter(|phone| *phone != HELPER) {
        crew.level(phone);
    }
    let office = crew.phones[0].person;
    let new = crew.phone_for(office);
    let heads = |book: &Book| book.store().documents().document(doc).unwrap().unwrap().heads;
    assert_eq!(heads(&crew.phones[new].book), heads(&crew.shop), "a new phone holds all of it");
    assert_eq!(crew.phones[new].book.peer().verify_deferred(usize::MAX >> 1).unwrap(), 0);
    assert_eq!(crew.phones[new].book.verify().unwrap().faults, Vec::<String>::new());
}

/// The shop's book verifies, is backed up, and comes back from the backup.
fn kept_and_restored(crew: &mut Crew) {
    assert_eq!(crew.shop.verify().unwrap().faults, Vec::<String>::new());
    let folder = tempfile::tempdir().unwrap();
    let (from, to) = (folder.path().join("backup.db"), folder.path().join("shop.db"));
    crew.shop.upkeep().backup_to(&from).unwrap();
    let restored = restore_shop(&from, &to, &ClockReading::at(crew.now_ms), &mut crew.dice).unwrap();
    assert_eq!(restored.verified.faults, Vec::<String>::new());
    crew.shop = Book::open(&to, &mut crew.dice).unwrap();
}

#[test]
fn a_change_over_the_bound_is_refused_and_its_records_may_come_in_smaller_ones() {
    let (mut crew, machine, [_, _, helper]) = Crew::of_three(31);
    let sizes = vec![60_000; LARGEST_CHANGE / 60_000 + 1];
    let all = bytes_of(blobs(&crew, helper, machine, 1, &sizes));
    let refused = send(&mut crew, helper, machine, vec![all.clone()]);
    assert_eq!(refused.iter().map(|r| (r.code.name(), r.record)).collect::<Vec<_>>(), [("change-invalid", None)]);
    assert!(crew.shop.store().quarantine().quarantined().unwrap().is_empty(), "the records come again");
    assert_eq!(send(&mut crew, helper, machine, all.chunks(8).map(<[_]>::to_vec).collect()), vec![]);
    all_served(&mut crew, machine);
}

#[test]
fn a_change_that_no_page_holds_is_served_and_kept_all_the_same() {
    let (mut crew, machine, [_, _, helper]) = Crew::of_three(32);
    for (seed, count) in [(1, 104), (2, 505), (3, MOST_RECORDS)] {
        let records = blobs(&crew, helper, machine, seed, &vec![if seed == 3 { 65_000 } else { 60_000 }; count]);
        force(&crew, helper, machine, records);
        all_served(&mut crew, machine);
    }
    // Tidied, what compresses to next to nothing is still no larger than can be read.
    for n in 0..8 {
        let records = blobs(&crew, helper, machine, 10 + n, &[60_000; 17]);
        force(&crew, helper, machine, records);
    }
    while crew.shop.upkeep().tidy(8).unwrap() > 0 {}
    all_served(&mut crew, machine);
    kept_and_restored(&mut crew);
    all_served(&mut crew, machine);
}

#[test]
fn a_part_larger_than_the_room_comes_change_by_change() {
    let (mut crew, machine, [lead, _, helper]) = Crew::of_three(33);
    let (mut recipes, records) = (Vec::new(), blobs(&crew, helper, machine, 1, &[9_000; 60]));
    let mut frontier = Frontier::read(crew.shop.store(), machine).unwrap();
    for (_, bytes) in records {
        let deps = frontier.heads();
        let mut recipe = next_recipe(&crew.shop, machine, BAD, vec![bytes]);
        recipe.seq = frontier.last_of(BAD).map_or(1, |last| last.seq + 1);
        recipe.start_op = frontier.top_op(crew.shop.store(), &deps).unwrap() + 1;
        recipe.deps = deps;
        recipe.hash = sync_core::change::replica::change_hash(machine, &recipe).unwrap();
        frontier.advance(&recipe);
        recipes.push(recipe.into());
    }
    let offer = DocOffer { id: machine, heads: vec![], recipes, lacking: false };
    let request = ExchangeRequest { docs: vec![offer], room: Some(0), ..crew.offer(helper) };
    assert!(crew.answer(helper, &request).docs.iter().all(|doc| doc.refused.is_empty()));
    for segments in [true, false] {
        let new = crew.phone_for(crew.phones[lead].person);
        // A phone that had all of it forgets, and asks again with little room.
        crew.phones[new].book.store().documents().forget_document(machine).unwrap();
        crew.phones[new].book.store().clear_meta(&CURSOR).unwrap();
        let mut pages = 0;
        loop {
            let request = ExchangeRequest { room: Some(50_000), segments, ..crew.offer(new) };
            let answer = crew.answer(new, &request);
            let size = |answer: &ExchangeAnswer| {
                let of_doc = |d: &shared::wire::DocAnswer| d.recipes.iter().flat_map(|r| &r.records).map(|r| r.0.len()).sum::<usize>();
                answer.docs.iter().map(of_doc).sum::<usize>()
            };
            assert!(size(&answer) <= 50_000, "{} bytes", size(&answer));
            pages += 1;
            if !crew.take(new, &answer).more {
                break;
            }
            assert!(pages < 100, "it goes on");
        }
        assert!(pages > 10, "{pages}");
        let heads = |book: &Book| book.store().documents().document(machine).unwrap().unwrap().heads;
        assert_eq!(heads(&crew.phones[new].book), heads(&crew.shop), "segments {segments}");
        assert!(!crew.phones[new].book.store().documents().document(machine).unwrap().unwrap().lacking);
    }
}

/// As many notes as a body of text has room for, each of this size, sent in changes of a hundred.
fn notes(crew: &Crew, phone: usize, doc: DocId, seed: u16, count: usize, size: usize) -> Vec<Vec<Vec<u8>>> {
    let by = crew.phones[phone].person;
    let one = |n: usize| {
        let id = own_id(&crew.phones[phone].book, 0xb2 << 32 | u64::from(seed) << 16 | n as u64);
        let body = Body::Note(Note { text: "n".repeat(size), visit: None });
        signed(&crew.phones[phone].book, &Forged { id, by, doc, body }, crew.now_ms).1
    };
    let all: Vec<Vec<u8>> = (0..count).map(one).collect();
    all.chunks(100).map(<[_]>::to_vec).collect()
}

const DAY_MIN: i64 = 24 * 60;

#[test]
fn a_document_takes_no_more_than_can_be_put_back() {
    let (mut crew, machine, [_, _, helper]) = Crew::of_three(34);
    let mut full = Vec::new();
    for day in 0..3 {
        // 4,096 notes of 3.9 kB: 16 MB, as much as one device brings in a day.
        let written = notes(&crew, helper, machine, day, 3_900, 3_900);
        let refused = send(&mut crew, helper, machine, written);
        full.extend(refused.into_iter().map(|r| r.code.name()));
        crew.wait_min(DAY_MIN);
    }
    full.sort_unstable();
    full.dedup();
    assert_eq!(full, ["document-full"], "its room ends before it could not be put back");
    let size = crew.shop.store().documents().document(machine).unwrap().unwrap().size;
    assert!(size.bytes > 18_000_000 && size.bytes < 22_000_000, "{size:?}");
    // The office still finds room, and the shop for its receipt.
    crew.level(0);
    let slip = notes(&crew, 0, machine, 99, 1, 1_000);
    assert_eq!(send(&mut crew, 0, machine, slip), vec![]);
    assert!(crew.shop.store().quarantine().quarantined().unwrap().iter().any(|q| q.code.name() == "document-full"), "the office sees it");
    all_served(&mut crew, machine);
    kept_and_restored(&mut crew);
    all_served(&mut crew, machine);
}

#[test]
fn a_flood_waits_on_its_own_device_and_goes_on_tomorrow() {
    let (mut crew, machine, [_, tech, helper]) = Crew::of_three(35);
    let roster = crew.shop.identity().unwrap().root.shop.roster();
    let taken_in = |crew: &Crew| crew.shop.store().documents().document(roster).unwrap().unwrap().size.records;
    let before = taken_in(&crew);
    let folder = tempfile::tempdir().unwrap();
    let (from, to) = (folder.path().join("backup.db"), folder.path().join("shop.db"));
    crew.shop.upkeep().backup_to(&from).unwrap();
    // 2,000 notes into the document that every phone has, written on the device itself.
    for batch in notes(&crew, helper, roster, 1, 2_000, 60) {
        let by = crew.phones[helper].person;
        let forged = |bytes: &Vec<u8>| {
            let record = sync_core::crypto::envelope::decode_unverified(bytes).unwrap().record;
            Forged { id: record.id, by, doc: roster, body: record.body }
        };
        let forged: Vec<Forged> = batch.iter().map(forged).collect();
        fixtures::forge::slip_in(
            &crew.phones[helper].book,
            roster,
            sync_core::judge::permissions::DocKind::Roster,
            BAD,
            &forged,
            crew.now_ms,
        );
    }
    let mut days = 0;
    let mut told = false;
    while crew.phones[helper].book.store().outbox().has_unsent().unwrap() {
        let rounds = crew.level(helper);
        assert!(rounds < 10, "no end of rounds: {rounds}");
        let now = taken_in(&crew) - before;
        assert!(now <= (days + 1) * 300, "{now} records after {days} days");
        told |= !crew.shop.store().quarantine().brought_too_much().unwrap().is_empty();
        // What is held back holds up nothing else.
        let reading = crew.read(helper, machine, "1I", shared::record::Stage::Found, 4, 5);
        crew.level(helper);
        assert!(crew.shop.store().records().holds_record(reading).unwrap());
        crew.wait_min(DAY_MIN);
        days += 1;
        assert!(days < 30);
    }
    assert!(days >= 7 && told, "{days} days");
    assert!(taken_in(&crew) - before >= 2_000, "all of it came in the end");
    assert!(crew.phones[helper].book.store().quarantine().quarantined().unwrap().is_empty());
    crew.level(tech);
    all_served(&mut crew, roster);
    // Put back from before the flood, the shop gets everything from one phone in one day: it has receipts for it.
    restore_shop(&from, &to, &ClockReading::at(crew.now_ms), &mut crew.dice).unwrap();
    crew.shop = Book::open(&to, &mut crew.dice).unwrap();
    crew.level(tech);
    assert!(taken_in(&crew) - before >= 2_000, "{} came back", taken_in(&crew) - before);
    assert_eq!(crew.shop.verify().unwrap().faults, Vec::<String>::new());
}

#[test]
fn quarantine_is_bounded_and_the_office_told() {
    let (mut crew, machine, [_, _, helper]) = Crew::of_three(36);
    let by = crew.phones[0].person;
    // In another's name: each is refused.
    let mut codes = std::collections::BTreeMap::new();
    for n in 0..700_u16 {
        let id = own_id(&crew.phones[helper].book, 0xb3 << 32 | u64::from(n));
        let body = Body::Note(Note { text: "n".repeat(500), visit: None });
        let (_, bytes) = signed(&crew.phones[helper].book, &Forged { id, by, doc: machine, body }, crew.now_ms);
        for refusal in send(&mut crew, helper, machine, vec![vec![bytes]]) {
            *codes.entry(refusal.code.name()).or_insert(0) += 1;
        }
    }
    assert_eq!(codes.into_iter().collect::<Vec<_>>(), [("not-the-author", 512), ("quarantine-full", 188)]);
    assert_eq!(crew.shop.store().quarantine().quarantined().unwrap().len(), 512);
    let told = crew.shop.store().quarantine().brought_too_much().unwrap();
    assert_eq!(
        told.iter().map(|t| (t.device, t.turned_away)).collect::<Vec<_>>(),
        [(crew.phones[helper].book.identity().unwrap().device, 188)]
    );
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 5, failure_persistence: None, ..ProptestConfig::default() })]

    /// Changes of any size around the bounds, taken or refused or from an earlier program: whatever the book then holds it
    /// serves page by page, verifies, backs up, gets back, and serves again.
    #[test]
    fn whatever_was_taken_is_served_and_comes_back(steps in proptest::collection::vec((0..4_u8, 0..4_usize, 0..3_i8, 0..8_u16), 1..5)) {
        let (mut crew, machine, [_, _, helper]) = Crew::of_three(37);
        for (n, (what, size, beyond, some)) in steps.into_iter().enumerate() {
            let size = [120, 1_900, 30_000, 65_200][size];
            // About the largest change, the most records, or the largest page.
            let about = LARGEST_CHANGE * if what == 1 { 7 } else { 1 } / (size + 250);
            let count = about.min(MOST_RECORDS).saturating_add_signed(isize::from(beyond - 1)).clamp(1, MOST_RECORDS);
            let records = blobs(&crew, helper, machine, u16::try_from(n).unwrap(), &vec![size; count]);
            match what {
                1 => force(&crew, helper, machine, records),
                2 => {
                    crew.wait_min(DAY_MIN);
                    crew.shop.upkeep().tidy(usize::from(some) + 1).unwrap();
                }
                _ => {
                    let over = records.iter().map(|(_, bytes)| bytes.len()).sum::<usize>() > LARGEST_CHANGE;
                    let refused = send(&mut crew, helper, machine, vec![bytes_of(records)]);
                    prop_assert_eq!(refused.len(), usize::from(over), "{} records of {}: {:?}", count, size, refused);
                }
            }
        }
        all_served(&mut crew, machine);
        kept_and_restored(&mut crew);
        while crew.shop.upkeep().tidy(8).unwrap() > 0 {}
        all_served(&mut crew, machine);
    }
}
