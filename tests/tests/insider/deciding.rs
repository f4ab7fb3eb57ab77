//! What decides: with the right when it was written and when it arrived, in every version, and by whose word.

use super::*;

/// Whoever was dismissed gives himself the role back with a record from before, voids the dismissal, and makes an accomplice office.
#[test]
fn a_backdated_record_decides_nothing() {
    let mut crew = Crew::new(6);
    let (fallen, accomplice) = (crew.join("Fallen", Role::Office), crew.join("Friend", Role::Helper));
    crew.level_all();
    let before_ms = crew.now_ms;
    crew.wait_min(60);
    let dismissal = set_role(&mut crew, fallen, Some(Role::Tech));
    let roster = roster_of(&crew);
    crew.wait_min(5);
    let friend = crew.phones[accomplice].person;
    for body in [
        Body::Void(Void { target: dismissal, reason: "never was".into() }),
        Body::Role(RoleGrant { person: friend, role: Some(Role::Office) }),
    ] {
        let deed = forged(&crew, fallen, 0x61, roster, body);
        slip(&crew, fallen, DocKind::Roster, &deed, before_ms);
        assert_eq!(refused(&mut crew, fallen), [Code::RoleMayNot]);
        assert!(!held_by_shop(&crew, deed.id));
    }
    let now = crew.shop.roster().unwrap();
    assert_eq!((now.role_now(crew.phones[fallen].person), now.role_now(friend)), (Some(Role::Tech), Some(Role::Helper)));
    clean(&crew);
}

/// The same, if it is in the book all the same (let in before this rule, or by a shop whose file was put back): it decides nothing.
#[test]
fn what_is_held_without_the_right_decides_nothing() {
    let (mut crew, machine, [lead, tech, _]) = Crew::of_three(8);
    let by_tech = crew.read(tech, machine, "1I", Stage::Found, 3, 4);
    let by_office = {
        let other = crew.join("Other", Role::Lead);
        crew.level_all();
        crew.read(other, machine, "1I", Stage::Found, 6, 7)
    };
    crew.level_all();
    let before_ms = crew.now_ms;
    crew.wait_min(10);
    set_role(&mut crew, lead, Some(Role::Tech));
    crew.wait_min(10);
    let slot = Slot::Lash("1I".parse().unwrap(), Stage::Found);
    let deed = Ruling { slot: slot.clone(), of: vec![by_tech, by_office], decision: Decision::Stands(by_tech), reason: String::new() };
    let deed = forged(&crew, lead, 0x62, machine, deed);
    let (record, bytes) = signed(&crew.phones[lead].book, &deed, before_ms);
    assert_eq!(record.id, deed.id);
    let device = crew.phones[lead].book.identity().unwrap().device;
    let sha256 = envelope::sha256(&bytes);
    let recipe = next_recipe(&crew.shop, machine, BAD, vec![bytes]);
    let mut frontier = sync_core::store::frontier::Frontier::read(crew.shop.store(), machine).unwrap();
    frontier.advance(&recipe);
    let checked = sync_core::store::Checked { entry: sync_core::judge::ledger::Entry { device, record, sha256 }, held: false };
    crew.shop
        .store()
        .log()
        .append(&mut frontier, DocKind::Machine, vec![(recipe, vec![checked])], sync_core::store::Provenance::AT_SHOP)
        .unwrap();
    sync_core::engine::rebuild(crew.shop.store(), crew.shop.roster().unwrap()).unwrap();
    let standing = crew.shop.store().projections().standing(machine, &slot).unwrap().unwrap();
    assert_eq!(
        (standing.ruling, standing.stands),
        (None, Some(by_office)),
        "the ex-lead's ruling from before is in the book and rules nothing"
    );
}

/// Two office people take each other's role away: whose record came first holds, on every replica.
#[test]
fn of_two_who_dismiss_each_other_the_first_to_arrive_holds() {
    for first in [0, 1] {
        let mut crew = Crew::new(9);
        let people = [crew.join("A", Role::Office), crew.join("B", Role::Office)];
        crew.level_all();
        let persons = people.map(|phone| crew.phones[phone].person);
        for n in [0, 1] {
            crew.on(people[n], |book, hand| book.author().set_role(persons[1 - n], Some(Role::Helper), hand).unwrap());
        }
        crew.level(people[first]);
        crew.level(people[1 - first]);
        crew.level_all();
        let roles = |book: &sync_core::book::Book| persons.map(|person| book.roster().unwrap().role_now(person));
        let at_shop = roles(&crew.shop);
        assert_eq!((at_shop[first], at_shop[1 - first]), (Some(Role::Office), Some(Role::Helper)));
        assert!(crew.phones.iter().all(|phone| roles(&phone.book) == at_shop));
        clean(&crew);
    }
}

/// An office person states a card for somebody else's device, with a key of their own and an earlier date.
#[test]
fn a_device_card_is_the_shops_own_word() {
    let (mut crew, _, [_, tech, _]) = Crew::of_three(11);
    let (office, roster) = (0, roster_of(&crew));
    let (taken, person) = (crew.phones[tech].book.identity().unwrap().device, crew.phones[tech].person);
    let card = Device {
        device: taken,
        person,
        name: "phone".into(),
        record_key: Bytes32([9; 32]),
        login_key: Bytes32([8; 32]),
        issued_by: crew.phones[office].person,
    };
    let deed = forged(&crew, office, 0x81, roster, card);
    slip(&crew, office, DocKind::Roster, &deed, crew.now_ms - 10_000_000);
    let key = |book: &sync_core::book::Book| book.roster().unwrap().devices[&taken].card.record_key;
    let genuine = key(&crew.shop);
    assert_eq!(key(&crew.phones[office].book), genuine, "not even its own book takes it for a device's card");
    assert_eq!(refused(&mut crew, office), [Code::RoleMayNot]);
    assert_eq!(key(&crew.shop), genuine);
    let the_card = {
        let ledger = crew.shop.store().records().ledger_of(roster).unwrap();
        ledger.entries().find(|e| matches!(&e.record.body, Body::Device(card) if card.device == taken)).unwrap().record.id
    };
    let voided = crew.on(office, |book, hand| book.author().void(the_card, "not mine", hand));
    assert!(matches!(voided, Err(BookError::Denied(_) | BookError::Entry(_) | BookError::Unknown(_))), "{voided:?}");
}

/// Every kind of today in a version of tomorrow, by a helper: where today's version is not theirs to write, neither is that.
#[test]
fn a_known_kind_keeps_its_rights_in_every_version() {
    let (mut crew, machine, [_, _, helper]) = Crew::of_three(15);
    let shop = crew.shop.identity().unwrap().root.shop;
    let helpers = ["visit", "hours", "meter-change", "clearance", "finding", "note", "photo"];
    for kind in Body::KINDS.iter().copied().chain(["weather"]) {
        for (doc, place) in [(machine, DocKind::Machine), (shop.roster(), DocKind::Roster), (shop.engines(), DocKind::Engines)] {
            let body = UnknownBody { kind: kind.to_owned(), v: 2, body: Value::Map(vec![]) };
            let (before, deed) = (crew.phones[helper].book.store().outbox().unsent(1).unwrap(), Body::Unknown(body));
            assert_eq!(before, vec![]);
            let deed = Forged {
                id: own_id(&crew.phones[helper].book, crew.now_ms.unsigned_abs()),
                by: crew.phones[helper].person,
                doc,
                body: deed,
            };
            slip(&crew, helper, place, &deed, crew.now_ms);
            let codes = refused(&mut crew, helper);
            let common = matches!(kind, "note" | "photo");
            let allowed = place.takes(kind) && (helpers.contains(&kind) || (kind == "weather" && place == DocKind::Machine));
            assert_eq!(codes.is_empty(), allowed, "{kind} of tomorrow in {place:?}: {codes:?}");
            assert!(common || allowed || !held_by_shop(&crew, deed.id), "{kind} {place:?}");
            crew.level(helper);
            crew.wait_min(1);
        }
    }
    clean(&crew);
}

/// The office dismisses somebody of the office where there is no signal; before the shop hears of it, the other makes themselves and a
/// friend office. The dismissal is older: what came after it ceases to count.
#[test]
fn what_was_granted_after_a_dismissal_ceases_to_count_when_the_shop_hears_of_it() {
    let (mut crew, _, [lead, _, _]) = Crew::of_three(24);
    let other = crew.join("Other office", Role::Office);
    crew.level_all();
    let (me, friend) = (crew.phones[other].person, crew.phones[lead].person);
    crew.on(0, |book, hand| book.author().set_role(me, None, hand).unwrap());
    crew.wait_min(10);
    for person in [me, friend] {
        crew.on(other, |book, hand| book.author().set_role(person, Some(Role::Office), hand).unwrap());
    }
    crew.level(other);
    assert_eq!(crew.shop.roster().unwrap().role_now(friend), Some(Role::Office), "nobody at the shop could know");
    crew.level(0);
    let roles = |crew: &Crew| [me, friend].map(|person| crew.shop.roster().unwrap().role_now(person));
    assert_eq!(roles(&crew), [None, Some(Role::Lead)]);
    crew.level_all();
    clean(&crew);
}

/// The same with a grant of an earlier time: it came after the dismissal, which was on its way. What came before it counts.
#[test]
fn what_arrived_after_a_dismissal_ceases_to_count_when_the_shop_hears_of_it() {
    let (mut crew, _, [lead, tech, _]) = Crew::of_three(26);
    let other = crew.join("Other office", Role::Office);
    crew.level_all();
    let (me, friend, before) = (crew.phones[other].person, crew.phones[lead].person, crew.phones[tech].person);
    crew.on(other, |book, hand| book.author().set_role(before, Some(Role::Helper), hand).unwrap());
    crew.level(other);
    crew.on(other, |book, hand| book.author().set_role(friend, Some(Role::Office), hand).unwrap());
    crew.wait_min(10);
    crew.on(0, |book, hand| book.author().set_role(me, None, hand).unwrap());
    crew.wait_min(10);
    crew.level(other);
    let roles = |book: &sync_core::book::Book| [me, friend, before].map(|person| book.roster().unwrap().role_now(person));
    assert_eq!(roles(&crew.shop), [Some(Role::Office), Some(Role::Office), Some(Role::Helper)], "nobody at the shop could know");
    crew.level(0);
    crew.level_all();
    for book in [&crew.shop, &crew.phones[0].book, &crew.phones[tech].book] {
        assert_eq!(roles(book), [None, Some(Role::Lead), Some(Role::Helper)]);
    }
    clean(&crew);
}

/// The dismissal is known first, and the office lets the earlier grant in all the same: that the author had no right any more when it
/// arrived is what the office has decided about.
#[test]
fn a_grant_from_before_a_dismissal_counts_once_the_office_lets_it_in() {
    let (mut crew, _, [lead, _, _]) = Crew::of_three(28);
    let other = crew.join("Other office", Role::Office);
    crew.level_all();
    let (me, friend) = (crew.phones[other].person, crew.phones[lead].person);
    crew.on(other, |book, hand| book.author().set_role(friend, Some(Role::Office), hand).unwrap());
    crew.wait_min(10);
    crew.on(0, |book, hand| book.author().set_role(me, None, hand).unwrap());
    crew.level(0);
    crew.wait_min(10);
    crew.level(other);
    assert_eq!(crew.shop.roster().unwrap().role_now(friend), Some(Role::Lead));
    let waiting = crew.shop.store().quarantine().quarantined().unwrap()[0].id;
    let (office, now) = (crew.phones[0].person, ClockReading::at(crew.now_ms));
    crew.shop.peer().release(waiting, office, &now, &mut crew.dice).unwrap();
    crew.level_all();
    assert_eq!(crew.shop.roster().unwrap().role_now(friend), Some(Role::Office));
    clean(&crew);
}

/// What takes the author's own right away was written with that right.
#[test]
fn an_office_person_gives_up_their_own_role() {
    let mut crew = Crew::new(27);
    let other = crew.join("Other office", Role::Office);
    crew.level_all();
    let me = crew.phones[other].person;
    crew.on(other, |book, hand| book.author().set_role(me, Some(Role::Tech), hand).unwrap());
    crew.wait_min(10);
    crew.level_all();
    assert_eq!(crew.shop.roster().unwrap().role_now(me), Some(Role::Tech));
    clean(&crew);
}

/// A lead proposes an engine card, and a helper's ruling lets it in, which the office released: no visit is judged by it.
#[test]
fn a_ruling_without_the_right_puts_no_engine_card_in_force() {
    let (mut crew, machine, [lead, tech, helper]) = Crew::of_three(25);
    let engines = crew.shop.identity().unwrap().root.shop.engines();
    let mut proposed = tests::engine_card();
    proposed.source = Some(shared::engine_card::Source { manual: "Another".into(), page: "1".into() });
    let slot = Slot::EngineCard(proposed.card);
    let proposal = crew.on(lead, |book, hand| book.write(vec![Draft::new(engines, proposed)], &hand.now, hand.entropy).unwrap()[0]);
    crew.level_all();
    let ruling = Ruling { slot, of: vec![proposal], decision: Decision::Stands(proposal), reason: String::new() };
    let deed = forged(&crew, helper, 0x61, engines, ruling);
    slip(&crew, helper, DocKind::Engines, &deed, crew.now_ms);
    crew.level(helper);
    let waiting = crew.shop.store().quarantine().quarantined().unwrap()[0].id;
    let (office, now) = (crew.phones[0].person, ClockReading::at(crew.now_ms));
    crew.shop.peer().release(waiting, office, &now, &mut crew.dice).unwrap();
    crew.level_all();
    assert!(held_by_shop(&crew, deed.id));
    crew.wait_min(60);
    let entry = VisitEntry { cold: true, cautions_confirmed: true, ..Default::default() };
    let visit = crew.on(tech, |book, hand| book.author().open_visit(machine, &entry, hand).unwrap().visit);
    crew.read(tech, machine, "1I", Stage::Left, 5, 6);
    crew.on(tech, |book, hand| book.author().finish_visit(machine, None, "", hand).unwrap());
    crew.level_all();
    let record = crew.shop.machines().service_record(visit, LengthUnit::Thou, &crew.moment(0)).unwrap();
    assert_eq!(record.source, "Invented manual, 12");
}

/// A device says its clock is an hour off; the shop measures that it is right. The record's time is in doubt by that hour.
#[test]
fn evidence_that_contradicts_the_shops_measure_is_in_doubt() {
    let hour = 3_600_000;
    let record = |clock| Record {
        id: RecordId::from_bytes([1; 16]),
        doc: DocId::from_bytes([2; 16]),
        by: shared::ids::PersonId::from_bytes([3; 16]),
        measured_by: None,
        at_ms: 100 * hour,
        clock,
        seen: vec![],
        body: Body::Note(Note { text: "x".into(), visit: None }),
    };
    let said = |offset_ms| ClockEvidence { offset_ms: Some(offset_ms), uncertainty_ms: Some(50), ..ClockEvidence::default() };
    let receipt = Receipt { at_ms: 110 * hour, skew_ms: hour, uncertainty_ms: 5_000, of_writer: true, released: false };
    let honest = correct(&record(said(hour)), Some(&receipt), None);
    assert_eq!((honest.in_doubt, honest.uncertainty_ms), (false, 50));
    // Reversed, it moves the record by twice its skew.
    let reversed = correct(&record(said(-hour)), Some(&receipt), None);
    assert!(reversed.in_doubt && reversed.uncertainty_ms >= 2 * hour, "{reversed:?}");
    // Another device's clock says nothing of it.
    let carried = receipt.of_record(DeviceId::from_bytes([1; 16]), DeviceId::from_bytes([2; 16]));
    assert!(!correct(&record(said(-hour)), Some(&carried), None).in_doubt);
}

/// A lead takes back a role that the office gave: what the office alone writes, the office alone takes back.
#[test]
fn a_lead_takes_back_nothing_of_the_offices() {
    let (mut crew, _, [lead, _, _]) = Crew::of_three(17);
    let other = crew.join("Other", Role::Lead);
    let grant = set_role(&mut crew, other, Some(Role::Helper));
    crew.level_all();
    let said = crew.on(lead, |book, hand| book.author().void(grant, "no", hand));
    assert!(matches!(said, Err(BookError::Denied(_))), "{said:?}");
    let deed = forged(&crew, lead, 0x63, roster_of(&crew), Void { target: grant, reason: "no".into() });
    slip(&crew, lead, DocKind::Roster, &deed, crew.now_ms);
    assert_eq!(refused(&mut crew, lead), [Code::RoleMayNot]);
    assert_eq!(crew.shop.roster().unwrap().role_now(crew.phones[other].person), Some(Role::Helper));
    clean(&crew);
}

/// An id that stands for none is nobody's to write under, into or about.
#[test]
fn an_id_that_names_nothing_is_taken_nowhere() {
    for (bits, n) in [[0; 16], [0xff; 16]].into_iter().flat_map(|bits| (0..4).map(move |n| (bits, n))) {
        let (mut crew, machine, [_, tech, _]) = Crew::of_three(23);
        let card = |property| MachineCard {
            tag: "N-1".into(),
            description: String::new(),
            property: PropertyId::from_bytes(property),
            engine_card: None,
            cylinders: Some(1),
            duty: shared::engine_card::Duty::Homeowner,
            hours_per_week: None,
            provisional: true,
        };
        let (nowhere, record) = (DocId::from_bytes(bits), RecordId::from_bytes(bits));
        let note = |visit| Note { text: "was here".into(), visit };
        let deed = match n {
            0 => forged(&crew, tech, 0x71, nowhere, card([5; 16])),
            1 => forged(&crew, tech, 0x72, DocId::from_bytes([0x72; 16]), card(bits)),
            2 => forged(&crew, tech, 0x73, machine, note(Some(record))),
            _ => Forged { id: record, ..forged(&crew, tech, 0x74, machine, note(None)) },
        };
        let now_ms = crew.now_ms;
        slip(&crew, tech, DocKind::Machine, &deed, now_ms);
        assert_eq!(refused(&mut crew, tech), [Code::BodyInvalid], "{deed:?}");
        assert!(!held_by_shop(&crew, deed.id) && crew.shop.store().documents().document(nowhere).unwrap().is_none());
        assert_eq!(crew.shop.verify().unwrap().faults, Vec::<String>::new());
    }
}
