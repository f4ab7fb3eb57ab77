//! A crew's books written in the older form, and opened by this program.

use std::collections::BTreeMap;
use std::path::Path;

use rusqlite::types::Value;
use rusqlite::{Connection, params, params_from_iter};
use shared::bytes::Bytes16;
use shared::ids::{DocId, PropertyId};
use shared::record::{Assignment, MachineCard, Person, PropertyCard, RoleGrant, ShopCard};
use shared::role::Role;
use shared::slot::Slot;
use shared::wire::Cursor;

use super::*;
use crate::book::{Book, Draft};
use crate::enrol::Founding;
use crate::moment::{Moment, fresh_doc, fresh_person};
use crate::replica::change_hash;
use crate::store::log::changes_in;
use crate::store::schema::{self, OLDER};
use crate::store::signed;
use crate::work::Hand;

const MORNING: i64 = 1_780_293_600_000;

struct Counted(u64);

impl Entropy for Counted {
    fn fill(&mut self, buffer: &mut [u8]) {
        for byte in buffer {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            *byte = u8::try_from(self.0 >> 56).unwrap();
        }
    }
}

/// A shop, the office's device and a tech's phone.
struct Crew {
    shop: Book,
    office: Book,
    phone: Book,
    tech: shared::ids::PersonId,
    machine: DocId,
    dice: Counted,
    minute: i64,
}

impl Crew {
    fn new() -> Self {
        let mut dice = Counted(7);
        let now = Moment::at(MORNING);
        let empty = |dice: &mut Counted| Book::over(Store::in_memory().unwrap(), dice).unwrap();
        let mut shop = empty(&mut dice);
        let founding = Founding { shop: ShopCard::usual("Shop", "UTC"), office_name: "Office".into(), issuer: "http://127.0.0.1".into() };
        let code = shop.found_shop(&founding, &now, &mut dice).unwrap();
        let (tech, machine) = (fresh_person(&now, &mut dice), fresh_doc(&now, &mut dice));
        let (office, phone) = (empty(&mut dice), empty(&mut dice));
        let mut crew = Self { shop, office, phone, tech, machine, dice, minute: 0 };
        crew.office = crew.enrolled(&code);
        crew.level_office();
        let property = PropertyId(fresh_doc(&now, &mut crew.dice).0);
        let roster = crew.shop.identity().unwrap().root.shop.roster();
        let card = MachineCard {
            tag: "Q-1".into(),
            description: String::new(),
            property,
            engine_card: None,
            cylinders: Some(2),
            duty: shared::engine_card::Duty::Commercial,
            provisional: false,
        };
        let yard = PropertyCard { name: "Yard".into(), address: String::new(), access: String::new() };
        let drafts: [(DocId, shared::record::Body); 5] = [
            (roster, Person { person: tech, name: "Pia Larkin".into() }.into()),
            (roster, RoleGrant { person: tech, role: Some(Role::Tech) }.into()),
            (roster, Assignment { person: tech, property, active: true }.into()),
            (property.doc(), yard.into()),
            (machine, card.into()),
        ];
        for (doc, body) in drafts {
            let now = crew.now();
            crew.office.write(vec![Draft::new(doc, body)], &now, &mut crew.dice).unwrap();
        }
        crew.level_office();
        crew.phone = crew.phone_of_tech();
        crew.level_phone();
        for n in 0..6 {
            crew.note_on_phone(&format!("note {n}"));
            crew.level_phone();
            crew.level_office();
        }
        crew
    }

    fn now(&mut self) -> Moment {
        self.minute += 1;
        Moment::at(MORNING + self.minute * 60_000)
    }

    fn enrolled(&mut self, code: &str) -> Book {
        let now = self.now();
        let mut book = Book::over(Store::in_memory().unwrap(), &mut self.dice).unwrap();
        let request = book.enrol_request(code, "phone", &now, &mut self.dice).unwrap();
        let answer = self.shop.admit_device(&request, &now, &mut self.dice).unwrap();
        book.enrolled(&answer, "http://127.0.0.1").unwrap();
        book
    }

    fn phone_of_tech(&mut self) -> Book {
        let (now, office) = (self.now(), self.office.identity().unwrap().person);
        let code = self.shop.issue_code(office, self.tech, &now, &mut self.dice).unwrap().code;
        self.enrolled(&code)
    }

    fn note_on_phone(&mut self, text: &str) {
        let mut hand = Hand { now: self.now(), entropy: &mut self.dice, measured_by: None };
        self.phone.add_note(self.machine, text, &mut hand).unwrap();
    }

    fn level_office(&mut self) {
        let now = self.now();
        level(&mut self.shop, &mut self.office, &now, &mut self.dice);
    }

    fn level_phone(&mut self) -> bool {
        let now = self.now();
        level(&mut self.shop, &mut self.phone, &now, &mut self.dice)
    }
}

/// Exchanges until both are level; whether the shop was found to be put back.
fn level(shop: &mut Book, book: &mut Book, now: &Moment, dice: &mut Counted) -> bool {
    let device = book.identity().unwrap().device;
    let mut restored = false;
    for _ in 0..20 {
        let request = book.offer(now).unwrap();
        let answer = shop.answer(device, &request, now, dice).unwrap();
        let report = book.take_answer(now, &answer, now, dice).unwrap();
        assert_eq!(report.refused, vec![]);
        restored |= report.shop_restored;
        if !report.more {
            return restored;
        }
    }
    panic!("they do not get level");
}

/// Writes a book in the older form: a row for each change, record and content, positions counted by changes.
fn write_older(book: &Store, old: &Connection) {
    old.execute_batch(&OLDER.concat()).unwrap();
    old.pragma_update(None, "user_version", 3).unwrap();
    for table in ["meta", "documents", "quarantine", "codes", "assertions", "contacts", "desks"] {
        // Columns that came later are not in it.
        let columns = old.prepare(&format!("SELECT * FROM {table}")).unwrap().column_names().join(", ");
        let mut statement = book.connection.prepare(&format!("SELECT {columns} FROM {table}")).unwrap();
        let count = statement.column_count();
        let places = vec!["?"; count].join(", ");
        let mut rows = statement.query([]).unwrap();
        while let Some(row) = rows.next().unwrap() {
            let values: Vec<Value> = (0..count).map(|n| row.get(n).unwrap()).collect();
            old.execute(&format!("INSERT INTO {table} ({columns}) VALUES ({places})"), params_from_iter(values)).unwrap();
        }
    }
    let mut moved_to: BTreeMap<u64, i64> = BTreeMap::from([(0, 0)]);
    let unsent = unsent(book);
    for part in book.parts("ORDER BY pos", []).unwrap() {
        let num = book.document(part.doc).unwrap().unwrap().num;
        let at_shop = !unsent.contains(&part.pos);
        for (recipe, _) in changes_in(part.doc, &part.pack, true).unwrap() {
            let deps: Vec<u8> = recipe.deps.iter().flat_map(|dep| dep.0).collect();
            let [seq, first, last] = [recipe.seq, recipe.start_op, recipe.start_op + recipe.records.len() as u64 - 1].map(signed);
            old.execute(
                "INSERT INTO changes (num, hash, actor, seq, start_op, top_op, deps, time, at_shop) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
                params![num, recipe.hash.0, recipe.actor.0, seq, first, last, deps, recipe.time, at_shop],
            )
            .unwrap();
            let pos = old.last_insert_rowid();
            for (idx, Blob(bytes)) in recipe.records.iter().enumerate() {
                let Entry { device, record } = entry(bytes).unwrap();
                let received = book.held(record.id).unwrap().unwrap().received_ms;
                let (slot, kind) = (Slot::of(&record).map(|slot| slot.0), record.body.kind());
                let (id, by, device) = (*record.id.as_bytes(), *record.by.as_bytes(), *device.as_bytes());
                old.execute(
                    "INSERT INTO records (id, num, slot, kind, author, device, written_ms, received_ms, bytes)
                     VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9) ON CONFLICT DO NOTHING",
                    params![id, num, slot, kind, by, device, record.at_ms, received, bytes],
                )
                .unwrap();
                old.execute("INSERT INTO contents (pos, idx, id) VALUES (?1, ?2, ?3)", params![pos, signed(idx as u64), id]).unwrap();
            }
            moved_to.insert(part.pos, pos);
        }
    }
    let older = |pos: u64| *moved_to.range(..=pos).next_back().unwrap().1;
    for (sql, into) in [
        ("SELECT pos, person, num FROM grants", "INSERT INTO grants (pos, person, num) VALUES (?1, ?2, ?3)"),
        ("SELECT pos, person, NULL FROM grants_all", "INSERT INTO grants_all (pos, person) SELECT ?1, ?2 WHERE ?3 IS NULL"),
        ("SELECT first_pos, opening, NULL FROM openings", "INSERT INTO openings (first_pos, opening) SELECT ?1, ?2 WHERE ?3 IS NULL"),
    ] {
        let mut statement = book.connection.prepare(sql).unwrap();
        let mut rows = statement.query([]).unwrap();
        while let Some(row) = rows.next().unwrap() {
            let (pos, who, num): (i64, Vec<u8>, Option<i64>) = (row.get(0).unwrap(), row.get(1).unwrap(), row.get(2).unwrap());
            old.execute(into, params![older(unsigned(pos)), who, num]).unwrap();
        }
    }
}

fn older_file(book: &Book, path: &Path) {
    write_older(book.store(), &Connection::open(path).unwrap());
}

fn unsent(store: &Store) -> BTreeSet<u64> {
    store.unsent(i64::MAX).unwrap().into_iter().map(|logged| logged.pos).collect()
}

/// What must be the same before and after, document by document: heads, changes with whether the shop holds them, records
/// with their receipts, standings.
fn content(store: &Store) -> Vec<String> {
    let mut lines = Vec::new();
    let unsent = unsent(store);
    for document in store.documents().unwrap() {
        lines.push(format!("{} {:?} {:?} {}", document.doc, document.place, document.heads, document.lacking));
        for part in store.parts_of(document.num).unwrap() {
            let at_shop = !unsent.contains(&part.pos);
            for (recipe, _) in changes_in(document.doc, &part.pack, true).unwrap() {
                lines.push(format!("{} at shop: {at_shop} {recipe:?}", document.doc));
                for Blob(bytes) in &recipe.records {
                    lines.push(format!("{:?}", store.held(entry(bytes).unwrap().record.id).unwrap().unwrap()));
                }
            }
        }
        lines.push(format!("{:?}", store.standings(document.doc).unwrap()));
    }
    lines.push(format!("{:?} {:?}", store.machines().unwrap(), store.counts().unwrap()));
    lines
}

fn is_clean(book: &Book) {
    assert_eq!(book.verify().unwrap().faults, Vec::<String>::new());
    let left = "SELECT count(*) FROM sqlite_schema WHERE name LIKE 'old~_%' ESCAPE '~'";
    assert_eq!(book.store.connection.query_row(left, [], |row| row.get::<_, i64>(0)).unwrap(), 0, "no older table is left");
    assert_eq!(book.store.meta::<bool>(MARK).unwrap(), None);
}

fn parts(store: &Store) -> usize {
    store.parts("ORDER BY pos", []).unwrap().len()
}

#[test]
fn books_of_the_older_form_open_and_say_the_same() {
    let mut crew = Crew::new();
    // Something on the phone that the shop does not hold, after what it does.
    crew.note_on_phone("not sent");
    let folder = tempfile::tempdir().unwrap();
    for (name, book) in [("shop", &crew.shop), ("office", &crew.office), ("phone", &crew.phone)] {
        let path = folder.path().join(name);
        older_file(book, &path);
        let moved = Book::open(&path, &mut crew.dice).unwrap();
        is_clean(&moved);
        assert_eq!(content(moved.store()), content(book.store()), "{name}");
        assert!(parts(moved.store()) < parts(book.store()), "{name}");
        assert_eq!(moved.store.meta::<Cursor>("cursor").unwrap(), book.store.meta::<Cursor>("cursor").unwrap(), "{name}");
        let [now, before] = [&moved, book].map(|book| book.store.meta::<Bytes16>("epoch").unwrap());
        assert_eq!(now == before, name != "shop", "a shop, and only a shop, begins a new epoch");
        drop(moved);
        let again = Book::open(&path, &mut crew.dice).unwrap();
        assert_eq!(again.store.meta::<Bytes16>("epoch").unwrap(), now, "and once only");
    }
    assert_eq!(crew.phone.store().unsent(10).unwrap().len(), 1, "the phone's own form was a real one");
}

#[test]
fn a_move_that_is_cut_off_begins_again() {
    let mut crew = Crew::new();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("shop.db");
    older_file(&crew.shop, &path);
    let rows = |sql: &str| Connection::open(&path).unwrap().query_row(sql, [], |row| row.get::<_, i64>(0)).unwrap();
    let changes = rows("SELECT count(*) FROM changes");
    // A record of the last document cannot be read: the documents before it were moved by then, and nothing of that is kept.
    let last = "(SELECT id FROM records ORDER BY num DESC, id DESC LIMIT 1)";
    let last_bytes = |connection: &Connection, table: &str| -> (Vec<u8>, Vec<u8>) {
        connection
            .query_row(&format!("SELECT id, bytes FROM {table} ORDER BY num DESC, id DESC LIMIT 1"), [], |r| Ok((r.get(0)?, r.get(1)?)))
            .unwrap()
    };
    let (id, good) = last_bytes(&Connection::open(&path).unwrap(), "records");
    Connection::open(&path).unwrap().execute(&format!("UPDATE records SET bytes = x'00' WHERE id = {last}"), []).unwrap();
    assert!(matches!(Store::open(&path), Err(StoreError::Damaged(_))));
    assert_eq!(rows("SELECT count(*) FROM old_changes"), changes);
    assert_eq!(rows("SELECT count(*) FROM parts") + rows("SELECT count(*) FROM records") + rows("SELECT count(*) FROM actors"), 0);
    Connection::open(&path).unwrap().execute("UPDATE old_records SET bytes = ?2 WHERE id = ?1", params![id, good]).unwrap();
    // Killed when all is moved and nothing is committed: the transaction is open when the file is dropped.
    let raw = || {
        let mut connection = Connection::open(&path).unwrap();
        schema::migrate(&mut connection).unwrap();
        connection
    };
    let store = Store { connection: raw(), ..Store::in_memory().unwrap() };
    store.begin().unwrap();
    store.move_older().unwrap();
    assert!(parts(&store) > 0);
    drop(store);
    assert_eq!(rows("SELECT count(*) FROM old_changes"), changes);
    assert_eq!(rows("SELECT count(*) FROM parts"), 0);
    drop(Store::open(&path).unwrap()); // Killed between the two steps: moved, and nothing derived.
    assert_eq!(rows("SELECT count(*) FROM views"), 0);
    let moved = Book::open(&path, &mut crew.dice).unwrap();
    is_clean(&moved);
    assert_eq!(content(moved.store()), content(crew.shop.store()));
}

#[test]
fn a_shop_that_was_moved_heals_with_its_devices() {
    let mut crew = Crew::new();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("shop.db");
    older_file(&crew.shop, &path);
    let records = crew.shop.store().counts().unwrap().0;
    // What the phone had handed over and the moved copy has not: offered again, since the epoch is another one.
    crew.note_on_phone("after the copy");
    crew.level_phone();
    assert!(!crew.phone.store().has_unsent().unwrap());
    crew.shop = Book::open(&path, &mut crew.dice).unwrap();
    assert!(crew.level_phone(), "the phone hears of a new epoch");
    crew.level_office();
    crew.level_phone();
    assert_eq!(crew.shop.store().counts().unwrap().0, records + 1);
    let mut fresh = crew.phone_of_tech();
    let now = crew.now();
    assert!(!level(&mut crew.shop, &mut fresh, &now, &mut crew.dice));
    crew.level_phone();
    crew.level_office();
    for book in [&crew.shop, &crew.office, &crew.phone, &fresh] {
        is_clean(book);
        let [here, there] = [book, &crew.shop].map(|book| book.store().document(crew.machine).unwrap());
        assert_eq!(here.unwrap().heads, there.unwrap().heads);
        assert!(!book.store().has_unsent().unwrap());
    }
    assert_eq!(fresh.store().standings(crew.machine).unwrap(), crew.shop.store().standings(crew.machine).unwrap());
}

#[test]
fn what_was_damaged_before_stays_so_for_verify_to_tell() {
    let mut crew = Crew::new();
    let old = Connection::open_in_memory().unwrap();
    write_older(crew.shop.store(), &old);
    let in_a_run = "SELECT a.pos, a.num FROM changes a JOIN changes b ON b.num = a.num AND b.actor = a.actor AND b.deps = a.hash LIMIT 1";
    let (pos, num): (i64, i64) = old.query_row(in_a_run, [], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
    let doc = crew.shop.store().document_by_num(num).unwrap().unwrap().doc;
    old.execute("UPDATE changes SET time = time + 1 WHERE pos = ?1", [pos]).unwrap();
    let moved = Book::over(Store::prepare(old).unwrap(), &mut crew.dice).unwrap();
    let faults = moved.verify().unwrap().faults;
    assert_eq!(faults.len(), 1, "{faults:?}");
    assert!(faults[0].starts_with(&format!("A change of document {doc} is not what its records make")));
    let [kept, was] = [&moved, &crew.shop]
        .map(|book| -> Vec<Bytes32> { book.store().changes_of(num).unwrap().into_iter().map(|logged| logged.recipe.hash).collect() });
    assert_eq!(kept, was, "every change has the name that others know it by");
}

#[test]
fn a_record_in_two_changes_and_a_long_document_are_moved() {
    let crew = Crew::new();
    let old = Connection::open_in_memory().unwrap();
    write_older(crew.shop.store(), &old);
    let store = crew.shop.store();
    let row = store.document(crew.machine).unwrap().unwrap();
    let last = store.changes_of(row.num).unwrap().pop().unwrap().recipe;
    let mut recipe = Recipe { actor: Bytes16([9; 16]), seq: 0, deps: row.heads, ..last };
    let mut top = recipe.start_op;
    let n: u64 = 1_300;
    for seq in 1..=n {
        recipe.seq = seq;
        recipe.start_op = top + 1;
        recipe.hash = change_hash(crew.machine, &recipe).unwrap();
        top = recipe.start_op;
        let deps: Vec<u8> = recipe.deps.iter().flat_map(|dep| dep.0).collect();
        old.execute(
            "INSERT INTO changes (num, hash, actor, seq, start_op, top_op, deps, time, at_shop) VALUES (?1, ?2, ?3, ?4, ?5, ?5, ?6, ?7, 1)",
            params![row.num, recipe.hash.0, recipe.actor.0, signed(seq), signed(top), deps, recipe.time],
        )
        .unwrap();
        let id = *entry(&recipe.records[0].0).unwrap().record.id.as_bytes();
        old.execute("INSERT INTO contents (pos, idx, id) VALUES (?1, 0, ?2)", params![old.last_insert_rowid(), id]).unwrap();
        recipe.deps = vec![recipe.hash];
    }
    old.execute("UPDATE documents SET heads = ?2 WHERE num = ?1", params![row.num, recipe.hash.0]).unwrap();
    let moved = Store::prepare(old).unwrap();
    assert_eq!(moved.document(crew.machine).unwrap().unwrap().heads, vec![recipe.hash]);
    let sizes: Vec<usize> =
        moved.parts_of(row.num).unwrap().iter().map(|part| changes_in(part.doc, &part.pack, false).unwrap().len()).collect();
    assert!(sizes.len() > 2 && sizes.iter().all(|size| *size <= MOST_RECORDS), "{sizes:?}");
    assert_eq!(sizes.iter().sum::<usize>(), store.changes_of(row.num).unwrap().len() + usize::try_from(n).unwrap());
}
