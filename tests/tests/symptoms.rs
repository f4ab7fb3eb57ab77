//! Symptoms first: what the book knows comes forward, on whichever device asks.

use shared::length::LengthUnit::Thou;
use shared::record::{FindingKind, Stage};
use shared::symptom::{Look, Symptom};
use sync_core::sys::clock::ClockReading;
use tests::Crew;

#[test]
fn what_was_last_out_of_range_is_named_and_comes_before_what_nobody_knows() {
    let (mut crew, machine, [_, tech, _]) = Crew::of_three(31);
    let ask = |crew: &Crew, symptom| {
        let now = ClockReading::at(crew.now_ms);
        crew.phones[tech].book.machines().symptom(machine, symptom, Thou, &now).unwrap()
    };
    let looks = |crew: &Crew, symptom| ask(crew, symptom).looks.into_iter().map(|look| look.look).collect::<Vec<_>>();
    let before = looks(&crew, Symptom::DownOnPower);
    assert_eq!(before, Symptom::DownOnPower.looks(), "nothing is known: the order of the trade");
    assert!(ask(&crew, Symptom::Clatters).looks.iter().all(|look| look.known.is_empty()));

    // Left far too wide, and found so: the clearances come forward, and the valve is named; oil stays first.
    crew.read(tech, machine, "1E", Stage::Found, 9, 10);
    let after = ask(&crew, Symptom::DownOnPower);
    assert_eq!(after.looks[0].look, Look::Clearance);
    assert!(after.looks[0].known.iter().any(|said| said.starts_with("1E was found too wide: ")), "{after:?}");
    let clatters = ask(&crew, Symptom::Clatters);
    assert_eq!([clatters.looks[0].look, clatters.looks[1].look], [Look::Oil, Look::WideClearance]);
    assert!(clatters.looks[1].known[0].starts_with("1E was found too wide"));
    assert!(ask(&crew, Symptom::Pops).looks.iter().all(|look| look.known.is_empty()), "a wide valve is no narrow one");

    // Set right and left so, it is no longer said: the latest reading counts.
    crew.read(tech, machine, "1E", Stage::Left, 5, 6);
    assert!(ask(&crew, Symptom::Clatters).looks.iter().all(|look| look.known.is_empty()));

    // What forbids running it is said whatever the symptom.
    let phone = &mut crew.phones[tech];
    let mut hand = sync_core::commands::ActionContext { now: ClockReading::at(crew.now_ms), entropy: &mut crew.dice, measured_by: None };
    phone.book.author().add_finding(machine, FindingKind::Hold, "a stud is pulled", &mut hand).unwrap();
    for symptom in Symptom::ALL {
        assert!(ask(&crew, symptom).known.iter().any(|said| said == "It is on hold: a stud is pulled."), "{symptom:?}");
    }
}
