//! A machine's checks: a row is a visit, and nothing of two visits stands in one row.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use shared::ids::{DocId, RecordId};
use shared::length::LengthUnit;
use shared::record::{Body, Stage};
use shared::verdict::Verdict;
use sync_core::commands::VisitEntry;
use sync_core::queries::{CheckReading, MachineView};
use tests::Crew;

fn visit(crew: &mut Crew, phone: usize, machine: DocId, readings: &[(&str, Stage, i64, i64)], finish: bool) -> RecordId {
    let entry = VisitEntry { cold: true, cautions_confirmed: true, ..Default::default() };
    let visit = crew.on(phone, |book, hand| book.author().open_visit(machine, &entry, hand).unwrap().visit);
    for (valve, stage, go, no_go) in readings {
        crew.read(phone, machine, valve, *stage, *go, *no_go);
    }
    if finish {
        crew.on(phone, |book, hand| book.author().finish_visit(machine, None, "", hand).unwrap());
    }
    crew.wait_min(60 * 24 * 30);
    visit
}

fn shown(crew: &Crew, machine: DocId) -> MachineView {
    crew.shop.machines().machine_screen(machine, LengthUnit::Thou, &crew.moment(0)).unwrap()
}

/// Every reading that is shown, with the visit of the row that it stands in.
fn readings(view: &MachineView) -> Vec<(Option<RecordId>, &CheckReading)> {
    let of = |check: &'_ sync_core::queries::CheckLine| check.visit;
    let all = view.checks.iter().flat_map(|check| check.valves.iter().map(move |valve| (of(check), valve)));
    all.flat_map(|(visit, valve)| [&valve.found, &valve.set, &valve.left].into_iter().flatten().map(move |reading| (visit, reading)))
        .collect()
}

#[test]
fn what_was_found_today_stands_beside_nothing_that_was_left_in_july() {
    let (mut crew, machine, [lead, tech, _]) = Crew::of_three(41);
    let july = visit(&mut crew, tech, machine, &[("1I", Stage::Found, 8, 9), ("1I", Stage::Set, 5, 6), ("1I", Stage::Left, 5, 6)], true);
    crew.level_all();
    let loose = crew.read(lead, machine, "1E", Stage::Found, 6, 7);
    crew.wait_min(60 * 24 * 30);
    let today = visit(&mut crew, tech, machine, &[("1I", Stage::Found, 7, 8), ("2E", Stage::Found, 6, 7)], false);
    crew.level_all();
    let view = shown(&crew, machine);
    assert_eq!(view.checks.iter().map(|check| check.visit).collect::<Vec<_>>(), [Some(today), None, Some(july)]);
    let [now, between, then] = &view.checks[..] else { panic!("{:?}", view.checks) };
    assert!(now.open && !then.open && between.by == "Lead", "{view:?}");
    let of_now = &now.valves[0];
    assert_eq!((of_now.valve.to_string().as_str(), of_now.found.as_ref().unwrap().words.as_str()), ("1I", "7 to 8 thou"));
    assert_eq!((&of_now.set, &of_now.left), (&None, &None));
    assert_eq!(then.valves[0].left.as_ref().unwrap().words, "5 to 6 thou");
    assert_eq!(between.valves[0].found.as_ref().unwrap().record, loose);
    // Each reading is of the visit in whose row it stands, and each is judged where there is a card.
    let ledger = crew.shop.store().records().ledger_of(machine).unwrap();
    let all = readings(&view);
    assert_eq!(all.len(), 6);
    for (visit, reading) in all {
        let Body::Clearance(said) = &ledger.get(reading.record).unwrap().record.body else { panic!("no reading") };
        assert_eq!(said.visit, visit, "{reading:?}");
        assert!(matches!(reading.judged, Some(Verdict::InSpec | Verdict::Loose | Verdict::NotSettled(_))), "{reading:?}");
    }
}

#[test]
fn what_was_taken_back_is_in_no_row() {
    let (mut crew, machine, [_, tech, _]) = Crew::of_three(42);
    visit(&mut crew, tech, machine, &[("1I", Stage::Found, 8, 9)], true);
    let slip = crew.read(tech, machine, "1E", Stage::Found, 3, 4);
    crew.on(tech, |book, hand| book.author().void(slip, "wrong valve", hand).unwrap());
    crew.level_all();
    assert!(readings(&shown(&crew, machine)).iter().all(|(_, reading)| reading.record != slip));
}
