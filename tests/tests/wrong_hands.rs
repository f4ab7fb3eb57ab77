//! A device with a helper's key that keeps to no rule: each thing it tries is refused by code, kept in quarantine on both
//! sides, healed, and the good records beside it arrive.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use fixtures::forge::{Forged, next_recipe, own_id, signed, slip_in};
use shared::bytes::{Bytes16, Bytes32};
use shared::ids::{DocId, PersonId, RecordId};
use shared::problem::Code;
use shared::record::{Body, Decision, Note, Receipted, RoleGrant, Ruling, Stage, Void};
use shared::role::Role;
use shared::slot::Slot;
use sync_core::judge::permissions::DocKind;
use tests::Crew;

const BAD: u8 = 0xbd;

struct Ground {
    crew: Crew,
    machine: DocId,
    tech: usize,
    helper: usize,
    by_tech: RecordId,
    by_lead: RecordId,
}

/// A contested slot, and a helper's phone that has seen all of it.
fn ground() -> Ground {
    let (mut crew, machine, [lead, tech, helper]) = Crew::of_three(7);
    let by_lead = crew.read(lead, machine, "1I", Stage::Found, 3, 4);
    let by_tech = crew.read(tech, machine, "1I", Stage::Found, 5, 6);
    crew.level_all();
    Ground { crew, machine, tech, helper, by_tech, by_lead }
}

/// Slips a forged record in between two good ones, exchanges, and checks refusal, quarantine, healing and arrival.
fn tried(what: &str, code: Code, place: DocKind, forge: impl FnOnce(&Ground) -> Forged) {
    let mut ground = ground();
    let forged = forge(&ground);
    let helper = ground.helper;
    let before = ground.crew.read(helper, ground.machine, "2I", Stage::Found, 4, 5);
    let at_ms = ground.crew.now_ms;
    slip_in(&ground.crew.phones[helper].book, forged.doc, place, Bytes16([BAD; 16]), std::slice::from_ref(&forged), at_ms);
    let after = ground.crew.read(helper, ground.machine, "2E", Stage::Found, 5, 6);
    let report = ground.crew.exchange(helper);
    assert_eq!(report.refused.iter().map(|r| r.code).collect::<Vec<_>>(), [code], "{what}");
    assert!(report.refused[0].detail.ends_with('.'), "{what}: a sentence, not {:?}", report.refused[0].detail);
    ground.crew.level_all();
    let crew = &ground.crew;
    for (who, book) in [("shop", &crew.shop), ("phone", &crew.phones[helper].book)] {
        let quarantine = book.store().quarantine().quarantined().unwrap();
        assert_eq!(quarantine.iter().map(|q| (q.record, q.code)).collect::<Vec<_>>(), [(Some(forged.id), code)], "{what}: {who}");
        assert_eq!(book.verify().unwrap().faults, Vec::<String>::new(), "{what}: {who}");
        for good in [before, after] {
            assert!(book.store().records().held(good).unwrap().is_some_and(|h| h.received_ms.is_some()), "{what}: good record, {who}");
        }
        let heads = |doc| book.store().documents().document(doc).unwrap().unwrap().heads;
        assert_eq!(heads(ground.machine), crew.shop.store().documents().document(ground.machine).unwrap().unwrap().heads, "{what}: {who}");
    }
    assert_eq!(crew.phones[helper].book.store().outbox().unsent(1).unwrap(), vec![], "{what}: level");
    let standing =
        crew.shop.store().projections().standing(ground.machine, &Slot::Lash("1I".parse().unwrap(), Stage::Found)).unwrap().unwrap();
    assert_eq!(standing.stands, Some(ground.by_lead), "{what}: nothing refused stands");
    assert_eq!(crew.shop.roster().unwrap().role_now(crew.phones[helper].person), Some(Role::Helper), "{what}");
    assert!(
        crew.phones[ground.tech].book.store().records().held(forged.id).unwrap().is_none_or(|h| h.entry.record.body != forged.body),
        "{what}"
    );
}

#[test]
fn a_helper_rules() {
    tried("ruling", Code::RoleMayNot, DocKind::Machine, |g| Forged {
        id: own_id(&g.crew.phones[g.helper].book, 0xf1),
        by: g.crew.phones[g.helper].person,
        doc: g.machine,
        body: Body::Ruling(Ruling {
            slot: Slot::Lash("1I".parse().unwrap(), Stage::Found),
            of: vec![g.by_lead, g.by_tech],
            decision: Decision::Stands(g.by_tech),
            reason: String::new(),
        }),
    });
}

/// Let in by the office in its mildness, a helper's ruling is in the book and decides nothing.
#[test]
fn a_released_ruling_of_a_helper_decides_nothing() {
    let mut ground = ground();
    let helper = ground.helper;
    let slot = Slot::Lash("1I".parse().unwrap(), Stage::Found);
    let forged = Forged {
        id: own_id(&ground.crew.phones[helper].book, 0xf7),
        by: ground.crew.phones[helper].person,
        doc: ground.machine,
        body: Body::Ruling(Ruling {
            slot: slot.clone(),
            of: vec![ground.by_lead, ground.by_tech],
            decision: Decision::Stands(ground.by_tech),
            reason: String::new(),
        }),
    };
    let now_ms = ground.crew.now_ms;
    slip_in(&ground.crew.phones[helper].book, forged.doc, DocKind::Machine, Bytes16([BAD; 16]), std::slice::from_ref(&forged), now_ms);
    ground.crew.level(helper);
    let waiting = ground.crew.shop.store().quarantine().quarantined().unwrap()[0].id;
    let office = ground.crew.phones[0].person;
    let now = sync_core::sys::clock::ClockReading::at(ground.crew.now_ms);
    ground.crew.shop.peer().release(waiting, office, &now, &mut ground.crew.dice).unwrap();
    ground.crew.level_all();
    for book in [&ground.crew.shop, &ground.crew.phones[ground.tech].book] {
        assert!(book.store().records().held(forged.id).unwrap().is_some());
        let standing = book.store().projections().standing(ground.machine, &slot).unwrap().unwrap();
        assert_eq!((standing.stands, standing.ruling), (Some(ground.by_lead), None));
    }
}

/// Who lost a right cannot take back what took it, by a record that claims to be older: nobody decides on what is not there yet. Nor does
/// it help that the shop does not hold that yet, and that the office lets the record in.
#[test]
fn a_void_is_no_older_than_what_it_voids() {
    let mut ground = ground();
    let keeper = ground.crew.join("Keeper", Role::Office);
    ground.crew.level_all();
    let (person, roster) = (ground.crew.phones[keeper].person, ground.crew.shop.identity().unwrap().root.shop.roster());
    let before_ms = ground.crew.now_ms - 1;
    let mut demoted = None;
    ground.crew.on(0, |book, hand| demoted = Some(book.author().set_role(person, Some(Role::Tech), hand).unwrap()));
    let target = demoted.unwrap();
    let body = Body::Void(Void { target, reason: "not so".into() });
    let forged = Forged { id: own_id(&ground.crew.phones[keeper].book, 0xf8), by: person, doc: roster, body };
    let bad = Bytes16([BAD; 16]);
    slip_in(&ground.crew.phones[keeper].book, roster, DocKind::Roster, bad, std::slice::from_ref(&forged), before_ms);
    ground.crew.level(keeper);
    let waiting = ground.crew.shop.store().quarantine().quarantined().unwrap()[0].id;
    let (office, now) = (ground.crew.phones[0].person, sync_core::sys::clock::ClockReading::at(ground.crew.now_ms));
    ground.crew.shop.peer().release(waiting, office, &now, &mut ground.crew.dice).unwrap();
    ground.crew.level_all();
    for book in [&ground.crew.shop, &ground.crew.phones[ground.tech].book, &ground.crew.phones[0].book] {
        assert!(book.store().records().held(forged.id).unwrap().is_some() && book.store().records().held(target).unwrap().is_some());
        assert_eq!(book.roster().unwrap().role_now(person), Some(Role::Tech));
        assert_eq!(book.verify().unwrap().faults, Vec::<String>::new());
    }
}

/// What comes along with a resignation was decided before it; what comes later and says that it was, was not.
#[test]
fn who_resigns_does_not_undo_what_comes_with_it_and_decides_nothing_after() {
    let mut ground = ground();
    let (keeper, clerk) = (ground.crew.join("Keeper", Role::Office), ground.crew.join("Clerk", Role::Office));
    ground.crew.level_all();
    let (by, other) = (ground.crew.phones[keeper].person, ground.crew.phones[clerk].person);
    let before_ms = ground.crew.now_ms;
    ground.crew.on(keeper, |book, hand| {
        book.author().set_role(other, Some(Role::Lead), hand).unwrap();
        book.author().set_role(by, None, hand).unwrap();
    });
    let roles = |book: &sync_core::book::Book| [by, other].map(|person| book.roster().unwrap().role_now(person));
    assert_eq!(roles(&ground.crew.phones[keeper].book), [None, Some(Role::Lead)], "on the phone that says so");
    ground.crew.level_all();
    let after = [None, Some(Role::Lead)];
    assert_eq!(roles(&ground.crew.shop), after);
    let roster = ground.crew.shop.identity().unwrap().root.shop.roster();
    let body = Body::Role(RoleGrant { person: other, role: Some(Role::Office) });
    let forged = Forged { id: own_id(&ground.crew.phones[keeper].book, 0xf9), by, doc: roster, body };
    slip_in(&ground.crew.phones[keeper].book, roster, DocKind::Roster, Bytes16([BAD; 16]), std::slice::from_ref(&forged), before_ms);
    ground.crew.level(keeper);
    ground.crew.level_all();
    for book in [&ground.crew.shop, &ground.crew.phones[ground.tech].book, &ground.crew.phones[0].book] {
        assert_eq!(roles(book), after);
        assert_eq!(book.verify().unwrap().faults, Vec::<String>::new());
    }
}

#[test]
fn a_helper_gives_itself_a_role() {
    tried("role", Code::RoleMayNot, DocKind::Roster, |g| Forged {
        id: own_id(&g.crew.phones[g.helper].book, 0xf2),
        by: g.crew.phones[g.helper].person,
        doc: g.crew.shop.identity().unwrap().root.shop.roster(),
        body: Body::Role(RoleGrant { person: g.crew.phones[g.helper].person, role: Some(Role::Lead) }),
    });
}

#[test]
fn a_helper_writes_in_anothers_name() {
    tried("another's name", Code::NotTheAuthor, DocKind::Machine, |g| Forged {
        id: own_id(&g.crew.phones[g.helper].book, 0xf3),
        by: g.crew.phones[g.tech].person,
        doc: g.machine,
        body: Body::Note(Note { text: "I was never here".into(), visit: None }),
    });
}

#[test]
fn a_helper_writes_in_the_shops_name() {
    tried("the shop's name", Code::NotTheAuthor, DocKind::Machine, |g| Forged {
        id: own_id(&g.crew.phones[g.helper].book, 0xf4),
        by: PersonId::shop(g.crew.shop.identity().unwrap().root.shop),
        doc: g.machine,
        body: Body::Arrival(shared::record::Arrival {
            records: vec![Receipted { record: g.by_tech, sha256: Bytes32([1; 32]) }],
            at: 1,
            skew_ms: 0,
            uncertainty_ms: 0,
            brought_by: g.crew.phones[g.helper].book.identity().unwrap().device,
            position: 1,
            released_by: None,
        }),
    });
}

#[test]
fn a_helper_deletes_anothers_record() {
    tried("deletion", Code::RoleMayNot, DocKind::Machine, |g| Forged {
        id: own_id(&g.crew.phones[g.helper].book, 0xf5),
        by: g.crew.phones[g.helper].person,
        doc: g.machine,
        body: Body::Void(Void { target: g.by_tech, reason: "gone".into() }),
    });
}

/// This program's own book cannot even hold two records under one id, so the overwrite is put straight into the request,
/// beside a good record that builds on it.
#[test]
fn a_helper_overwrites_a_record() {
    let mut ground = ground();
    let helper = ground.helper;
    let good = ground.crew.read(helper, ground.machine, "2I", Stage::Found, 4, 5);
    let forged = Forged {
        id: ground.by_tech,
        by: ground.crew.phones[helper].person,
        doc: ground.machine,
        body: Body::Note(Note { text: "instead".into(), visit: None }),
    };
    let mut request = ground.crew.offer(helper);
    let book = &ground.crew.phones[helper].book;
    let (_, bytes) = signed(book, &forged, ground.crew.now_ms);
    let mut bad = unsent(book);
    bad.actor = Bytes16([BAD; 16]);
    bad.records = vec![shared::bytes::Blob(bytes.clone())];
    bad.hash = sync_core::change::replica::change_hash(ground.machine, &bad).unwrap();
    request.docs[0].recipes.insert(0, bad.clone().into());
    let answer = ground.crew.answer(helper, &request);
    let doc = answer.docs.iter().find(|d| d.id == ground.machine).unwrap();
    assert_eq!(
        doc.refused.iter().map(|r| (r.change, r.record, r.code)).collect::<Vec<_>>(),
        [(bad.hash, Some(ground.by_tech), Code::NotTheAuthor)]
    );
    ground.crew.take(helper, &answer);
    ground.crew.level_all();
    let shop = ground.crew.shop.store();
    assert!(shop.quarantine().is_quarantined(&bytes).unwrap());
    assert_ne!(shop.records().held(ground.by_tech).unwrap().unwrap().bytes, bytes);
    assert!(shop.records().held(good).unwrap().is_some_and(|h| h.received_ms.is_some()));
    assert_eq!(ground.crew.phones[helper].book.store().outbox().unsent(1).unwrap(), vec![]);
    for book in [&ground.crew.shop, &ground.crew.phones[helper].book] {
        assert_eq!(book.verify().unwrap().faults, Vec::<String>::new());
    }
}

#[test]
fn a_helper_copies_a_record_to_another_document() {
    // The record names the roster; it is offered in the machine's document.
    let mut ground = ground();
    let helper = ground.helper;
    let book = &ground.crew.phones[helper].book;
    let forged = Forged {
        id: own_id(book, 0xf6),
        by: ground.crew.phones[helper].person,
        doc: ground.crew.shop.identity().unwrap().root.shop.roster(),
        body: Body::Note(Note { text: "elsewhere".into(), visit: None }),
    };
    let (_, bytes) = signed(book, &forged, ground.crew.now_ms);
    let recipe = next_recipe(book, ground.machine, Bytes16([BAD; 16]), vec![bytes]);
    let mut request = ground.crew.offer(helper);
    request.docs.push(shared::wire::DocOffer { id: ground.machine, heads: vec![], recipes: vec![recipe.into()], lacking: false });
    let answer = ground.crew.answer(helper, &request);
    let refused = &answer.docs.iter().find(|d| d.id == ground.machine).unwrap().refused;
    assert_eq!(refused[0].code, Code::WrongDocument);
}

/// The first change that a book has to offer.
fn unsent(book: &sync_core::book::Book) -> shared::wire::Recipe {
    book.store().outbox().unsent(1).unwrap()[0].recipe.clone()
}

/// A change whose hash names something else than its recipe makes: a deletion, say. It never reaches Automerge.
#[test]
fn a_hash_of_another_change_is_refused() {
    let mut ground = ground();
    let helper = ground.helper;
    ground.crew.read(helper, ground.machine, "2I", Stage::Found, 4, 5);
    for (why, change) in [
        ("hash", (|r| r.hash = Bytes32([7; 32])) as fn(&mut shared::wire::Recipe)),
        ("time", |r| r.time += 1),
        ("sequence", |r| r.seq += 1),
        ("counter", |r| r.start_op += 1),
        ("counter past u32", |r| r.start_op = u64::from(u32::MAX)),
        ("no records", |r| r.records.clear()),
        ("records twice", |r| r.records = vec![r.records[0].clone(), r.records[0].clone()]),
        ("stump", |r| r.records[0].0.truncate(80)),
    ] {
        let mut request = ground.crew.offer(helper);
        let mut recipe = unsent(&ground.crew.phones[helper].book);
        change(&mut recipe);
        request.docs[0].recipes[0] = recipe.into();
        let answer = ground.crew.answer(helper, &request);
        let doc = answer.docs.iter().find(|d| d.id == ground.machine).unwrap();
        assert!(doc.taken.is_empty() && doc.refused.len() == 1, "{why}: {doc:?}");
    }
    ground.crew.level_all();
    assert_eq!(ground.crew.shop.verify().unwrap().faults, Vec::<String>::new());
}

/// The same with a hash that fits the changed facts: it is the facts themselves that are refused.
#[test]
fn facts_that_do_not_follow_are_refused_whatever_the_hash() {
    let mut ground = ground();
    let helper = ground.helper;
    let book = &ground.crew.phones[helper].book;
    let genesis = sync_core::change::replica::genesis_hash(ground.machine);
    let held_actor =
        book.store().log().changes_of(book.store().documents().document(ground.machine).unwrap().unwrap().num).unwrap()[0].recipe.actor;
    ground.crew.read(helper, ground.machine, "2I", Stage::Found, 4, 5);
    for (why, change) in [
        ("sequence", (|r, _, _| r.seq += 1) as fn(&mut shared::wire::Recipe, Bytes32, Bytes16)),
        ("counter ahead", |r, _, _| r.start_op += 1),
        ("counter behind", |r, _, _| r.start_op -= 1),
        ("built on the genesis alone, with a counter of the end", |r, genesis, _| r.deps = vec![genesis]),
        ("another's actor from the start", |r, _, actor| r.actor = actor),
        ("another's actor, not built on its last", |r, genesis, actor| {
            (r.actor, r.seq, r.deps, r.start_op) = (actor, 2, vec![genesis], 2);
        }),
    ] {
        let mut request = ground.crew.offer(helper);
        let mut recipe = unsent(&ground.crew.phones[helper].book);
        change(&mut recipe, genesis, held_actor);
        recipe.hash = sync_core::change::replica::change_hash(ground.machine, &recipe).unwrap();
        request.docs[0].recipes[0] = recipe.into();
        let answer = ground.crew.answer(helper, &request);
        let doc = answer.docs.iter().find(|d| d.id == ground.machine).unwrap();
        assert_eq!(doc.refused.iter().map(|r| r.code).collect::<Vec<_>>(), [Code::ChangeInvalid], "{why}");
    }
    ground.crew.level_all();
    assert_eq!(ground.crew.shop.verify().unwrap().faults, Vec::<String>::new());
}

#[test]
fn what_builds_on_nothing_known_waits_and_is_never_queued() {
    let mut ground = ground();
    let helper = ground.helper;
    ground.crew.read(helper, ground.machine, "2I", Stage::Found, 4, 5);
    let mut request = ground.crew.offer(helper);
    request.docs[0].recipes[0].deps = Some(vec![Bytes32([9; 32])]);
    let answer = ground.crew.answer(helper, &request);
    let doc = answer.docs.iter().find(|d| d.id == ground.machine).unwrap();
    assert_eq!((doc.needed.clone(), doc.refused.len()), (vec![Bytes32([9; 32])], 0));
}

#[test]
fn a_revoked_devices_late_records_wait_for_the_office() {
    let mut ground = ground();
    let helper = ground.helper;
    let late = ground.crew.read(helper, ground.machine, "2I", Stage::Found, 4, 5);
    let device = ground.crew.phones[helper].book.identity().unwrap().device;
    ground.crew.on(0, |book, hand| book.author().revoke_device(device, "left in a van", hand).unwrap());
    ground.crew.level(0);
    let report = ground.crew.exchange(helper);
    assert_eq!(report.refused[0].code, Code::DeviceRevoked);
    let waiting = ground.crew.shop.store().quarantine().quarantined().unwrap();
    assert_eq!(waiting[0].record, Some(late));
    let (office, now) = (ground.crew.phones[0].person, ground.crew.now_ms);
    ground.crew.shop.peer().release(waiting[0].id, office, &sync_core::sys::clock::ClockReading::at(now), &mut ground.crew.dice).unwrap();
    ground.crew.level(0);
    ground.crew.level(ground.tech);
    for phone in [0, ground.tech] {
        assert!(ground.crew.phones[phone].book.store().records().held(late).unwrap().is_some(), "released to phone {phone}");
        assert_eq!(ground.crew.phones[phone].book.verify().unwrap().faults, Vec::<String>::new());
    }
}
