//! The sheets that the office decides on: one slot as it is ruled on, one record in full, the course of a valve, and the mark
//! that moves when a day sheet may say something else.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use shared::ids::DocId;
use shared::length::{Length, LengthUnit::Thou};
use shared::record::{Decision, Stage};
use shared::slot::Slot;
use sync_core::judge::standing::State;
use sync_core::queries::Fate;
use tests::Crew;

fn slot() -> Slot {
    Slot::Lash("1I".parse().unwrap(), Stage::Found)
}

/// A lead and a tech who disagree about one valve, level with the shop.
fn crew() -> (Crew, DocId, [usize; 3]) {
    let (mut crew, machine, phones) = Crew::of_three(31);
    crew.read(phones[0], machine, "1I", Stage::Found, 3, 4);
    crew.read(phones[1], machine, "1I", Stage::Found, 6, 7);
    crew.level_all();
    (crew, machine, phones)
}

#[test]
fn a_slots_sheet_has_every_reading_with_its_bracket_and_the_ruling_once_there_is_one() {
    let (mut crew, machine, [lead, ..]) = crew();
    let sheet = crew.shop.reader().slot_sheet(machine, &slot(), Thou).unwrap();
    assert_eq!((sheet.state, sheet.wants_ruling, sheet.ruled.as_deref()), (State::Contested, true, None));
    assert_eq!(sheet.side_by_side.readings.len(), 2);
    let mut goes: Vec<Option<Length>> = sheet.brackets.values().map(|bracket| bracket.go()).collect();
    goes.sort_unstable();
    assert_eq!(goes, [3, 6].map(|go| Some(Length::from_thou(go))));
    let picked = sheet.side_by_side.readings.iter().find(|reading| reading.stands).unwrap().record;
    crew.level_all();
    crew.on(0, |office, hand| office.author().rule(machine, &slot(), Decision::Stands(picked), "seen both", hand).unwrap());
    crew.level_all();
    for book in [&crew.shop, &crew.phones[lead].book] {
        let sheet = book.reader().slot_sheet(machine, &slot(), Thou).unwrap();
        assert_eq!((sheet.state, sheet.wants_ruling), (State::Ruled, false));
        assert!(sheet.ruled.as_ref().is_some_and(|ruled| ruled.ends_with("stands: seen both")), "{:?}", sheet.ruled);
        // The ruling has weighed both; whoever makes another weighs both again.
        assert_eq!(sheet.side_by_side.readings.len(), 2);
    }
    assert!(crew.shop.reader().slot_sheet(machine, &Slot::named("lash/9I/found"), Thou).is_err());
}

#[test]
fn a_record_in_full_says_whose_it_is_what_it_had_seen_and_what_became_of_it() {
    let (mut crew, machine, [lead, tech, _]) = crew();
    let again = crew.read(tech, machine, "1I", Stage::Found, 4, 5);
    crew.level_all();
    let view = crew.shop.reader().whole_record(again, Thou).unwrap();
    assert!(view.of_machine && view.words.contains("4 to 5 thou") && view.received.is_some());
    assert_eq!((view.role.as_str(), view.slot.as_ref()), ("tech", Some(&slot())));
    let seen: Vec<&str> = view.seen.iter().map(|seen| seen.words.as_str()).collect();
    assert!(!seen.is_empty() && seen.iter().all(|words| words.starts_with("1I found: ")), "{seen:?}");
    let before = view.seen[0].record;
    assert_eq!(crew.shop.reader().whole_record(before, Thou).unwrap().fate, Fate::Replaced);
    // The phone says the same of it, byte for byte.
    assert_eq!(crew.phones[lead].book.reader().whole_record(again, Thou).unwrap().sha256, view.sha256);
    let void = crew.on(tech, |book, hand| book.author().void(again, "the wrong machine", hand).unwrap());
    crew.level_all();
    let view = crew.shop.reader().whole_record(again, Thou).unwrap();
    assert_eq!((view.fate, view.voided_by.map(|by| by.record)), (Fate::Voided, Some(void)));
    assert!(crew.shop.reader().whole_record(shared::ids::RecordId::from_bytes([0; 16]), Thou).is_err());
}

#[test]
fn a_course_has_every_cold_reading_in_its_order_and_says_why_no_drift_is_known() {
    let (mut crew, machine, [_, tech, _]) = crew();
    crew.read(tech, machine, "1I", Stage::Left, 5, 6);
    crew.read(tech, machine, "1I", Stage::Found, 6, 7);
    crew.level_all();
    let courses = crew.shop.reckoner().lash_courses(machine, Thou).unwrap();
    let course = courses.iter().find(|course| course.valve.to_string() == "1I").unwrap();
    let stages: Vec<Stage> = course.points.iter().map(|point| point.stage).collect();
    assert_eq!(stages, [Stage::Found, Stage::Found, Stage::Left, Stage::Found]);
    assert!(course.points.is_sorted_by_key(|point| point.at_ms));
    assert!(course.drift.iter().any(|line| line.contains("drift")), "{:?}", course.drift);
}

#[test]
fn the_mark_of_a_day_sheet_moves_with_the_log_and_with_a_contact_and_not_by_itself() {
    let (mut crew, machine, [_, tech, _]) = crew();
    let before = crew.shop.reader().day_mark().unwrap();
    crew.now_ms += 60_000;
    assert_eq!(crew.shop.reader().day_mark().unwrap(), before);
    crew.read(tech, machine, "1I", Stage::Found, 1, 2);
    assert_eq!(crew.shop.reader().day_mark().unwrap(), before, "what a phone holds back is not known");
    crew.level_all();
    let after = crew.shop.reader().day_mark().unwrap();
    assert_ne!(after, before);
    crew.now_ms += 60_000;
    crew.level(tech);
    assert_ne!(crew.shop.reader().day_mark().unwrap(), after, "the tech was here, and brought nothing");
}
