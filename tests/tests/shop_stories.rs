//! What stands, over a shop and phones in one thread: stories that were seen, each with what a shop may rely on.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use shared::hours::Hours;
use shared::ids::{DocId, RecordId};
use shared::record::{Decision, MeterChange, Stage};
use shared::slot::Slot;
use sync_core::judge::standing::{Standing, State};
use tests::Crew;

fn at_shop(crew: &Crew, doc: DocId, slot: &Slot) -> Standing {
    crew.shop.store().projections().standing(doc, slot).unwrap().unwrap()
}

fn hours(crew: &mut Crew, phone: usize, machine: DocId, text: &str) -> RecordId {
    let meter = text.parse().unwrap();
    crew.on(phone, |book, hand| book.author().read_hours(machine, meter, hand).unwrap().record)
}

fn change(crew: &mut Crew, phone: usize, machine: DocId, old: &str, new: &str, changed_ms: Option<i64>) -> RecordId {
    let change = MeterChange { old: old.parse().unwrap(), new: new.parse().unwrap(), changed_ms };
    crew.on(phone, |book, hand| book.author().change_meter(machine, change, hand).unwrap())
}

fn engine_hours(crew: &Crew, machine: DocId) -> Hours {
    crew.shop.store().machine_rows().machine(machine).unwrap().unwrap().state.hours.unwrap().engine
}

/// Every replica says the same, and the rows are what the records give.
fn level(crew: &mut Crew, machine: DocId) {
    crew.level_all();
    let shop = crew.shop.store().projections().standings(machine).unwrap();
    for phone in &crew.phones {
        assert_eq!(phone.book.store().projections().standings(machine).unwrap(), shop);
    }
    for book in crew.phones.iter().map(|p| &p.book).chain([&crew.shop]) {
        assert_eq!(book.verify().unwrap().faults, Vec::<String>::new());
    }
}

/// Two people note the one new meter, neither knowing of the other's note: it was changed once.
#[test]
fn a_meter_change_noted_by_two_people_is_one_change() {
    let (mut crew, machine, [_, tech, helper]) = Crew::of_three(1);
    hours(&mut crew, tech, machine, "447.8");
    level(&mut crew, machine);
    crew.wait_min(60);
    let by_tech = change(&mut crew, tech, machine, "447.8", "0", None);
    crew.wait_min(20);
    let by_helper = change(&mut crew, helper, machine, "447.8", "0", None);
    crew.wait_min(3 * 24 * 60);
    let fresh = hours(&mut crew, tech, machine, "5.0");
    level(&mut crew, machine);
    let standing = at_shop(&crew, machine, &Slot::MeterChanges);
    assert_eq!((standing.state, standing.stands), (State::Corroborated, Some(by_tech)), "{}", standing.reason);
    assert!(standing.contenders.contains(&by_helper));
    let standing = at_shop(&crew, machine, &Slot::Hours);
    assert_eq!((standing.stands, standing.aside), (Some(fresh), vec![]));
    assert_eq!(engine_hours(&crew, machine).to_string(), "452.8");
}

/// Their figures differ: the tech's counts meanwhile, and the office is asked. Another change, months later, is a second one.
#[test]
fn meter_changes_that_differ_are_contested_and_a_later_one_is_another() {
    let (mut crew, machine, [_, tech, helper]) = Crew::of_three(1);
    hours(&mut crew, tech, machine, "447.8");
    level(&mut crew, machine);
    let by_tech = change(&mut crew, tech, machine, "447.8", "0", None);
    let by_helper = change(&mut crew, helper, machine, "474.8", "0", None);
    crew.wait_min(3 * 24 * 60);
    hours(&mut crew, tech, machine, "5.0");
    level(&mut crew, machine);
    let standing = at_shop(&crew, machine, &Slot::MeterChanges);
    assert_eq!((standing.state, standing.stands), (State::Contested, Some(by_tech)));
    assert_eq!(engine_hours(&crew, machine).to_string(), "452.8");
    crew.wait_min(90 * 24 * 60);
    let second = change(&mut crew, tech, machine, "100.0", "2.0", None);
    crew.wait_min(24 * 60);
    hours(&mut crew, tech, machine, "3.0");
    level(&mut crew, machine);
    // The change of spring is still in question, and so it is the one shown.
    let standing = at_shop(&crew, machine, &Slot::MeterChanges);
    assert_eq!((standing.state, standing.contenders.len(), standing.outdated), (State::Contested, 2, vec![second]));
    assert_eq!(engine_hours(&crew, machine).to_string(), "548.8", "447.8 + 98 + 3");
    crew.on(0, |book, hand| book.author().rule(machine, &Slot::MeterChanges, Decision::Stands(by_helper), "photo", hand).unwrap());
    level(&mut crew, machine);
    let standing = at_shop(&crew, machine, &Slot::MeterChanges);
    assert_eq!((standing.state, standing.stands), (State::Stands, Some(second)));
    assert_eq!(engine_hours(&crew, machine).to_string(), "575.8", "474.8 + 98 + 3");
}

/// A person who knows of a note corrects it: within the window it is the same change.
#[test]
fn a_meter_change_is_corrected_by_a_person_who_knows_of_it() {
    let (mut crew, machine, [_, tech, helper]) = Crew::of_three(1);
    change(&mut crew, tech, machine, "447.8", "0", None);
    level(&mut crew, machine);
    crew.wait_min(5 * 24 * 60);
    let on_the_day = crew.now_ms - (5 * 24 + 1) * 60 * 60_000;
    let corrected = change(&mut crew, helper, machine, "474.8", "0", Some(on_the_day));
    crew.wait_min(60);
    hours(&mut crew, tech, machine, "5.0");
    level(&mut crew, machine);
    let standing = at_shop(&crew, machine, &Slot::MeterChanges);
    assert_eq!((standing.state, standing.stands), (State::Stands, Some(corrected)));
    assert_eq!(engine_hours(&crew, machine).to_string(), "479.8");
}

fn rule(crew: &mut Crew, machine: DocId, slot: &Slot, decision: Decision) -> Result<RecordId, String> {
    crew.on(0, |book, hand| book.author().rule(machine, slot, decision, "", hand)).map_err(|error| error.to_string())
}

fn found() -> Slot {
    Slot::Lash("1I".parse().unwrap(), Stage::Found)
}

/// A ruling that would not decide is refused with the reason, and nothing is kept of it.
#[test]
fn a_ruling_decides_or_is_refused() {
    let (mut crew, machine, [lead, tech, _]) = Crew::of_three(1);
    let old = crew.read(lead, machine, "1I", Stage::Found, 3, 4);
    crew.wait_min(13 * 60);
    let fresh = crew.read(tech, machine, "1I", Stage::Found, 5, 6);
    level(&mut crew, machine);
    let refused = rule(&mut crew, machine, &found(), Decision::Stands(old)).unwrap_err();
    assert!(refused.contains("is history: the engine has run since"), "{refused}");
    let replaced = fresh;
    let fresh = crew.read(tech, machine, "1I", Stage::Found, 6, 7);
    level(&mut crew, machine);
    let refused = rule(&mut crew, machine, &found(), Decision::Stands(replaced)).unwrap_err();
    assert!(refused.contains("was replaced by a later one, whose author knew of it"), "{refused}");
    crew.on(tech, |book, hand| book.author().void(fresh, "wrong valve", hand).unwrap());
    level(&mut crew, machine);
    let refused = rule(&mut crew, machine, &found(), Decision::Stands(fresh)).unwrap_err();
    assert!(refused.contains("was undone"), "{refused}");
    let rulings = crew.phones[0].book.store().projections().standing(machine, &Slot::ruling(&found())).unwrap();
    assert!(rulings.is_none(), "nothing was kept");
    // With the later one gone nothing is wrong with ruling on what it had replaced.
    rule(&mut crew, machine, &found(), Decision::Stands(replaced)).unwrap();
    assert_eq!(crew.phones[0].book.store().projections().standing(machine, &found()).unwrap().unwrap().state, State::Ruled);
}

/// The reading that a ruling let stand is taken back: that, and not a reading unseen, is why it decides no more.
#[test]
fn a_ruling_on_a_reading_that_is_taken_back_says_so() {
    let (mut crew, machine, [lead, tech, _]) = Crew::of_three(1);
    let by_lead = crew.read(lead, machine, "1I", Stage::Found, 3, 4);
    let by_tech = crew.read(tech, machine, "1I", Stage::Found, 5, 6);
    level(&mut crew, machine);
    rule(&mut crew, machine, &found(), Decision::Stands(by_tech)).unwrap();
    crew.level_all();
    crew.on(tech, |book, hand| book.author().void(by_tech, "wrong valve", hand).unwrap());
    level(&mut crew, machine);
    let standing = at_shop(&crew, machine, &found());
    assert_eq!((standing.state, standing.stands), (State::Stands, Some(by_lead)));
    assert!(standing.reason.to_string().ends_with("; the reading that the ruling had let stand was undone"), "{}", standing.reason);
}

/// The office lets a slip in by mistake. What is read since contradicts it: the slot asks again, and the meter goes on.
#[test]
fn a_mistaken_ruling_on_hours_is_asked_about_again() {
    let (mut crew, machine, [lead, tech, _]) = Crew::of_three(1);
    let meter = Slot::Hours;
    hours(&mut crew, tech, machine, "1520.0");
    crew.wait_min(24 * 60);
    let slip = hours(&mut crew, tech, machine, "15234");
    level(&mut crew, machine);
    rule(&mut crew, machine, &meter, Decision::Stands(slip)).unwrap();
    level(&mut crew, machine);
    let standing = at_shop(&crew, machine, &meter);
    assert_eq!((standing.state, standing.stands), (State::Ruled, Some(slip)));
    // A reading that fits what was ruled re-opens nothing.
    crew.wait_min(24 * 60);
    let fits = hours(&mut crew, lead, machine, "15235");
    level(&mut crew, machine);
    let standing = at_shop(&crew, machine, &meter);
    assert_eq!((standing.state, standing.stands), (State::Stands, Some(fits)));
    assert_eq!(engine_hours(&crew, machine).to_string(), "15235.0");
    crew.on(lead, |book, hand| book.author().void(fits, "misread", hand).unwrap());
    for (days, text) in [(2, "1523.0"), (9, "1530.0")] {
        crew.wait_min(days * 24 * 60);
        let read = hours(&mut crew, tech, machine, text);
        level(&mut crew, machine);
        let standing = at_shop(&crew, machine, &meter);
        assert_eq!((standing.state, standing.stands), (State::Contested, Some(read)), "{text}: {}", standing.reason);
        assert!(standing.reason.to_string().ends_with("a reading that the ruling had not seen re-opened it"), "{}", standing.reason);
        assert_eq!(standing.aside.iter().map(|aside| aside.id).collect::<Vec<_>>(), [slip]);
        let contested = crew.shop.reader().contested(shared::length::LengthUnit::Thou).unwrap();
        assert_eq!(contested.iter().map(|slot| &slot.slot).collect::<Vec<_>>(), [&meter]);
    }
    let last = at_shop(&crew, machine, &meter).stands.unwrap();
    rule(&mut crew, machine, &meter, Decision::Stands(last)).unwrap();
    level(&mut crew, machine);
    let standing = at_shop(&crew, machine, &meter);
    assert_eq!((standing.state, standing.stands, standing.aside), (State::Ruled, Some(last), vec![]));
    crew.wait_min(24 * 60);
    let next = hours(&mut crew, tech, machine, "1531.0");
    level(&mut crew, machine);
    let standing = at_shop(&crew, machine, &meter);
    assert_eq!((standing.state, standing.stands), (State::Stands, Some(next)));
}

/// A slip that came first, 4430.0 for 443.0: a higher role's reading stands against it, contested until another agrees.
#[test]
fn the_first_slip_does_not_win() {
    let (mut crew, machine, [lead, tech, helper]) = Crew::of_three(1);
    let meter = Slot::Hours;
    let slip = hours(&mut crew, helper, machine, "4430.0");
    level(&mut crew, machine);
    crew.wait_min(24 * 60);
    let right = hours(&mut crew, lead, machine, "443.8");
    level(&mut crew, machine);
    let standing = at_shop(&crew, machine, &meter);
    assert_eq!((standing.state, standing.stands), (State::Contested, Some(right)));
    assert_eq!(standing.reason.to_string(), "readings that contradict each other weigh 4 and 2, by role and number: too near to tell");
    assert_eq!(standing.aside.iter().map(|aside| aside.id).collect::<Vec<_>>(), [slip]);
    crew.wait_min(24 * 60);
    let agrees = hours(&mut crew, tech, machine, "444.0");
    level(&mut crew, machine);
    let standing = at_shop(&crew, machine, &meter);
    assert_eq!((standing.state, standing.stands, standing.aside), (State::Stands, Some(agrees), vec![]));
}

/// The office and a lead rule otherwise, neither knowing of the other: shown, contested, and settled by ruling once more.
#[test]
fn rulings_that_contradict_each_other_are_contested() {
    let (mut crew, machine, [lead, tech, helper]) = Crew::of_three(1);
    let by_tech = crew.read(tech, machine, "1I", Stage::Found, 3, 4);
    let by_helper = crew.read(helper, machine, "1I", Stage::Found, 5, 6);
    crew.level_all();
    crew.level_all();
    let leads = crew.on(lead, |book, hand| book.author().rule(machine, &found(), Decision::Stands(by_tech), "I was there", hand).unwrap());
    crew.wait_min(14);
    let offices = rule(&mut crew, machine, &found(), Decision::Stands(by_helper)).unwrap();
    level(&mut crew, machine);
    let standing = at_shop(&crew, machine, &found());
    assert_eq!((standing.state, standing.stands, standing.ruling), (State::Contested, Some(by_tech), Some(leads)));
    assert_eq!(standing.rulings, [leads, offices]);
    assert_eq!(standing.reason.to_string(), "rulings contradict each other, and none had seen the other: lead over office, 14 min apart");
    let now = crew.moment(0);
    let sheet = crew.shop.days().day_sheet(None, shared::length::LengthUnit::Thou, &now).unwrap();
    let shown: Vec<_> = sheet.contested[0].rulings.iter().map(|ruling| (ruling.record, ruling.counts)).collect();
    assert_eq!(shown, [(leads, true), (offices, false)]);
    assert!(sheet.contested[0].rulings[0].words.starts_with("Lead ruled that"), "{}", sheet.contested[0].rulings[0].words);
    let again = rule(&mut crew, machine, &found(), Decision::Stands(by_helper)).unwrap();
    level(&mut crew, machine);
    let standing = at_shop(&crew, machine, &found());
    assert_eq!((standing.state, standing.stands, standing.ruling), (State::Ruled, Some(by_helper), Some(again)));
    assert_eq!(standing.rulings, []);
}

/// Two rulings that decide the same contradict nothing; one beyond the window is history to a later one.
#[test]
fn rulings_that_agree_or_lie_far_apart_are_not_contested() {
    let (mut crew, machine, [lead, tech, helper]) = Crew::of_three(1);
    let by_tech = crew.read(tech, machine, "1I", Stage::Found, 3, 4);
    let by_helper = crew.read(helper, machine, "1I", Stage::Found, 5, 6);
    crew.level_all();
    crew.level_all();
    crew.on(lead, |book, hand| book.author().rule(machine, &found(), Decision::Stands(by_tech), "", hand).unwrap());
    rule(&mut crew, machine, &found(), Decision::Stands(by_tech)).unwrap();
    level(&mut crew, machine);
    let standing = at_shop(&crew, machine, &found());
    assert_eq!((standing.state, standing.stands, standing.rulings), (State::Ruled, Some(by_tech), vec![]));
    crew.on(lead, |book, hand| book.author().rule(machine, &found(), Decision::Recheck, "", hand).unwrap());
    crew.wait_min(13 * 60);
    rule(&mut crew, machine, &found(), Decision::Stands(by_helper)).unwrap();
    level(&mut crew, machine);
    let standing = at_shop(&crew, machine, &found());
    assert_eq!((standing.state, standing.stands, standing.rulings), (State::Ruled, Some(by_helper), vec![]));
}

fn visit(crew: &mut Crew, phone: usize, machine: DocId) {
    let entry = sync_core::commands::VisitEntry { cold: true, cautions_confirmed: true, ..Default::default() };
    crew.on(phone, |book, hand| book.author().open_visit(machine, &entry, hand).unwrap());
}

fn turned(crew: &mut Crew, phone: usize, machine: DocId, stage: Stage, go: i64) -> RecordId {
    let entry = sync_core::commands::ReadingEntry {
        valve: "1I".parse().unwrap(),
        stage,
        go: Some(shared::length::Length::from_thou(go)),
        no_go: Some(shared::length::Length::from_thou(go + 1)),
        leaves: vec![],
        adjusted: true,
        cold: Some(true),
    };
    let (set, unit) = (shared::leaf::LeafSet::inch(), shared::length::LengthUnit::Thou);
    crew.on(phone, |book, hand| book.author().take_reading(machine, entry, &set, unit, hand).unwrap().record)
}

fn left() -> Slot {
    Slot::Lash("1I".parse().unwrap(), Stage::Left)
}

/// Found 8/9 in the morning, set and left; found 5/6 by another at five, who knew nothing of it. Both are true.
#[test]
fn two_visits_in_a_day_with_the_valve_set_in_between_are_both_true() {
    let (mut crew, machine, [_, tech, helper]) = Crew::of_three(1);
    visit(&mut crew, tech, machine);
    let loose = crew.read(tech, machine, "1I", Stage::Found, 8, 9);
    turned(&mut crew, tech, machine, Stage::Set, 5);
    let as_left = crew.read(tech, machine, "1I", Stage::Left, 5, 6);
    crew.wait_min(8 * 60);
    visit(&mut crew, helper, machine);
    let at_five = crew.read(helper, machine, "1I", Stage::Found, 5, 6);
    level(&mut crew, machine);
    let standing = at_shop(&crew, machine, &found());
    assert_eq!((standing.state, standing.stands, standing.outdated), (State::Stands, Some(at_five), vec![loose]));
    assert_eq!(standing.reason.to_string(), "the valve was set after the earlier readings");
    assert_eq!(at_shop(&crew, machine, &left()).stands, Some(as_left));
}

/// Each of them is needed: the turned adjuster, the valve left, and that the other visit came after that.
#[test]
fn without_the_valve_set_in_between_two_visits_are_contested() {
    for (turns, leaves, overlaps) in [(false, true, false), (true, false, false), (true, true, true)] {
        let (mut crew, machine, [_, tech, helper]) = Crew::of_three(1);
        visit(&mut crew, helper, machine);
        visit(&mut crew, tech, machine);
        crew.read(tech, machine, "1I", Stage::Found, 8, 9);
        if overlaps {
            crew.read(helper, machine, "1I", Stage::Set, 7, 8);
        }
        if turns {
            turned(&mut crew, tech, machine, Stage::Set, 5);
        }
        if leaves {
            crew.read(tech, machine, "1I", Stage::Left, 5, 6);
        }
        crew.wait_min(8 * 60);
        crew.read(helper, machine, "1I", Stage::Found, 5, 6);
        level(&mut crew, machine);
        assert_eq!(at_shop(&crew, machine, &found()).state, State::Contested, "{turns} {leaves} {overlaps}");
    }
}

/// Two people set the same valve one after the other: what the later left stands, and the earlier is history.
#[test]
fn a_valve_left_twice_in_a_day_is_as_it_was_left_last() {
    let (mut crew, machine, [lead, tech, _]) = Crew::of_three(1);
    visit(&mut crew, lead, machine);
    turned(&mut crew, lead, machine, Stage::Set, 3);
    let first = crew.read(lead, machine, "1I", Stage::Left, 3, 4);
    crew.wait_min(4 * 60);
    visit(&mut crew, tech, machine);
    turned(&mut crew, tech, machine, Stage::Set, 5);
    let last = crew.read(tech, machine, "1I", Stage::Left, 5, 6);
    level(&mut crew, machine);
    let standing = at_shop(&crew, machine, &left());
    assert_eq!((standing.state, standing.stands, standing.outdated), (State::Stands, Some(last), vec![first]));
}
