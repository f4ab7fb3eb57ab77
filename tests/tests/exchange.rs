//! The exchange: one round trip, idempotent, resumable, and made good after every kind of loss.

use shared::record::Stage;
use shared::role::Role;
use sync_core::book::Book;
use sync_core::engine::BookError;
use sync_core::store::EPOCH;
use tests::Crew;

fn fleet(machines: usize) -> (Crew, Vec<shared::ids::DocId>, usize, usize) {
    let mut crew = Crew::new(3);
    let lead = crew.join("Lead", Role::Lead);
    let tech = crew.join("Tech", Role::Tech);
    let docs: Vec<_> = (0..machines).map(|n| crew.machine(&format!("M-{n}"))).collect();
    crew.give_yard(tech);
    crew.level_all();
    (crew, docs, lead, tech)
}

/// 400 records over 40 machines: one round trip each way. The sizes are printed for the closing note.
fn records_in(book: &Book) -> u64 {
    book.reader().status().expect("status").records
}

#[test]
fn a_days_exchange_is_one_round_trip() {
    let (mut crew, docs, lead, tech) = fleet(40);
    for doc in &docs {
        for (n, valve) in ["1I", "1E", "2I", "2E"].iter().enumerate() {
            crew.read(tech, *doc, valve, Stage::Found, 4, 5 + i64::try_from(n).unwrap());
            crew.read(tech, *doc, valve, Stage::Left, 5, 6);
        }
        crew.on(tech, |book, hand| book.author().read_hours(*doc, "100.0".parse().unwrap(), hand).unwrap());
        crew.on(tech, |book, hand| book.author().add_note(*doc, "checked", hand).unwrap());
    }
    let raw: usize = crew.offer(tech).docs.iter().flat_map(|d| &d.recipes).flat_map(|r| &r.records).map(|r| r.0.len()).sum();
    let all: Vec<u8> = crew.offer(tech).docs.iter().flat_map(|d| &d.recipes).flat_map(|r| &r.records).flat_map(|r| r.0.clone()).collect();
    let zstd = zstd::encode_all(all.as_slice(), 3).unwrap().len();
    crew.traffic = (0, 0);
    assert_eq!(crew.level(tech), 1, "one round trip");
    println!("up: 400 records raw {raw} B, zstd {zstd} B, exchange body {} B; answer {} B", crew.traffic.0, crew.traffic.1);
    crew.traffic = (0, 0);
    assert_eq!(crew.level(lead), 1, "one round trip");
    println!("down: request {} B, answer {} B", crew.traffic.0, crew.traffic.1);
    crew.traffic = (0, 0);
    assert_eq!(crew.level(lead), 1);
    assert!(crew.traffic.0 < 1024 && crew.traffic.1 < 1024, "an idle exchange is under 1 kB each way: {:?}", crew.traffic);
    assert_eq!(records_in(&crew.phones[lead].book), records_in(&crew.shop));
}

#[test]
fn the_same_request_twice_changes_nothing() {
    let (mut crew, docs, lead, tech) = fleet(2);
    crew.read(tech, docs[0], "1I", Stage::Found, 4, 5);
    let request = crew.offer(tech);
    let first = crew.answer(tech, &request);
    let sent_back: usize = first.docs.iter().map(|d| d.recipes.len()).sum();
    assert_eq!(sent_back, 1, "the receipt alone comes back, not what was offered");
    let end = crew.shop.store().log().log_end().unwrap();
    let second = crew.answer(tech, &request);
    assert_eq!(crew.shop.store().log().log_end().unwrap(), end, "nothing new was written");
    crew.take(tech, &first);
    let before = crew.phones[tech].book.store().log().log_end().unwrap();
    for late in [&second, &first] {
        let moment = crew.moment(tech);
        let taken = crew.phones[tech].book.peer().take_answer(&moment, late, &moment, &mut crew.dice);
        assert!(matches!(taken, Err(BookError::LateAnswer)), "an answer to an older request: {taken:?}");
    }
    assert_eq!(crew.phones[tech].book.store().log().log_end().unwrap(), before);
    crew.level_all();
    assert_eq!(crew.phones[tech].book.store().outbox().unsent(9).unwrap(), vec![]);
    assert_eq!(
        crew.phones[lead].book.store().projections().standings(docs[0]).unwrap(),
        crew.shop.store().projections().standings(docs[0]).unwrap()
    );
}

#[test]
fn a_message_that_names_a_document_twice_is_refused_whole() {
    let (mut crew, docs, _, tech) = fleet(2);
    crew.read(tech, docs[0], "1I", Stage::Found, 4, 5);
    let request = crew.offer(tech);
    let mut twice = request.clone();
    twice.docs.extend(request.docs.clone());
    let device = crew.phones[tech].book.identity().unwrap().device;
    let (moment, end) = (crew.moment(tech), crew.shop.store().log().log_end().unwrap());
    let refused = crew.shop.peer().answer(device, &twice, &moment, &mut crew.dice);
    assert!(matches!(&refused, Err(BookError::Message(why)) if why.contains("twice")), "{refused:?}");
    assert_eq!(crew.shop.store().log().log_end().unwrap(), end);
    let answer = crew.answer(tech, &request);
    let mut twice = answer.clone();
    twice.docs.extend(answer.docs.clone());
    let refused = crew.phones[tech].book.peer().take_answer(&moment, &twice, &moment, &mut crew.dice);
    assert!(matches!(&refused, Err(BookError::Message(why)) if why.contains("twice")), "{refused:?}");
    crew.take(tech, &answer);
    assert_eq!(crew.phones[tech].book.store().outbox().unsent(9).unwrap(), vec![]);
}

#[test]
fn a_lost_answer_is_made_good() {
    let (mut crew, docs, _, tech) = fleet(2);
    let record = crew.read(tech, docs[0], "1I", Stage::Found, 4, 5);
    let request = crew.offer(tech);
    let _lost = crew.answer(tech, &request);
    crew.read(tech, docs[0], "1E", Stage::Found, 5, 6);
    crew.level(tech);
    let held = crew.phones[tech].book.store().records().held(record).unwrap().unwrap();
    assert!(held.received_ms.is_some(), "its receipt came after all");
    assert_eq!(crew.phones[tech].book.verify().unwrap().faults, Vec::<String>::new());
    assert_eq!(crew.shop.verify().unwrap().faults, Vec::<String>::new());
}

#[test]
fn a_new_phone_is_filled_in_pages() {
    let (mut crew, docs, lead, tech) = fleet(30);
    let text = "x".repeat(3_900);
    for doc in &docs {
        for _ in 0..60 {
            crew.on(tech, |book, hand| book.author().add_note(*doc, &text, hand).unwrap());
        }
    }
    let up = crew.level(tech);
    assert!(up >= 2, "7 MB do not fit one page: {up}");
    let person = crew.phones[lead].person;
    let second = crew.phone_for(person);
    assert_eq!(crew.phones[second].book.store().documents().all().unwrap().len(), crew.shop.store().documents().all().unwrap().len());
    assert_eq!(records_in(&crew.phones[second].book), records_in(&crew.shop));
    assert_eq!(crew.phones[second].book.verify().unwrap().faults, Vec::<String>::new());
}

#[test]
fn a_tech_is_handed_what_is_assigned_and_no_more() {
    let (mut crew, docs, _, tech) = fleet(1);
    let stranger = crew.join("Stranger", Role::Tech);
    crew.level(stranger);
    assert!(crew.phones[stranger].book.store().documents().document(docs[0]).unwrap().is_none());
    crew.give_yard(stranger);
    crew.read(tech, docs[0], "1I", Stage::Found, 4, 5);
    crew.level(tech);
    crew.level(0);
    crew.level(stranger);
    assert_eq!(
        crew.phones[stranger].book.store().projections().standings(docs[0]).unwrap(),
        crew.shop.store().projections().standings(docs[0]).unwrap()
    );
    let person = crew.phones[stranger].person;
    crew.on(0, |book, hand| {
        let yard = book.finder().find_property("Test yard").unwrap();
        book.author().assign(person, yard, false, hand).unwrap()
    });
    crew.level(0);
    crew.read(tech, docs[0], "1E", Stage::Found, 5, 6);
    crew.level(tech);
    crew.level(stranger);
    let heads = |book: &sync_core::book::Book| book.store().documents().document(docs[0]).unwrap().unwrap().heads;
    assert_ne!(heads(&crew.phones[stranger].book), heads(&crew.shop), "taken away: nothing further is handed out");
}

#[test]
fn a_machine_entered_in_the_field_reaches_everyone() {
    let (mut crew, _, lead, tech) = fleet(1);
    let doc = crew.on(tech, |book, hand| {
        let property = book.finder().find_property("Test yard").unwrap();
        let card = shared::record::MachineCard {
            tag: "NEW-1".into(),
            description: "found in the shed".into(),
            property,
            engine_card: None,
            cylinders: Some(1),
            duty: shared::engine_card::Duty::Homeowner,
            hours_per_week: None,
            provisional: false,
        };
        book.author().add_machine(card, hand).unwrap()
    });
    crew.read(tech, doc, "1I", Stage::Found, 4, 5);
    assert_eq!(crew.level(tech), 1, "founding takes no second round trip");
    crew.level_all();
    for phone in [0, lead, tech] {
        let view = crew.phones[phone].book.machines().machine_view(doc, shared::length::LengthUnit::Thou, &crew.moment(phone)).unwrap();
        assert!(view.provisional && view.tag == "NEW-1", "phone {phone}");
    }
    crew.on(0, |book, hand| {
        let mut card = book.store().machine_rows().machine(doc).unwrap().unwrap().state.card.unwrap();
        card.engine_card = Some(tests::engine_card().card);
        book.author().restate_machine(doc, card, hand).unwrap()
    });
    crew.level_all();
    let view = crew.phones[tech].book.machines().machine_view(doc, shared::length::LengthUnit::Thou, &crew.moment(tech)).unwrap();
    assert_eq!((view.provisional, view.cylinders), (false, Some(2)));
}

/// A copied database: both go on, neither forks the other's actor, nothing is lost or doubled.
#[test]
fn what_was_written_while_offline_twice_over_merges() {
    let (mut crew, docs, lead, tech) = fleet(1);
    let a = crew.read(tech, docs[0], "1I", Stage::Found, 4, 5);
    let b = crew.read(lead, docs[0], "1I", Stage::Left, 5, 6);
    let c = crew.read(tech, docs[0], "1I", Stage::Left, 4, 5);
    crew.level_all();
    for phone in [0, lead, tech] {
        for record in [a, b, c] {
            assert!(crew.phones[phone].book.store().records().held(record).unwrap().is_some());
        }
        assert_eq!(
            crew.phones[phone].book.store().projections().standings(docs[0]).unwrap(),
            crew.shop.store().projections().standings(docs[0]).unwrap()
        );
        assert_eq!(crew.phones[phone].book.verify().unwrap().faults, Vec::<String>::new());
    }
}

/// The shop's file of last night, put back: the phones notice the new epoch and bring everything again.
#[test]
fn a_shop_restored_from_last_night_gets_everything_back() {
    use shared::bytes::Bytes16;
    use sync_core::book::Book;
    use sync_core::store::Store;
    let folder = tempfile::tempdir().unwrap();
    let (file, backup) = (folder.path().join("shop.db"), folder.path().join("night.db"));
    let mut crew = Crew::over(11, Store::open(&file).unwrap());
    let lead = crew.join("Lead", Role::Lead);
    let doc = crew.machine("M-1");
    crew.level_all();
    let reopen = |crew: &mut Crew| {
        let spare = Book::over(Store::in_memory().unwrap(), &mut crew.dice).unwrap();
        drop(std::mem::replace(&mut crew.shop, spare));
    };
    reopen(&mut crew);
    std::fs::copy(&file, &backup).unwrap();
    crew.shop = Book::over(Store::open(&file).unwrap(), &mut crew.dice).unwrap();
    let today: Vec<_> = ["1I", "1E", "2I"].iter().map(|valve| crew.read(lead, doc, valve, Stage::Found, 4, 5)).collect();
    let new = crew.machine("M-2");
    crew.level_all();
    let before = (crew.shop.store().projections().standings(doc).unwrap(), records_in(&crew.shop));
    reopen(&mut crew);
    for wal in ["shop.db-wal", "shop.db-shm"] {
        let _ = std::fs::remove_file(folder.path().join(wal));
    }
    std::fs::copy(&backup, &file).unwrap();
    crew.shop = Book::over(Store::open(&file).unwrap(), &mut crew.dice).unwrap();
    crew.shop.store().set_meta(&EPOCH, &Bytes16([0x77; 16])).unwrap();
    assert!(crew.shop.store().records().held(today[0]).unwrap().is_none(), "the backup is of last night");
    let report = crew.exchange(lead);
    assert!(report.shop_restored);
    crew.level_all();
    for record in &today {
        assert!(crew.shop.store().records().held(*record).unwrap().is_some());
    }
    assert!(crew.shop.store().machine_rows().machine(new).unwrap().is_some());
    assert_eq!((crew.shop.store().projections().standings(doc).unwrap(), records_in(&crew.shop)), before);
    for book in crew.phones.iter().map(|p| &p.book).chain([&crew.shop]) {
        assert_eq!(book.verify().unwrap().faults, Vec::<String>::new());
    }
    let heads = |book: &Book| book.store().documents().document(doc).unwrap().unwrap().heads;
    assert!(crew.phones.iter().all(|p| heads(&p.book) == heads(&crew.shop)));
}

/// A phone's database copied to a second device, both going on: neither forks an actor, nothing is lost or doubled.
#[test]
fn a_copied_phone_goes_on_as_two() {
    use sync_core::book::Book;
    use sync_core::store::Store;
    let (mut crew, docs, lead, tech) = fleet(1);
    let folder = tempfile::tempdir().unwrap();
    let (one, two) = (folder.path().join("one.db"), folder.path().join("two.db"));
    // The phone's book moves to a file by enrolling one there, so that it can be copied.
    let person = crew.phones[tech].person;
    let office = crew.phones[0].person;
    let moment = crew.moment(tech);
    let issued = crew.shop.issue_code(office, person, &moment, &mut crew.dice).unwrap();
    let mut book = Book::over(Store::open(&one).unwrap(), &mut crew.dice).unwrap();
    let request = book.enrol_request(&issued.code, "phone", &moment, &mut crew.dice).unwrap();
    let answer = crew.shop.admit_device(&request, &moment, &mut crew.dice).unwrap();
    book.enrolled(&answer, "http://127.0.0.1").unwrap();
    crew.phones[tech].book = book;
    crew.level(tech);
    let before = crew.read(tech, docs[0], "1I", Stage::Found, 4, 5);
    let spare = Book::over(Store::in_memory().unwrap(), &mut crew.dice).unwrap();
    drop(std::mem::replace(&mut crew.phones[tech].book, spare));
    std::fs::copy(&one, &two).unwrap();
    crew.phones[tech].book = Book::over(Store::open(&one).unwrap(), &mut crew.dice).unwrap();
    let copy = Book::over(Store::open(&two).unwrap(), &mut crew.dice).unwrap();
    crew.phones.push(tests::Phone { book: copy, person, clock_off_ms: 0 });
    let second = crew.phones.len() - 1;
    let on_one = crew.read(tech, docs[0], "1E", Stage::Found, 5, 6);
    let on_two = crew.read(second, docs[0], "2E", Stage::Found, 5, 6);
    crew.level_all();
    for phone in [0, lead, tech, second] {
        let book = &crew.phones[phone].book;
        let store = book.store();
        for record in [before, on_one, on_two] {
            assert!(store.records().held(record).unwrap().is_some_and(|h| h.received_ms.is_some()), "phone {phone}");
        }
        assert_eq!(book.reader().status().unwrap().waiting, 0, "nothing waits on phone {phone}");
        assert_eq!(crew.phones[phone].book.verify().unwrap().faults, Vec::<String>::new());
    }
    assert_eq!(crew.shop.store().quarantine().quarantined().unwrap(), vec![]);
}

/// Found by the simulator (seed 63): a machine whose founding card the shop does not take left an empty document behind.
#[test]
fn a_founding_that_is_refused_leaves_no_empty_document() {
    let (mut crew, _, _, tech) = fleet(1);
    let person = crew.phones[tech].person;
    crew.on(0, |book, hand| book.author().set_role(person, Some(Role::Office), hand).unwrap());
    crew.level_all();
    crew.on(0, |book, hand| book.author().set_role(person, Some(Role::Helper), hand).unwrap());
    crew.level(0);
    let doc = crew.on(tech, |book, hand| {
        let card = shared::record::MachineCard {
            tag: "NEW-2".into(),
            description: String::new(),
            property: book.finder().find_property("Test yard").unwrap(),
            engine_card: None,
            cylinders: Some(1),
            duty: shared::engine_card::Duty::Commercial,
            hours_per_week: None,
            provisional: false,
        };
        book.author().add_machine(card, hand).unwrap()
    });
    crew.level_all();
    let store = crew.phones[tech].book.store();
    assert!(store.documents().document(doc).unwrap().is_none() && store.machine_rows().machine(doc).unwrap().is_none());
    assert!(crew.phones[tech].book.verify().unwrap().faults.is_empty());
    assert_eq!(store.quarantine().quarantined().unwrap().len(), 1, "the card itself is kept");
}

/// Found by the fuzzer: healing took out an unsent change on which a change that came from the shop builds, and left that
/// one hanging.
#[test]
fn healing_leaves_what_the_shops_changes_build_on() {
    let (mut crew, docs, lead, tech) = fleet(2);
    let carried = crew.read(tech, docs[0], "1I", Stage::Found, 4, 5);
    let bundle = crew.phones[tech].book.outgoing().make_bundle(&sync_core::sync::bundle::Load::Unsent, &crew.moment(tech)).unwrap();
    let moment = crew.moment(lead);
    crew.phones[lead].book.peer().take_bundle(&bundle.bundles[0], &moment).unwrap();
    crew.read(lead, docs[0], "1E", Stage::Found, 5, 6);
    crew.level(lead);
    let later = crew.read(tech, docs[0], "2I", Stage::Found, 4, 5);
    let good = crew.read(tech, docs[0], "2E", Stage::Found, 4, 5);
    // The document is not at hand any more: somebody looked at another machine.
    crew.phones[tech].book.store().records().ledger_of(docs[1]).unwrap();
    // An answer to a request that offered nothing yet brings the lead's change, and refuses what the tech wrote last.
    let mut request = crew.offer(tech);
    let change = crew.phones[tech].book.store().outbox().unsent(1).unwrap()[0].recipe.hash;
    request.docs.clear();
    // In full, so that one can be left out of the list.
    request.segments = false;
    let mut answer = crew.answer(tech, &request);
    let refusal =
        shared::wire::Refusal { change, record: Some(later), code: shared::problem::Code::RoleMayNot, detail: "Not taken.".into() };
    let doc = answer.docs.iter_mut().find(|doc| doc.id == docs[0]).unwrap();
    doc.recipes.retain(|recipe| recipe.hash != Some(change));
    doc.refused.push(refusal);
    crew.take(tech, &answer);
    let book = &crew.phones[tech].book;
    assert_eq!(book.verify().unwrap().faults, Vec::<String>::new());
    assert!(book.store().records().held(carried).unwrap().is_some(), "the shop holds it: its own changes build on it");
    assert!(book.store().records().held(later).unwrap().is_none());
    let slot = shared::slot::Slot::Lash("2E".parse().unwrap(), Stage::Found);
    let standing = book.store().projections().standing(docs[0], &slot).unwrap().unwrap();
    assert_eq!(standing.stands, Some(good), "what was appended again stands, beside what came in the same answer");
    crew.level_all();
    let heads = |book: &Book| book.store().documents().document(docs[0]).unwrap().unwrap().heads;
    assert_eq!(heads(&crew.phones[tech].book), heads(&crew.shop));
    assert!(crew.phones[tech].book.verify().unwrap().faults.is_empty());
}
