//! What stands, over a shop and phones in one thread: each rule of the design's section 6 by example.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use shared::ids::{DocId, RecordId};
use shared::record::{Decision, Stage};
use shared::role::Role;
use shared::slot::Slot;
use sync_core::judge::standing::{Standing, State};
use tests::Crew;

fn slot(valve: &str) -> Slot {
    Slot::Lash(valve.parse().unwrap(), Stage::Found)
}

fn at_shop(crew: &Crew, doc: DocId, slot: &Slot) -> Standing {
    crew.shop.store().projections().standing(doc, slot).unwrap().unwrap()
}

fn agree(crew: &Crew, doc: DocId) {
    let shop = crew.shop.store().projections().standings(doc).unwrap();
    for phone in &crew.phones {
        if phone.book.store().documents().document(doc).unwrap().is_some() {
            assert_eq!(phone.book.store().projections().standings(doc).unwrap(), shop);
            let heads = |book: &sync_core::book::Book| book.store().documents().document(doc).unwrap().unwrap().heads;
            assert_eq!(heads(&phone.book), heads(&crew.shop));
        }
    }
}

fn verify(crew: &Crew) {
    for book in crew.phones.iter().map(|p| &p.book).chain([&crew.shop]) {
        assert_eq!(book.verify().unwrap().faults, Vec::<String>::new());
    }
}

/// A lead, a tech and a helper with phones, level, and one machine.
fn crew() -> (Crew, DocId, usize, usize, usize) {
    let (crew, machine, [lead, tech, helper]) = Crew::of_three(1);
    (crew, machine, lead, tech, helper)
}

#[test]
fn lead_over_tech_is_contested_and_says_why() {
    let (mut crew, machine, lead, tech, _) = crew();
    let by_lead = crew.read(lead, machine, "1I", Stage::Found, 3, 4);
    crew.wait_min(14);
    let by_tech = crew.read(tech, machine, "1I", Stage::Found, 5, 6);
    crew.level_all();
    let standing = at_shop(&crew, machine, &slot("1I"));
    assert_eq!((standing.state, standing.stands), (State::Contested, Some(by_lead)));
    assert_eq!(standing.reason.to_string(), "lead over tech, 14 min apart");
    assert!(standing.contenders.contains(&by_tech));
    agree(&crew, machine);
    verify(&crew);
}

#[test]
fn agreement_is_corroborated_and_narrows() {
    let (mut crew, machine, _, tech, helper) = crew();
    crew.read(tech, machine, "1E", Stage::Found, 5, 7);
    crew.read(helper, machine, "1E", Stage::Found, 4, 6);
    crew.level_all();
    let standing = at_shop(&crew, machine, &slot("1E"));
    assert_eq!(standing.state, State::Corroborated);
    assert_eq!(standing.bracket.unwrap().show(shared::length::LengthUnit::Thou), "5 to 6 thou");
    agree(&crew, machine);
}

#[test]
fn what_has_seen_replaces_and_old_readings_are_history() {
    let (mut crew, machine, lead, tech, _) = crew();
    let first = crew.read(lead, machine, "1I", Stage::Found, 3, 4);
    crew.level_all();
    let second = crew.read(tech, machine, "1I", Stage::Found, 5, 6);
    crew.level_all();
    assert_eq!(at_shop(&crew, machine, &slot("1I")).stands, Some(second), "a tech who saw the lead's reading replaces it");
    // Not seen, but more than the window apart: history.
    let stale = crew.read(lead, machine, "2I", Stage::Found, 3, 4);
    crew.wait_min(13 * 60);
    let fresh = crew.read(tech, machine, "2I", Stage::Found, 5, 6);
    crew.level_all();
    let standing = at_shop(&crew, machine, &slot("2I"));
    assert_eq!((standing.state, standing.stands, standing.outdated), (State::Stands, Some(fresh), vec![stale]));
    assert!(first < second);
    agree(&crew, machine);
}

#[test]
fn a_ruling_decides_until_a_reading_that_it_had_not_seen() {
    let (mut crew, machine, lead, tech, helper) = crew();
    crew.read(lead, machine, "1I", Stage::Found, 3, 4);
    let by_tech = crew.read(tech, machine, "1I", Stage::Found, 5, 6);
    crew.level_all();
    let refused = crew.on(lead, |book, hand| book.author().rule(machine, &slot("1I"), Decision::Stands(by_tech), "", hand));
    assert!(refused.unwrap_err().to_string().contains("a lead does not rule where one of the readings is their own"));
    crew.on(0, |book, hand| book.author().rule(machine, &slot("1I"), Decision::Stands(by_tech), "photo of the leaf", hand).unwrap());
    let unseen = crew.read(helper, machine, "1I", Stage::Set, 5, 6);
    crew.level_all();
    let standing = at_shop(&crew, machine, &slot("1I"));
    assert_eq!((standing.state, standing.stands), (State::Ruled, Some(by_tech)));
    assert_eq!(standing.reason.to_string(), "ruled by office: photo of the leaf");
    assert_ne!(unseen, by_tech);
    agree(&crew, machine);
    verify(&crew);
}

#[test]
fn a_late_reading_reopens_a_ruled_slot_and_recheck_leaves_nothing() {
    let (mut crew, machine, lead, tech, helper) = crew();
    crew.read(lead, machine, "1I", Stage::Found, 3, 4);
    crew.read(tech, machine, "1I", Stage::Found, 5, 6);
    crew.read(helper, machine, "1I", Stage::Found, 7, 8);
    crew.level(lead);
    crew.level(tech);
    crew.level(0);
    crew.on(0, |book, hand| book.author().rule(machine, &slot("1I"), Decision::Recheck, "", hand).unwrap());
    crew.level(0);
    let standing = at_shop(&crew, machine, &slot("1I"));
    assert_eq!((standing.state, standing.stands), (State::Recheck, None));
    crew.level_all();
    let standing = at_shop(&crew, machine, &slot("1I"));
    assert_eq!(standing.state, State::Contested, "the helper's reading was not weighed");
    assert!(standing.reason.to_string().ends_with("re-opened it"), "{}", standing.reason);
    agree(&crew, machine);
}

#[test]
fn a_void_brings_back_what_the_record_had_replaced() {
    let (mut crew, machine, _, tech, helper) = crew();
    let good = crew.read(tech, machine, "1I", Stage::Found, 4, 5);
    let slip = crew.read(tech, machine, "1I", Stage::Found, 9, 10);
    crew.level_all();
    assert_eq!(at_shop(&crew, machine, &slot("1I")).stands, Some(slip));
    let denied = crew.on(helper, |book, hand| book.author().void(slip, "not mine", hand)).unwrap_err();
    assert!(denied.to_string().contains("undoes their own records only"), "{denied}");
    crew.on(tech, |book, hand| book.author().void(slip, "wrong valve", hand).unwrap());
    crew.level_all();
    assert_eq!(at_shop(&crew, machine, &slot("1I")).stands, Some(good));
    agree(&crew, machine);
    verify(&crew);
}

#[test]
fn a_mistyped_hour_reading_never_stands_and_a_ruling_can_admit_it() {
    let (mut crew, machine, _, tech, _) = crew();
    let hours = |crew: &mut Crew, text: &str| {
        let meter = text.parse().unwrap();
        crew.on(tech, |book, hand| book.author().read_hours(machine, meter, hand).unwrap())
    };
    let first = hours(&mut crew, "1520.0");
    crew.wait_min(24 * 60);
    let slip = hours(&mut crew, "15234");
    assert!(slip.doubt.clone().unwrap().contains("1523.4 entered as 15234"), "{:?}", slip.doubt);
    crew.level_all();
    let standing = at_shop(&crew, machine, &Slot::Hours);
    assert_eq!(standing.stands, Some(first.record));
    assert_eq!(standing.aside[0].id, slip.record);
    crew.on(0, |book, hand| book.author().rule(machine, &Slot::Hours, Decision::Stands(slip.record), "meter was replaced", hand).unwrap());
    crew.level_all();
    let standing = at_shop(&crew, machine, &Slot::Hours);
    assert_eq!((standing.state, standing.stands), (State::Ruled, Some(slip.record)));
    agree(&crew, machine);
    verify(&crew);
}

#[test]
fn a_wrong_clock_is_corrected_and_never_refused() {
    let (mut crew, machine, _, tech, helper) = crew();
    // The helper's phone is three days ahead since before its last contact; the offset is known.
    crew.phones[helper].clock_off_ms = 3 * 86_400_000;
    crew.level(helper);
    let early = crew.read(helper, machine, "1I", Stage::Found, 3, 4);
    crew.wait_min(30);
    let late = crew.read(tech, machine, "1I", Stage::Found, 5, 6);
    crew.level_all();
    let ledger = crew.shop.store().records().ledger_of(machine).unwrap();
    let minutes = |id: RecordId| (ledger.time(id).ms - tests::MORNING_MS) / 60_000;
    assert!(minutes(early) < 60 && minutes(late) < 60, "{} {}", minutes(early), minutes(late));
    assert_eq!(at_shop(&crew, machine, &slot("1I")).stands, Some(late));
    agree(&crew, machine);
}

#[test]
fn a_twin_has_no_third_cylinder() {
    let (mut crew, machine, _, tech, _) = crew();
    let entry = sync_core::commands::ReadingEntry {
        valve: "3E".parse().unwrap(),
        stage: Stage::Found,
        go: Some(shared::length::Length::from_thou(5)),
        no_go: None,
        leaves: vec![],
        adjusted: false,
        cold: Some(true),
    };
    let set = shared::leaf::LeafSet::inch();
    let error =
        crew.on(tech, |book, hand| book.author().take_reading(machine, entry, &set, shared::length::LengthUnit::Thou, hand)).unwrap_err();
    assert_eq!(error.to_string(), "This is valve 3E on an engine with 2 cylinders; its valves are 1I, 1E, 2I, 2E. Nothing was kept");
}

/// The office writes a paper sheet down: the readings belong to the visit of the person who measured, and complete it.
#[test]
fn a_transcribed_visit_is_complete() {
    let (mut crew, machine, _, tech, _) = crew();
    let measurer = crew.phones[tech].person;
    let set = shared::leaf::LeafSet::inch();
    let finished = crew.on(0, |book, hand| {
        let mut hand = sync_core::commands::ActionContext { now: hand.now, entropy: &mut *hand.entropy, measured_by: Some(measurer) };
        let entry = sync_core::commands::VisitEntry { cold: true, cautions_confirmed: true, ..Default::default() };
        book.author().open_visit(machine, &entry, &mut hand).unwrap();
        for (valve, go) in [("1I", 4), ("1E", 5), ("2I", 5), ("2E", 6)] {
            let entry = sync_core::commands::ReadingEntry {
                valve: valve.parse().unwrap(),
                stage: Stage::Found,
                go: Some(shared::length::Length::from_thou(go)),
                no_go: Some(shared::length::Length::from_thou(go + 1)),
                leaves: vec![],
                adjusted: false,
                cold: None,
            };
            let outcome = book.author().take_reading(machine, entry, &set, shared::length::LengthUnit::Thou, &mut hand).unwrap();
            assert_eq!(outcome.verdict, "in spec");
        }
        book.author().finish_visit(machine, None, "", &mut hand).unwrap()
    });
    assert_eq!((finished.complete, finished.open), (true, vec![]));
    let state = crew.phones[0].book.store().machine_rows().machine(machine).unwrap().unwrap().state;
    assert_eq!((state.visits[0].by, state.visits[0].complete), (measurer, true));
}

/// What a lead proposes waits on the day sheet, and stands once the office rules it in.
#[test]
fn a_leads_engine_card_waits_for_the_office() {
    let (mut crew, _, lead, ..) = crew();
    let mut card = tests::engine_card();
    card.card = shared::ids::CardId::from_bytes([0xcb; 16]);
    card.name = "Proposed single".into();
    let proposed = crew.on(lead, |book, hand| book.author().keep_engine_card(card.clone(), hand).unwrap());
    crew.level_all();
    assert!(crew.phones[0].book.finder().find_card("Proposed single").is_err());
    let now = crew.moment(0);
    let sheet = crew.shop.days().day_sheet(None, shared::length::LengthUnit::Thou, &now).unwrap();
    assert_eq!(sheet.aside.iter().map(|a| a.record).collect::<Vec<_>>(), [proposed]);
    let (doc, slot) = (sheet.aside[0].doc, sheet.aside[0].slot.clone());
    crew.on(0, |book, hand| book.author().rule(doc, &slot, Decision::Stands(proposed), "", hand).unwrap());
    crew.level_all();
    assert_eq!(crew.phones[lead].book.finder().find_card("Proposed single").unwrap(), card.card);
}

/// The conflict window is the shop's setting: widening it brings an old reading back into question, in every document.
#[test]
fn a_changed_window_is_felt_everywhere() {
    let (mut crew, machine, lead, tech, _) = crew();
    crew.read(lead, machine, "1I", Stage::Found, 3, 4);
    crew.wait_min(13 * 60);
    crew.read(tech, machine, "1I", Stage::Found, 5, 6);
    crew.level_all();
    assert_eq!(at_shop(&crew, machine, &slot("1I")).state, State::Stands);
    let wide = sync_core::commands::Settings { conflict_window_min: Some(24 * 60), ..Default::default() };
    crew.on(0, |book, hand| book.author().change_settings(wide, hand).unwrap());
    crew.level_all();
    assert_eq!(at_shop(&crew, machine, &slot("1I")).state, State::Contested);
    agree(&crew, machine);
    verify(&crew);
}

/// A role taken away in the morning, on an office device that had no signal until noon, reaches back to the readings since.
#[test]
fn a_role_that_arrives_late_is_felt_in_every_document() {
    let (mut crew, machine, lead, tech, _) = crew();
    let person = crew.phones[lead].person;
    crew.on(0, |book, hand| book.author().set_role(person, Some(Role::Helper), hand).unwrap());
    crew.wait_min(30);
    let by_former_lead = crew.read(lead, machine, "1I", Stage::Found, 3, 4);
    let by_tech = crew.read(tech, machine, "1I", Stage::Found, 5, 6);
    crew.level(lead);
    crew.level(tech);
    assert_eq!(at_shop(&crew, machine, &slot("1I")).stands, Some(by_former_lead), "the shop knows no better yet");
    crew.wait_min(120);
    crew.level_all();
    let standing = at_shop(&crew, machine, &slot("1I"));
    assert_eq!(
        (standing.stands, standing.reason.to_string().starts_with("tech over helper")),
        (Some(by_tech), true),
        "{}",
        standing.reason
    );
    crew.give_yard(lead);
    crew.level_all();
    agree(&crew, machine);
    verify(&crew);
}

/// Two grants in the same millisecond: the one that has seen the other counts, whatever their ids.
#[test]
fn of_two_roles_at_once_the_later_word_counts() {
    for seed in 20..36 {
        let mut crew = Crew::new(seed);
        let tech = crew.join("Tech", Role::Tech);
        let person = crew.phones[tech].person;
        crew.on(0, |book, hand| {
            book.author().set_role(person, Some(Role::Lead), hand).unwrap();
            book.author().set_role(person, Some(Role::Helper), hand).unwrap()
        });
        crew.level(0);
        assert_eq!(crew.shop.roster().unwrap().role_now(person), Some(Role::Helper), "seed {seed}");
    }
}
