//! Records written one by one: after each, what the book keeps of how a machine stands is what judging all of it anew gives,
//! though only the slots that the record speaks about were judged.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use proptest::prelude::*;
use shared::hours::Hours;
use shared::ids::{DocId, RecordId};
use shared::length::Length;
use shared::record::{
    Body, Clearance, Decision, Finding, FindingCleared, FindingKind, HourReading, MeterChange, Note, Ruling, Stage, Visit, Void,
};
use shared::slot::Slot;
use sync_core::book::{Book, Draft};
use sync_core::judge::standing::{Standings, State};
use tests::Crew;

#[derive(Debug, Clone)]
enum Step {
    Lash(u8, i64, Stage, bool),
    Visit,
    Hours(i64),
    Meter(i64, i64),
    Note,
    Hold,
    Clear(usize),
    Void(usize),
    Rule(usize),
    /// The machine's card, with so many cylinders.
    Card(u8),
    Level,
}

fn stage() -> impl Strategy<Value = Stage> {
    prop_oneof![Just(Stage::Found), Just(Stage::Set), Just(Stage::Left)]
}

fn step() -> impl Strategy<Value = Step> {
    prop_oneof![
        8 => (0..3_u8, 2..9_i64, stage(), any::<bool>()).prop_map(|(valve, go, stage, adjusted)| Step::Lash(valve, go, stage, adjusted)),
        2 => Just(Step::Visit),
        4 => prop_oneof![1_000..1_040_i64, 0..40_i64].prop_map(Step::Hours),
        2 => (1_000..1_040_i64, 0..5_i64).prop_map(|(old, new)| Step::Meter(old, new)),
        1 => Just(Step::Note),
        1 => Just(Step::Hold),
        1 => (0..40_usize).prop_map(Step::Clear),
        2 => (0..40_usize).prop_map(Step::Void),
        2 => (0..40_usize).prop_map(Step::Rule),
        3 => (1..3_u8).prop_map(Step::Card),
        3 => Just(Step::Level),
    ]
}

/// What the step states, as far as there is something to state it of.
fn body(book: &Book, machine: DocId, step: &Step) -> Option<Body> {
    let ledger = book.store().records().ledger_of(machine).unwrap();
    let ids: Vec<RecordId> = ledger.entries().map(|entry| entry.record.id).collect();
    let one = |n: usize| ids.get(n % ids.len().max(1)).copied();
    Some(match *step {
        Step::Lash(valve, go, stage, adjusted) => Body::Clearance(Clearance {
            valve: ["1I", "2E", "2E"][usize::from(valve)].parse().unwrap(),
            stage,
            go: Some(Length::from_thou(go)),
            no_go: Some(Length::from_thou(go + 1)),
            leaves: vec![],
            cold: true,
            engine_tenth_c: None,
            adjusted,
            visit: book.advisor().open_visit_of(machine, None).unwrap(),
        }),
        Step::Visit => {
            Body::Visit(Visit { cold: true, engine_tenth_c: None, cautions_confirmed: true, purpose: String::new(), resumes: None })
        }
        Step::Hours(tenths) => Body::Hours(HourReading { meter: Hours::from_tenths(tenths), visit: None }),
        Step::Meter(old, new) => {
            Body::MeterChange(MeterChange { old: Hours::from_tenths(old), new: Hours::from_tenths(new), changed_ms: None })
        }
        Step::Note => Body::Note(Note { text: "ticks".into(), visit: None }),
        Step::Hold => Body::Finding(Finding { grade: FindingKind::Hold, what: "cover bent".into(), visit: None }),
        Step::Clear(n) => Body::FindingCleared(FindingCleared { finding: one(n)?, how: "mended".into() }),
        Step::Void(n) => Body::Void(Void { target: one(n)?, reason: "slip".into() }),
        Step::Rule(n) => {
            let standings = book.store().projections().standings(machine).unwrap();
            let standing = &standings[n % standings.len()];
            let of = standing.open_ends();
            let decision = of.get(n % of.len().max(1)).map(|picked| Decision::Stands(*picked))?;
            Body::Ruling(Ruling { slot: standing.slot.clone(), of, decision, reason: String::new() })
        }
        Step::Card(cylinders) => {
            let card = book.store().machine_rows().machine(machine).unwrap()?.state.card?;
            Body::Machine(shared::record::MachineCard { cylinders: Some(cylinders), ..card })
        }
        Step::Level => return None,
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    #[test]
    fn what_is_kept_of_how_it_stands_is_what_all_of_it_gives(
        // Who, after how many minutes, and what. Clocks are also put back.
        steps in proptest::collection::vec((0..3_usize, -90..240_i64, step()), 1..60),
    ) {
        let (mut crew, machine, [lead, tech, _]) = Crew::of_three(1);
        for (who, minutes, step) in &steps {
            crew.now_ms += minutes * 60_000;
            // The office, a lead, a tech.
            let phone = [0, lead, tech][*who];
            if matches!(step, Step::Level) {
                crew.level_all();
            } else if let Some(body) = body(&crew.phones[phone].book, machine, step) {
                // Not everybody may state everything, and not everything can be: then nothing is kept.
                let _ = crew.on(phone, |book, hand| book.write(vec![Draft::new(machine, body)], &hand.now, hand.entropy));
            }
            for book in [&crew.phones[phone].book, &crew.shop] {
                let ledger = book.store().records().ledger_of(machine).unwrap();
                let anew = Standings::new(&ledger, book.roster().unwrap()).all();
                prop_assert_eq!(book.store().projections().standings(machine).unwrap(), anew);
            }
        }
        prop_assert_eq!(crew.phones[tech].book.verify().unwrap().faults, Vec::<String>::new());
    }
}

/// A reading as left that comes late, from another phone, says of two readings as found that both are true: their slot is judged again with it.
#[test]
fn a_reading_that_shows_that_the_valve_was_set_moves_the_other_slots_of_the_valve() {
    let (mut crew, machine, [_, tech, helper]) = Crew::of_three(1);
    let state = |crew: &mut Crew, phone: usize, step: Step| {
        let body = body(&crew.phones[phone].book, machine, &step).unwrap();
        crew.on(phone, |book, hand| book.write(vec![Draft::new(machine, body)], &hand.now, hand.entropy).unwrap());
    };
    let spare = crew.phone_for(crew.phones[tech].person);
    state(&mut crew, tech, Step::Visit);
    state(&mut crew, tech, Step::Lash(0, 8, Stage::Found, false));
    for phone in [tech, spare] {
        crew.level(phone);
    }
    crew.wait_min(10);
    state(&mut crew, spare, Step::Lash(0, 5, Stage::Left, true));
    crew.wait_min(8 * 60);
    state(&mut crew, helper, Step::Visit);
    state(&mut crew, helper, Step::Lash(0, 5, Stage::Found, false));
    for phone in [tech, helper, tech] {
        crew.level(phone);
    }
    let found = Slot::Lash("1I".parse().unwrap(), Stage::Found);
    let stands = |crew: &Crew| crew.phones[tech].book.store().projections().standing(machine, &found).unwrap().unwrap().state;
    assert_eq!(stands(&crew), State::Contested);
    for phone in [spare, tech] {
        crew.level(phone);
    }
    assert_eq!(stands(&crew), State::Stands);
    assert_eq!(crew.phones[tech].book.verify().unwrap().faults, Vec::<String>::new());
}
