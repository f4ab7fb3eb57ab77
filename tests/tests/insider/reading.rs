//! Who may read and write where: nothing that is written opens a document, and the shop's own are nobody's to found.

use super::*;

/// No role: nothing is read any more, what is handed over waits for the office, and the exchange ends.
#[test]
fn who_has_no_role_reads_nothing_and_can_still_hand_over() {
    let (mut crew, machine, [lead, tech, _]) = Crew::of_three(10);
    let late = crew.read(tech, machine, "1I", Stage::Found, 4, 5);
    set_role(&mut crew, tech, None);
    crew.read(lead, machine, "1E", Stage::Found, 5, 6);
    crew.level(lead);
    let person = crew.phones[tech].person;
    assert!(!crew.shop.read_by(person).may_read(machine).unwrap() && !crew.shop.read_by(person).may_read(roster_of(&crew)).unwrap());
    let request = crew.offer(tech);
    let answer = crew.answer(tech, &request);
    assert!(answer.docs.iter().all(|doc| doc.heads.is_empty() && doc.recipes.is_empty() && doc.segments.is_empty()), "{answer:?}");
    assert_eq!((answer.cursor.position, answer.cursor.bootstrap), (request.cursor.position, request.cursor.bootstrap));
    assert_eq!(crew.take(tech, &answer).refused.iter().map(|line| line.code).collect::<Vec<_>>(), [Code::RoleMayNot]);
    crew.level(tech);
    let waits = crew.shop.store().quarantine().quarantined().unwrap();
    assert_eq!(waits.iter().map(|q| q.record).collect::<Vec<_>>(), [Some(late)], "it waits for the office");
    let office = crew.phones[0].person;
    crew.shop.peer().release(waits[0].id, office, &ClockReading::at(crew.now_ms), &mut crew.dice).unwrap();
    assert!(held_by_shop(&crew, late));
    clean(&crew);
}

/// A property's id stands in the roster: a note written into it opens nothing, and waits for the office.
#[test]
fn writing_somewhere_opens_nothing() {
    let mut crew = Crew::new(12);
    let helper = crew.join("Helper", Role::Helper);
    let lead = crew.join("Lead", Role::Lead);
    crew.machine("M-1");
    let yard = crew.phones[0].book.finder().find_property("Test yard").unwrap();
    crew.level_all();
    let person = crew.phones[helper].person;
    let deed = forged(&crew, helper, 0x91, yard.doc(), Note { text: "hello".into(), visit: None });
    slip(&crew, helper, DocKind::Property, &deed, crew.now_ms);
    assert_eq!(refused(&mut crew, helper), [Code::DocumentClosed]);
    crew.level_all();
    assert!(!crew.shop.read_by(person).may_read(yard.doc()).unwrap());
    let store = crew.phones[helper].book.store();
    assert!(store.documents().document(yard.doc()).unwrap().is_none(), "its own empty document is gone, and the shop's did not come");
    assert!(crew.phones[lead].book.store().documents().document(yard.doc()).unwrap().is_some());
    assert_eq!(crew.shop.store().quarantine().quarantined().unwrap()[0].code, Code::DocumentClosed);
    clean(&crew);
}

/// A reading from before the property was taken away is taken, and receipted beside the document that is closed now.
#[test]
fn a_reading_written_while_the_document_was_open_is_taken_and_receipted() {
    let (mut crew, machine, [_, tech, _]) = Crew::of_three(13);
    let reading = crew.read(tech, machine, "1I", Stage::Found, 4, 5);
    let person = crew.phones[tech].person;
    crew.wait_min(1);
    crew.on(0, |book, hand| {
        let yard = book.finder().find_property("Test yard").unwrap();
        book.author().assign(person, yard, false, hand).unwrap();
    });
    crew.level(0);
    assert!(crew.level(tech) < 5);
    assert!(held_by_shop(&crew, reading) && !crew.shop.read_by(person).may_read(machine).unwrap());
    let own = crew.phones[tech].book.store().records().held(reading).unwrap().unwrap();
    assert!(own.received_ms.is_some(), "its receipt came beside the document");
    assert_eq!(crew.phones[tech].book.store().outbox().due().unwrap(), 0);
    clean(&crew);
}

/// Where a machine is, its card says: taken back, it opens the machine to nobody but its founder and those who read everything.
#[test]
fn a_machine_card_that_is_taken_back_opens_nothing() {
    let (mut crew, known, [lead, tech, helper]) = Crew::of_three(19);
    let card = crew.shop.store().machine_rows().machine(known).unwrap().unwrap().state.card.unwrap();
    let own = crew.on(tech, |book, hand| book.author().add_machine(MachineCard { tag: "N-1".into(), ..card }, hand).unwrap());
    crew.level(tech);
    crew.level_all();
    let person = crew.phones[helper].person;
    assert!(crew.shop.read_by(person).may_read(own).unwrap(), "the helper was given the yard");
    let founding =
        crew.shop.store().records().ledger_of(own).unwrap().entries().find(|e| e.record.body.kind() == "machine").unwrap().record.id;
    crew.on(lead, |book, hand| book.author().void(founding, "no such machine", hand).unwrap());
    crew.level(lead);
    assert!(!crew.shop.read_by(person).may_read(own).unwrap());
    assert!(crew.shop.read_by(crew.phones[tech].person).may_read(own).unwrap(), "who founded it reads it");
    crew.level_all();
    clean(&crew);
}

/// A provisional machine under the id of the days' document, of the roster, of the engines, or of a property.
#[test]
fn nobody_founds_a_document_under_a_reserved_id() {
    let (mut crew, machine, [_, _, helper]) = Crew::of_three(14);
    let shop = crew.shop.identity().unwrap().root.shop;
    let yard = crew.phones[0].book.finder().find_property("Test yard").unwrap();
    let card = MachineCard {
        tag: "X-1".into(),
        description: String::new(),
        property: PropertyId::from_bytes(*yard.doc().as_bytes()),
        engine_card: None,
        cylinders: None,
        duty: shared::engine_card::Duty::Commercial,
        hours_per_week: None,
        provisional: true,
    };
    for doc in [shop.days(), shop.roster(), shop.engines(), yard.doc()] {
        let place = crew.shop.store().documents().place(doc).unwrap().unwrap();
        let deed = forged(&crew, helper, 0xa1, doc, card.clone());
        slip(&crew, helper, DocKind::Machine, &deed, crew.now_ms);
        assert_eq!(refused(&mut crew, helper), [Code::WrongPlace], "{place:?}");
        assert_eq!(crew.shop.store().documents().place(doc).unwrap(), Some(place));
        crew.level(helper);
    }
    assert_ne!(machine, shop.days());
    crew.level_all();
    let day = sync_core::judge::roster::Roster::day(crew.shop.roster().unwrap(), crew.now_ms);
    crew.on(0, |book, hand| book.author().close_day(day, "nothing to say", hand).unwrap());
    crew.level(0);
    clean(&crew);
}

/// A helper's bundle puts a note into the closings on the office's phone; the shop refuses it, and days can still be closed there.
#[test]
fn what_is_refused_of_the_shops_own_document_leaves_it_there() {
    let (mut crew, _, [_, _, helper]) = Crew::of_three(18);
    let days = crew.shop.identity().unwrap().root.shop.days();
    let deed = forged(&crew, helper, 0x92, days, Note { text: "x".into(), visit: None });
    slip(&crew, helper, DocKind::Days, &deed, crew.now_ms);
    let bundle = crew.phones[helper].book.outgoing().make_bundle(&Load::Documents(vec![days]), &crew.moment(helper)).unwrap();
    let moment = crew.moment(0);
    crew.phones[0].book.peer().take_bundle(&bundle.bundles[0], &moment).unwrap();
    crew.level_all();
    assert!(!held_by_shop(&crew, deed.id));
    let day = sync_core::judge::roster::Roster::day(crew.shop.roster().unwrap(), crew.now_ms);
    crew.on(0, |book, hand| book.author().close_day(day, "nothing to say", hand).unwrap());
    crew.level_all();
    assert!(crew.shop.days().closed_day(day, shared::length::LengthUnit::Thou).unwrap().is_some());
    clean(&crew);
}
