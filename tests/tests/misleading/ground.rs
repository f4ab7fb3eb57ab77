//! A shop's book, and the book of the office's terminal, in which every text of every kind of record misleads.

use std::path::PathBuf;

use fixtures::forge::{Forged, next_recipe, signed};
use jiff::civil::date;
use shared::bytes::{Bytes16, Bytes32};
use shared::engine_card::Source;
use shared::hours::Hours;
use shared::ids::{DeviceId, DocId, PersonId, RecordId};
use shared::length::Length;
use shared::record::{
    Arrival, Body, Clearance, DayClosed, DayCounts, Decision, Device, DeviceRevoked, Finding, FindingCleared, FindingKind, HourReading,
    MachineCard, Note, Person, Photo, PropertyCard, Receipted, Ruling, ShopCard, SignOff, Stage, UnknownBody, Visit, Void,
};
use shared::role::Role;
use shared::slot::Slot;
use sync_core::book::Book;
use sync_core::crypto::envelope;
use sync_core::judge::ledger::Entry;
use sync_core::judge::permissions::DocKind;
use sync_core::store::Checked;
use sync_core::store::frontier::Frontier;
use sync_core::store::{Provenance, Store};
use tests::Crew;
use tests::{Dice, engine_card};

/// What each text is told by; the rest of it misleads.
pub(crate) fn hostile(what: &str) -> String {
    format!("{what}-\u{1b}[2J\u{7}\u{9b}31m\u{202e}\u{200b}\u{ad}\u{feff}\u{e0041}\rend")
}

/// Two books on a disk, which nothing has open.
pub(crate) struct Ground {
    pub(crate) folder: tempfile::TempDir,
    pub(crate) machine: DocId,
    pub(crate) property: DocId,
    pub(crate) tech: PersonId,
    pub(crate) visit: RecordId,
    pub(crate) records: Vec<RecordId>,
    pub(crate) now_ms: i64,
    /// A one-time code for the person of the office.
    pub(crate) code: String,
}

/// Who signs.
#[derive(Clone, Copy)]
enum By {
    Shop,
    Phone(usize),
}

struct Forge {
    crew: Crew,
    terminal: usize,
    next: u8,
    records: Vec<RecordId>,
}

impl Forge {
    fn book(&self, by: By) -> (&Book, PersonId) {
        match by {
            By::Shop => (&self.crew.shop, PersonId::shop(self.crew.shop.identity().unwrap().root.shop)),
            By::Phone(n) => (&self.crew.phones[n].book, self.crew.phones[n].person),
        }
    }

    fn sign(&mut self, by: By, doc: DocId, body: impl Into<Body>) -> (DeviceId, shared::record::Record, Vec<u8>) {
        self.crew.now_ms += 60_000;
        self.next += 1;
        let (book, person) = self.book(by);
        let forged = Forged { id: RecordId::from_time(self.crew.now_ms, [self.next; 10]), by: person, doc, body: body.into() };
        let (record, bytes) = signed(book, &forged, self.crew.now_ms);
        (book.identity().unwrap().device, record, bytes)
    }

    /// Puts records into a document of both books with the shop's receipt, past every check; gives their ids.
    fn put(&mut self, place: DocKind, doc: DocId, said: Vec<(By, Body)>) -> Vec<RecordId> {
        let mut all: Vec<_> = said.into_iter().map(|(by, body)| self.sign(by, doc, body)).collect();
        let receipted =
            all.iter().map(|(_, record, bytes)| Receipted { record: record.id, sha256: envelope::sha256(bytes) }).collect::<Vec<_>>();
        let ids: Vec<RecordId> = receipted.iter().map(|one| one.record).collect();
        let (at, brought_by) = (self.crew.now_ms, all[0].0);
        let receipt = Arrival { records: receipted, at, skew_ms: 0, uncertainty_ms: 40, brought_by, position: 1, released_by: None };
        all.push(self.sign(By::Shop, doc, receipt));
        for book in [&self.crew.shop, &self.crew.phones[self.terminal].book] {
            let recipe = next_recipe(book, doc, Bytes16([0xbd; 16]), all.iter().map(|(_, _, bytes)| bytes.clone()).collect());
            let mut frontier = Frontier::read(book.store(), doc).unwrap();
            frontier.advance(&recipe);
            let entry = |(device, record, bytes): &(DeviceId, shared::record::Record, Vec<u8>)| Checked {
                entry: Entry { device: *device, sha256: envelope::sha256(bytes), record: record.clone() },
                held: false,
            };
            let checked = all.iter().map(entry).collect();
            book.store().log().append(&mut frontier, place, vec![(recipe, checked)], Provenance::AT_SHOP).unwrap();
        }
        self.records.extend(&ids);
        ids
    }
}

fn clearance(valve: &str, go: i64, visit: Option<RecordId>) -> Body {
    let (go, no_go) = (Some(Length::from_thou(go)), Some(Length::from_thou(go + 1)));
    let valve = valve.parse().unwrap();
    Clearance { valve, stage: Stage::Found, go, no_go, leaves: vec![], cold: true, engine_tenth_c: None, adjusted: false, visit }.into()
}

impl Ground {
    pub(crate) fn lay() -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join("shop")).unwrap();
        let mut crew = Crew::over(41, Store::open(&folder.path().join("shop/shop.db")).unwrap());
        let [lead, tech] = [("Lead", Role::Lead), ("Tech", Role::Tech)].map(|(name, role)| crew.join(name, role));
        let machine = crew.machine("M-1");
        crew.give_yard(tech);
        let office = crew.phones[0].person;
        let terminal = crew.phone_on(office, Store::open(&folder.path().join("office.db")).unwrap());
        crew.level_all();
        let code = crew.shop.issue_code(office, office, &crew.moment(0), &mut crew.dice).unwrap().code;
        let property = crew.shop.finder().find_property("Test yard").unwrap();
        let tech_is = crew.phones[tech].person;
        let mut forge = Forge { crew, terminal, next: 0, records: Vec::new() };
        let (office, lead, tech) = (By::Phone(terminal), By::Phone(lead), By::Phone(tech));

        forge.of_the_shop(office, tech_is);
        let place = PropertyCard { name: hostile("property"), address: hostile("address"), access: hostile("access"), season: None };
        forge.put(DocKind::Property, property.doc(), vec![(office, place.into())]);
        let card = MachineCard {
            tag: hostile("tag"),
            description: hostile("description"),
            property,
            engine_card: Some(engine_card().card),
            cylinders: None,
            duty: shared::engine_card::Duty::Commercial,
            hours_per_week: None,
            provisional: false,
        };
        let visit = Visit { cold: true, engine_tenth_c: None, cautions_confirmed: true, purpose: hostile("purpose"), resumes: None };
        let visit = forge.put(DocKind::Machine, machine, vec![(office, card.into()), (tech, visit.into())])[1];
        forge.at_the_machine(machine, visit, [office, lead, tech]);
        let Forge { crew, records, .. } = forge;
        let now_ms = crew.now_ms + 60_000;
        drop(crew);
        // As a program finds it that opens the book: everything derived from what is there.
        for book in ["shop/shop.db", "office.db"] {
            let book = Book::open(&folder.path().join(book), &mut Dice::new(5)).unwrap();
            sync_core::engine::rebuild(book.store(), book.roster().unwrap()).unwrap();
            assert_eq!(book.verify().unwrap().faults, Vec::<String>::new());
        }
        Self { folder, machine, property: property.doc(), tech: tech_is, visit, records, now_ms, code }
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }
}

impl Forge {
    /// What is said of the shop, its people, devices, engines and days.
    fn of_the_shop(&mut self, office: By, person: PersonId) {
        let root = self.crew.shop.identity().unwrap().root;
        let device = DeviceId::from_bytes([0xd1; 16]);
        let issued_by = self.crew.phones[0].person;
        let (record_key, login_key) = (Bytes32([1; 32]), Bytes32([2; 32]));
        let card = Device { device, person, name: hostile("device"), record_key, login_key, issued_by };
        let said = vec![
            (office, ShopCard { name: hostile("shop"), ..ShopCard::usual("x", "UTC") }.into()),
            (office, Person { person, name: hostile("person") }.into()),
            (By::Shop, card.into()),
            (office, DeviceRevoked { device, reason: hostile("revoked") }.into()),
            (office, Body::Unknown(UnknownBody { kind: hostile("kind"), v: 1, body: ciborium::Value::Text(hostile("unknown")) })),
        ];
        self.put(DocKind::Roster, root.shop.roster(), said);
        let source = Some(Source { manual: hostile("manual"), page: hostile("page") });
        let card = shared::engine_card::EngineCard { name: hostile("engine"), source, ..engine_card() };
        self.put(DocKind::Engines, root.shop.engines(), vec![(office, card.into())]);
        let day = DayClosed {
            day: date(2026, 6, 1),
            counts: DayCounts::default(),
            left_open: hostile("left-open"),
            position: 1,
            part: 1,
            parts: 1,
            since: None,
            covers: vec![],
        };
        self.put(DocKind::Days, root.shop.days(), vec![(office, day.into())]);
    }

    /// What is said of the machine: readings that disagree and are ruled on, findings, notes, a photo, what was taken back.
    fn at_the_machine(&mut self, machine: DocId, visit: RecordId, [office, lead, tech]: [By; 3]) {
        let finding = |grade, what: &str| Finding { grade, what: hostile(what), visit: Some(visit) };
        let photo = Photo {
            sha256: Bytes32([7; 32]),
            size_bytes: 9,
            media_type: hostile("media"),
            caption: hostile("caption"),
            visit: Some(visit),
        };
        let said = vec![
            (tech, clearance("1I", 3, Some(visit))),
            (lead, clearance("1I", 7, None)),
            (tech, clearance("1E", 3, Some(visit))),
            (lead, clearance("1E", 8, None)),
            (tech, HourReading { meter: Hours::from_tenths(4_126), visit: Some(visit) }.into()),
            (tech, finding(FindingKind::Watch, "watch").into()),
            (tech, finding(FindingKind::Hold, "hold").into()),
            (tech, finding(FindingKind::Watch, "over").into()),
            (tech, Note { text: hostile("note"), visit: Some(visit) }.into()),
            (tech, Note { text: hostile("taken-back"), visit: None }.into()),
            (tech, photo.into()),
        ];
        let ids = self.put(DocKind::Machine, machine, said);
        let slot = Slot::Lash("1E".parse().unwrap(), Stage::Found);
        let ruling = Ruling { slot, of: vec![ids[2], ids[3]], decision: Decision::Stands(ids[2]), reason: hostile("ruling") };
        let said = vec![
            (tech, FindingCleared { finding: ids[7], how: hostile("cleared") }.into()),
            (tech, Void { target: ids[9], reason: hostile("void") }.into()),
            (office, ruling.into()),
            (tech, SignOff { visit, complete: true, remark: hostile("remark") }.into()),
            (tech, Body::Unknown(UnknownBody { kind: hostile("strange"), v: 9, body: ciborium::Value::Text(hostile("inside")) })),
        ];
        self.put(DocKind::Machine, machine, said);
    }
}
