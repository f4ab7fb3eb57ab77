//! A whole round of a phone on the façade against the shop's half in the same process.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

mod common;

use shared::hours::Hours;
use shared::ids::DocId;
use shared::leaf::Feeler;
use shared::length::Length;
use shared::problem::{Code, Problem};
use shared::record::{FindingKind, Stage};
use shared::valve::Valve;
use sync_core::commands::{Ask, ReadingEntry, ReadingOutcome, Step, Tried, VisitEntry};
use sync_core::sys::clock::ClockReading;
use tappet_kit::{Kit, LogIn};

use common::{MORNING, shop, thou};

/// Feels a valve whose gap is so wide, and keeps the reading at the stage that the guide asks for.
fn feel(kit: &mut Kit, machine: DocId, valve: Valve, stage: Stage, gap: Length) -> ReadingOutcome {
    let mut tried = Vec::new();
    let view = loop {
        let view = kit.trial(machine, valve, &tried).unwrap();
        match &view.next {
            Ask::Try { leaf } => tried.push(Tried { feeler: leaf.feeler.clone(), goes: leaf.feeler.thickness <= gap }),
            // How far off is known once the largest leaf that goes is.
            Ask::HowTight => tried.push(Tried { feeler: Feeler { thickness: gap, leaves: vec![gap] }, goes: true }),
            _ => break view,
        }
        assert!(tried.len() < 10, "{tried:?}");
    };
    let adjusted = stage == Stage::Set;
    let entry = ReadingEntry { valve, stage, go: view.go, no_go: view.no_go, leaves: view.leaves, adjusted, cold: None };
    let outcome = kit.take_reading(machine, entry).unwrap();
    // What the screen showed while the leaves were tried is what the kept reading says.
    assert_eq!(view.judged, outcome.judged);
    outcome
}

#[test]
fn a_whole_round_from_enrolment_to_the_shops_receipt() {
    let mut shop = shop();
    let mut kit = shop.phone(0);
    assert!(!kit.status().unwrap().enrolled);
    assert_eq!(kit.round().unwrap_err().code(), "not-enrolled");
    shop.enrol(&mut kit);
    assert_eq!(kit.exchange_call(false).unwrap_err().code(), "log-in-first");
    shop.level(&mut kit);
    assert_eq!(kit.verify_deferred(usize::MAX >> 1).unwrap(), 0);
    let round = kit.round().unwrap();
    assert_eq!(round.iter().map(|stop| (stop.property.name.as_str(), stop.due.len())).collect::<Vec<_>>(), [("Invented yard", 1)]);
    let machine = kit.find_machine("m-1").unwrap();
    assert_eq!(machine, shop.machine);
    let mark = kit.status().unwrap().mark;

    let refused = kit.open_visit(machine, &VisitEntry { cold: true, ..VisitEntry::default() }).unwrap_err();
    assert_eq!(refused.code(), "entry-invalid");
    assert!(refused.sentence().contains("cautions"), "{}", refused.sentence());
    let entry = VisitEntry { cold: true, cautions_confirmed: true, ..VisitEntry::default() };
    let visit = kit.open_visit(machine, &entry).unwrap().visit;
    // Three valves in range; the exhaust of cylinder 2 is tight, is set, and is right as left.
    let mut gaps = vec![("1I", 5), ("1E", 6), ("2I", 5), ("2E", 3)];
    let mut stages = Vec::new();
    while let Some(next) = kit.guide(machine).unwrap().next {
        let guide = kit.guide(machine).unwrap();
        let valve = guide.valves.iter().find(|v| v.valve == next).unwrap();
        let stage = valve.next.reads().unwrap();
        if valve.next == Step::Adjust {
            assert!(valve.last.as_ref().unwrap().turn.is_some());
            gaps.retain(|(name, _)| *name != "2E");
            gaps.push(("2E", 6));
        }
        let gap = gaps.iter().find(|(name, _)| *name == next.to_string()).unwrap().1;
        let outcome = feel(&mut kit, machine, next, stage, thou(gap));
        stages.push((next.to_string(), stage, outcome.verdict));
        assert!(stages.len() < 10, "{stages:?}");
    }
    let said: Vec<String> = stages.iter().map(|(valve, stage, verdict)| format!("{valve} {stage} {verdict}")).collect();
    assert_eq!(said, ["1I found in spec", "1E found in spec", "2I found in spec", "2E found tight", "2E set in spec", "2E left in spec"]);
    assert_eq!(kit.left_open(machine, visit).unwrap(), Vec::<String>::new());
    assert!(!kit.guide(machine).unwrap().hours_read);
    kit.read_hours(machine, Hours::from_tenths(15_234)).unwrap();
    kit.add_finding(machine, FindingKind::Watch, "Blade worn").unwrap();
    kit.add_photo(machine, b"\xff\xd8\xff\xe0 meter", "meter").unwrap();
    let done = kit.finish_visit(machine, "").unwrap();
    assert!(done.complete);
    assert_eq!(kit.open_visit_of(machine).unwrap(), None);

    let moved = kit.moved(mark).unwrap();
    assert_eq!((moved.everything, moved.documents), (false, vec![machine]));
    let status = kit.status().unwrap().level.unwrap();
    assert_eq!(status.waiting, 11);
    shop.level(&mut kit);
    assert_eq!(kit.status().unwrap().level.unwrap().waiting, 0);
    assert_eq!(kit.verify().unwrap().faults, Vec::<String>::new());
    let at_shop =
        shop.book.machines().machine_view(machine, shared::length::LengthUnit::Thou, &ClockReading::at(shop.world.now())).unwrap();
    let here = kit.machine(machine).unwrap();
    assert_eq!(at_shop.lash, here.lash);
    assert_eq!(here.lash.len(), 6);
}

#[test]
fn a_phone_with_a_wrong_clock_is_told_the_time_and_signs_again() {
    let mut shop = shop();
    let mut kit = shop.phone(0);
    shop.enrol(&mut kit);
    let mut late = shop.phone(-3 * 86_400_000);
    shop.code = {
        let world = shop.world.clone();
        let mut dice = move |buffer: &mut [u8]| world.throw(buffer);
        let people = shop.book.roster().unwrap().people.clone();
        let office = people.iter().find(|(_, name)| *name == "Office").map(|(id, _)| *id).unwrap();
        shop.book.issue_code(office, office, &ClockReading::at(shop.world.now()), &mut dice).unwrap().code
    };
    shop.enrol(&mut late);
    // Enrolment told the time already.
    assert_eq!(shop.log_in(&mut late), 1);
    // A shop that says "wrong" to the very time that it told is not asked for ever.
    let call = late.log_in_call().unwrap();
    assert_eq!(call.path, "/v1/token");
    let told = |ms: i64| {
        let problem = Problem { shop_time_ms: Some(ms), ..Problem::new(Code::ClockWrong, 401, "The clock is off.") };
        serde_json::to_vec(&problem).unwrap()
    };
    assert_eq!(late.logged_in(401, &told(MORNING + 9 * 86_400_000)).unwrap(), LogIn::Again);
    assert_eq!(late.logged_in(401, &told(MORNING + 9 * 86_400_000)).unwrap_err().code(), "clock-wrong");
}

#[test]
fn a_token_that_holds_no_more_asks_for_another_log_in() {
    let mut shop = shop();
    let mut kit = shop.phone(0);
    shop.enrol(&mut kit);
    shop.log_in(&mut kit);
    assert!(!kit.needs_log_in());
    let problem = serde_json::to_vec(&Problem::new(Code::TokenInvalid, 401, "The access token has ended.")).unwrap();
    kit.exchange_call(false).unwrap();
    assert_eq!(kit.exchanged(401, &problem).unwrap_err().code(), "token-invalid");
    assert!(kit.needs_log_in());
    shop.world.0.lock().unwrap().0 += 3_600_000;
    shop.level(&mut kit);
}

#[test]
fn what_is_unsent_goes_by_another_phone() {
    let mut shop = shop();
    let mut kit = shop.phone(0);
    shop.enrol(&mut kit);
    shop.level(&mut kit);
    let machine = shop.machine;
    let entry = VisitEntry { cold: true, cautions_confirmed: true, ..VisitEntry::default() };
    kit.open_visit(machine, &entry).unwrap();
    feel(&mut kit, machine, "1I".parse().unwrap(), Stage::Found, thou(5));
    let made = kit.export_unsent().unwrap();
    assert_eq!(made.documents, 1);
    // The same person's other phone.
    let world = shop.world.clone();
    let mut dice = move |buffer: &mut [u8]| world.throw(buffer);
    let people = shop.book.roster().unwrap().people.clone();
    let id_of = |who: &str| people.iter().find(|(_, name)| *name == who).map(|(id, _)| *id).unwrap();
    shop.code = shop.book.issue_code(id_of("Office"), id_of("Tech"), &ClockReading::at(shop.world.now()), &mut dice).unwrap().code;
    let mut other = shop.phone(0);
    shop.enrol(&mut other);
    shop.level(&mut other);
    let taken = other.take_bundle(&made.bundles[0]).unwrap();
    assert!(taken.taken > 0 && taken.refused.is_empty(), "{taken:?}");
    shop.level(&mut other);
    assert_eq!(
        shop.book
            .machines()
            .machine_view(machine, shared::length::LengthUnit::Thou, &ClockReading::at(shop.world.now()))
            .unwrap()
            .lash
            .len(),
        1
    );
    assert_eq!(other.take_bundle(b"no bundle").unwrap_err().code(), "unreadable");
}

#[test]
fn leaves_units_and_what_a_front_end_remembers() {
    let mut kit = shop().phone(0);
    assert!(!kit.leaves().unwrap().own);
    assert_eq!(kit.set_leaves("2-5").unwrap().words, ["2", "3", "4", "5"]);
    assert_eq!(kit.set_leaves("five").unwrap_err().code(), "entry-invalid");
    assert!(kit.leaves().unwrap().own);
    let inches = kit.set_leaves(".004,0.005 6").unwrap();
    assert_eq!(
        (inches.words, inches.inches.as_deref()),
        (vec!["4".to_owned(), "5".to_owned(), "6".to_owned()], Some("Read as inches: 0.004 in., 4 thou; 0.005 in., 5 thou."))
    );
    assert_eq!(kit.set_leaves("2-5").unwrap().inches, None);
    assert_eq!(kit.set_leaves("0.15").unwrap_err().code(), "entry-invalid");
    let read = kit.read_length(".005").unwrap();
    assert_eq!((read.length, read.inches.as_deref()), (Length::from_thou(5), Some("Read as inches: 0.005 in., 5 thou.")));
    assert_eq!(kit.read_length("5").unwrap().inches, None);
    assert!(kit.read_length("0.15").unwrap_err().to_string().contains("0.15 thou, 0.15 in. or 0.15 mm"));
    kit.set_unit(shared::length::LengthUnit::Mm).unwrap();
    assert_eq!(kit.read_length("0.1").unwrap().length, Length::from_tenth_um(1_000));
    assert!(!kit.set_leaves(" ").unwrap().own);
    let value = serde_json::json!({ "valve": "1I" });
    kit.remember("trial", Some(&value)).unwrap();
    assert_eq!(kit.remembered("trial").unwrap(), Some(value));
    kit.remember("trial", None).unwrap();
    assert_eq!(kit.remembered("trial").unwrap(), None);
    assert_eq!(kit.remember("x", Some(&"y".repeat(70_000).into())).unwrap_err().code(), "given-unreadable");
}
