//! The service record for the client: a visit's facts and a season's, without what was taken back, is in doubt, or is not theirs.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use jiff::civil::{Date, date};
use shared::engine_card::{Duty, EngineCard, Range};
use shared::ids::{CardId, DocId, RecordId};
use shared::length::{Length, LengthUnit};
use shared::record::{FindingKind, MachineCard, Stage};
use shared::role::Role;
use sync_core::commands::VisitEntry;
use sync_core::queries::SeasonRecord;
use tests::Crew;

fn visit(crew: &mut Crew, phone: usize, machine: DocId, meter: &str) -> RecordId {
    let entry = VisitEntry { cold: true, cautions_confirmed: true, meter: Some(meter.parse().unwrap()), ..Default::default() };
    crew.on(phone, |book, hand| book.author().open_visit(machine, &entry, hand).unwrap().visit)
}

fn finish(crew: &mut Crew, phone: usize, machine: DocId) {
    crew.on(phone, |book, hand| book.author().finish_visit(machine, None, "for the shop alone", hand).unwrap());
    crew.level_all();
}

fn season(crew: &Crew, machine: DocId, from: Date, until: Date) -> SeasonRecord {
    crew.shop.machines().season_record(machine, from, until, LengthUnit::Thou, &crew.moment(0)).unwrap()
}

/// A card that is changed after a sign-off changes nothing of what was signed: the record names the revision of its time.
#[test]
fn an_old_visit_keeps_its_card() {
    let mut crew = Crew::new(72);
    let tech = crew.join("Tech", Role::Tech);
    let machine = crew.machine("M-1");
    crew.give_yard(tech);
    crew.level_all();
    let old = visit(&mut crew, tech, machine, "100.0");
    crew.read(tech, machine, "1I", Stage::Left, 5, 6);
    finish(&mut crew, tech, machine);
    crew.wait_min(24 * 60);
    let mut card = tests::engine_card();
    let before = card.intake.unwrap();
    let up = |length: Length| length.plus(Length::from_thou(5));
    card.intake = Some(shared::engine_card::Range { low: up(before.low), high: up(before.high), aim: before.aim.map(up) });
    card.source = Some(shared::engine_card::Source { manual: "Second edition".to_owned(), page: "3".to_owned() });
    crew.on(0, |book, hand| book.author().keep_engine_card(card.clone(), hand).unwrap());
    crew.level_all();
    crew.wait_min(60);
    let fresh = visit(&mut crew, tech, machine, "101.0");
    crew.read(tech, machine, "1I", Stage::Left, 5, 6);
    finish(&mut crew, tech, machine);
    let record = |visit| crew.shop.machines().service_record(visit, LengthUnit::Thou, &crew.moment(0)).unwrap();
    let range =
        |range: shared::engine_card::Range| format!("{} to {}", range.low.show_bare(LengthUnit::Thou), range.high.show(LengthUnit::Thou));
    let (then, now) = (record(old), record(fresh));
    assert_eq!((then.valves[0].range.clone(), then.valves[0].verdict.as_str()), (range(before), "in spec"));
    assert_eq!((now.valves[0].range.clone(), now.valves[0].verdict.as_str()), (range(card.intake.unwrap()), "tight"));
    assert!(then.source != now.source && now.source == "Second edition, 3" && then.card != now.card, "{then:?} {now:?}");
    assert!(then.ranges()[0].starts_with(&format!("Judged by the engine card {} of ", card.name)), "{:?}", then.ranges());
    let year = season(&crew, machine, date(2026, 1, 1), date(2027, 12, 31));
    assert_eq!(year.visits.iter().map(|v| v.card.clone()).collect::<Vec<_>>(), [then.card, now.card]);
}

/// The office gives the machine another engine card, or changes one: what was signed off before keeps what it was judged by.
#[test]
fn an_old_visit_keeps_the_card_that_its_machine_had() {
    let mut crew = Crew::new(73);
    let tech = crew.join("Tech", Role::Tech);
    let machine = crew.machine("M-1");
    crew.give_yard(tech);
    crew.level_all();
    let old = finished(&mut crew, tech, machine);
    let other =
        with_intake(EngineCard { card: CardId::from_bytes([0xcb; 16]), name: "Other twin".to_owned(), ..tests::engine_card() }, 9, 11);
    crew.on(0, |book, hand| book.author().keep_engine_card(other.clone(), hand).unwrap());
    give_card(&mut crew, machine, Some(other.card));
    crew.wait_min(60);
    let fresh = finished(&mut crew, tech, machine);
    assert_eq!(judged(&crew, old), ("4 to 6 thou".to_owned(), "in spec".to_owned()));
    assert_eq!(judged(&crew, fresh), ("9 to 11 thou".to_owned(), "tight".to_owned()));
    // A third revision, after both: neither moves.
    crew.wait_min(60);
    crew.on(0, |book, hand| book.author().keep_engine_card(with_intake(other, 20, 22), hand).unwrap());
    crew.level_all();
    assert_eq!([old, fresh].map(|visit| judged(&crew, visit).0), ["4 to 6 thou", "9 to 11 thou"]);
}

/// A machine that was entered in the field gets its card later: its first visit is judged by the first card, and by no later one.
#[test]
fn a_visit_before_any_card_is_judged_by_the_first() {
    let mut crew = Crew::new(74);
    let tech = crew.join("Tech", Role::Tech);
    let machine = crew.machine("M-1");
    let bare = crew.on(0, |book, hand| {
        let property = book.finder().find_property("Test yard").unwrap();
        let card = MachineCard {
            tag: "M-2".to_owned(),
            description: String::new(),
            property,
            engine_card: None,
            cylinders: Some(2),
            duty: Duty::Commercial,
            hours_per_week: None,
            provisional: false,
        };
        book.author().add_machine(card, hand).unwrap()
    });
    assert_ne!(machine, bare);
    crew.give_yard(tech);
    crew.level_all();
    let old = finished(&mut crew, tech, bare);
    assert_eq!(judged(&crew, old), (String::new(), "not judged".to_owned()));
    crew.wait_min(60);
    give_card(&mut crew, bare, Some(tests::engine_card().card));
    assert_eq!(judged(&crew, old), ("4 to 6 thou".to_owned(), "in spec".to_owned()));
    crew.wait_min(60);
    crew.on(0, |book, hand| book.author().keep_engine_card(with_intake(tests::engine_card(), 9, 11), hand).unwrap());
    crew.level_all();
    assert_eq!(judged(&crew, old), ("4 to 6 thou".to_owned(), "in spec".to_owned()));
}

/// A revision that was undone was never in force, and a visit that is open is judged by the card of now.
#[test]
fn a_revision_that_was_undone_judges_nothing() {
    let mut crew = Crew::new(75);
    let tech = crew.join("Tech", Role::Tech);
    let machine = crew.machine("M-1");
    crew.give_yard(tech);
    crew.level_all();
    crew.wait_min(60);
    let slip = crew.on(0, |book, hand| book.author().keep_engine_card(with_intake(tests::engine_card(), 9, 11), hand).unwrap());
    crew.level_all();
    let signed = finished(&mut crew, tech, machine);
    assert_eq!(judged(&crew, signed).1, "tight");
    crew.wait_min(60);
    crew.on(0, |book, hand| book.author().void(slip, "a slip of the tenth", hand).unwrap());
    crew.level_all();
    assert_eq!(judged(&crew, signed), ("4 to 6 thou".to_owned(), "in spec".to_owned()));
    let open = visit(&mut crew, tech, machine, "120.0");
    crew.read(tech, machine, "1I", Stage::Left, 5, 6);
    crew.level_all();
    assert_eq!(judged(&crew, open).0, "4 to 6 thou");
    crew.wait_min(60);
    crew.on(0, |book, hand| book.author().keep_engine_card(with_intake(tests::engine_card(), 9, 11), hand).unwrap());
    crew.level_all();
    assert_eq!([open, signed].map(|visit| judged(&crew, visit).0), ["9 to 11 thou", "4 to 6 thou"]);
}

/// A visit with one intake valve left at 5 to 6 thou, signed off.
fn finished(crew: &mut Crew, phone: usize, machine: DocId) -> RecordId {
    let entry = VisitEntry { cold: true, cautions_confirmed: true, ..Default::default() };
    let visit = crew.on(phone, |book, hand| book.author().open_visit(machine, &entry, hand).unwrap().visit);
    crew.read(phone, machine, "1I", Stage::Left, 5, 6);
    finish(crew, phone, machine);
    visit
}

fn with_intake(card: EngineCard, low: i64, high: i64) -> EngineCard {
    EngineCard { intake: Some(Range { low: Length::from_thou(low), high: Length::from_thou(high), aim: None }), ..card }
}

fn give_card(crew: &mut Crew, machine: DocId, card: Option<CardId>) {
    crew.on(0, |book, hand| {
        let known = book.store().machine_rows().machine(machine).unwrap().unwrap().state.card.unwrap();
        book.author().restate_machine(machine, MachineCard { engine_card: card, ..known }, hand).unwrap()
    });
    crew.level_all();
}

/// The range and the verdict of the one valve of a visit, as its record has them.
fn judged(crew: &Crew, visit: RecordId) -> (String, String) {
    let record = crew.shop.machines().service_record(visit, LengthUnit::Thou, &crew.moment(0)).unwrap();
    (record.valves[0].range.clone(), record.valves[0].verdict.clone())
}

#[test]
fn a_season_is_its_finished_visits_and_nothing_else() {
    let mut crew = Crew::new(71);
    let tech = crew.join("Tech", Role::Tech);
    let machine = crew.machine("M-1");
    crew.give_yard(tech);
    crew.level_all();
    let first = visit(&mut crew, tech, machine, "100.0");
    crew.read(tech, machine, "1I", Stage::Found, 4, 5);
    // In doubt: no feeler leaf is 60 thou. Taken back: the exhaust valve.
    let entry = sync_core::commands::ReadingEntry {
        valve: "2I".parse().unwrap(),
        stage: Stage::Found,
        go: Some(Length::from_thou(5)),
        no_go: Some(Length::from_thou(6)),
        leaves: vec![],
        adjusted: false,
        cold: Some(true),
    };
    let set = shared::leaf::LeafSet::inch();
    crew.on(tech, |book, hand| book.author().take_reading(machine, entry, &set, LengthUnit::Thou, hand).unwrap());
    let slip = crew.read(tech, machine, "1E", Stage::Found, 9, 10);
    crew.on(tech, |book, hand| {
        book.author().void(slip, "wrong valve", hand).unwrap();
        book.author().add_finding(machine, FindingKind::Watch, "belt worn", hand).unwrap();
        book.author().add_note(machine, "client argues about the bill", hand).unwrap();
    });
    finish(&mut crew, tech, machine);
    crew.wait_min(30 * 24 * 60);
    let second = visit(&mut crew, tech, machine, "150.0");
    crew.read(tech, machine, "1I", Stage::Found, 2, 3);
    crew.read(tech, machine, "1I", Stage::Set, 5, 6);
    finish(&mut crew, tech, machine);
    crew.wait_min(24 * 60);
    let open = visit(&mut crew, tech, machine, "151.0");
    crew.level_all();

    let year = season(&crew, machine, date(2026, 1, 1), date(2026, 12, 31));
    assert_eq!(year.visits.iter().map(|v| v.visit).collect::<Vec<_>>(), [first, second], "oldest first, and none that is open");
    let of = |n: usize, valve: &str| {
        let line = year.visits[n].valves.iter().find(|v| v.valve.to_string() == valve);
        line.map(|v| (v.found.clone(), v.left.clone(), v.verdict.clone()))
    };
    let said = |found: &str, left: &str, verdict: &str| Some((found.to_owned(), left.to_owned(), verdict.to_owned()));
    assert_eq!(of(0, "1I"), said("4 to 5 thou", "4 to 5 thou", "in spec"), "not touched: left as found");
    assert_eq!(of(0, "1E"), None, "taken back");
    assert_eq!(of(1, "1I"), said("2 to 3 thou", "not read", "not judged"), "set, and not checked again: not said to be left so");
    assert_eq!(year.visits[0].findings, ["belt worn"]);
    assert_eq!(year.visits[0].meter.unwrap().to_string(), "100.0");
    let all = serde_json::to_string(&year).unwrap();
    assert!(!all.contains("bill") && !all.contains("shop alone") && !all.contains("wrong valve"), "{all}");

    let hold = crew.on(tech, |book, hand| book.author().add_finding(machine, FindingKind::Hold, "stud loose", hand).unwrap());
    crew.level_all();
    let found = |crew: &Crew| crew.shop.machines().service_record(open, LengthUnit::Thou, &crew.moment(0)).unwrap();
    assert_eq!((found(&crew).hold, found(&crew).findings), (true, vec!["DO NOT RUN: stud loose".to_owned()]));
    crew.on(tech, |book, hand| book.author().clear_finding(hold, "new stud, at the shop's cost", hand).unwrap());
    crew.level_all();
    assert_eq!((found(&crew).hold, found(&crew).findings), (false, vec!["stud loose (put right since)".to_owned()]));

    // The days are the shop's, and both ends count.
    let day = |n: usize| year.visits[n].when[..10].parse::<Date>().unwrap();
    assert_eq!(season(&crew, machine, day(0), day(0)).visits.len(), 1);
    assert_eq!(season(&crew, machine, day(0).tomorrow().unwrap(), day(1)).visits[0].visit, second);
    assert_eq!(season(&crew, machine, date(2020, 1, 1), date(2020, 12, 31)).visits, []);
    let backwards = crew.shop.machines().season_record(machine, date(2026, 2, 1), date(2026, 1, 1), LengthUnit::Thou, &crew.moment(0));
    assert!(backwards.unwrap_err().to_string().contains("before they begin"));

    // A visit taken back is none.
    crew.on(tech, |book, hand| book.author().void(open, "wrong machine", hand).unwrap());
    crew.level_all();
    assert!(crew.shop.machines().service_record(open, LengthUnit::Thou, &crew.moment(0)).is_err());
    crew.on(tech, |book, hand| book.author().void(first, "wrong machine", hand).unwrap());
    crew.level_all();
    assert_eq!(season(&crew, machine, date(2026, 1, 1), date(2026, 12, 31)).visits.iter().map(|v| v.visit).collect::<Vec<_>>(), [second]);
}

/// A reading that cannot be never reaches the client, and what it had replaced does.
#[test]
fn what_is_in_doubt_is_left_out() {
    let mut crew = Crew::new(72);
    let tech = crew.join("Tech", Role::Tech);
    let machine = crew.machine("M-1");
    crew.give_yard(tech);
    crew.level_all();
    let visit = visit(&mut crew, tech, machine, "100.0");
    crew.read(tech, machine, "1I", Stage::Found, 4, 5);
    let thick = shared::record::Clearance {
        valve: "1I".parse().unwrap(),
        stage: Stage::Found,
        go: Some(Length::from_thou(60)),
        no_go: None,
        leaves: vec![],
        cold: true,
        engine_tenth_c: None,
        adjusted: false,
        visit: Some(visit),
    };
    let draft = sync_core::book::Draft::new(machine, thick);
    crew.on(tech, |book, hand| book.write(vec![draft.clone()], &hand.now, &mut *hand.entropy).unwrap());
    finish(&mut crew, tech, machine);
    let record = crew.shop.machines().service_record(visit, LengthUnit::Thou, &crew.moment(0)).unwrap();
    assert_eq!(record.valves.iter().map(|v| v.found.as_str()).collect::<Vec<_>>(), ["4 to 5 thou"]);
}
