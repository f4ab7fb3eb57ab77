//! The visits that a person has open: the one to go on with, and those handed over for somebody else to sign off.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on ends here")]

use shared::ids::DocId;
use shared::role::Role;
use sync_core::commands::VisitEntry;
use sync_core::engine::BookError;
use tests::Crew;

fn open(crew: &mut Crew, phone: usize, machine: DocId) {
    let entry = VisitEntry { cold: true, cautions_confirmed: true, ..VisitEntry::default() };
    crew.on(phone, |book, hand| book.author().open_visit(machine, &entry, hand).unwrap());
    crew.wait_min(1);
}

fn goes_on_with(crew: &Crew, phone: usize) -> Option<String> {
    crew.phones[phone].book.advisor().visit_to_go_on_with().unwrap().map(|own| own.tag)
}

#[test]
fn the_latest_that_was_not_handed_over_is_gone_on_with() {
    let (mut crew, first, [lead, _, helper]) = Crew::of_three(41);
    let second = crew.machine("A-2");
    crew.level_all();
    assert_eq!(goes_on_with(&crew, helper), None);
    let none = crew.on(helper, |book, hand| book.author().hand_over(first, "Ready.", hand));
    assert!(matches!(none, Err(BookError::Unknown(_))), "{none:?}");
    let title = crew.phones[helper].book.reader().title(first).unwrap();
    open(&mut crew, helper, second);
    open(&mut crew, helper, first);
    open(&mut crew, lead, second);
    crew.level_all();
    assert_eq!(goes_on_with(&crew, helper), Some(title.clone()), "the latest, not the first by tag");
    assert_eq!(goes_on_with(&crew, lead), Some("A-2".to_owned()), "each their own");

    crew.on(helper, |book, hand| book.author().hand_over(first, "Ready to be signed off.", hand).unwrap());
    assert!(crew.phones[helper].book.advisor().own_visit(first).unwrap().unwrap().handed_over);
    assert_eq!(goes_on_with(&crew, helper), Some("A-2".to_owned()));
    crew.level_all();
    assert_eq!(crew.phones[lead].book.reader().notes(first).unwrap().0[0].text, "Ready to be signed off.", "others are told by the note");
    crew.phones[helper].book.author().take_up(first).unwrap();
    assert_eq!(goes_on_with(&crew, helper), Some(title));

    // Signed off by another, it is nobody's to go on with; one that is opened later was not handed over.
    crew.on(helper, |book, hand| book.author().hand_over(first, "Ready once more.", hand).unwrap());
    let visit = crew.phones[helper].book.advisor().own_visit(first).unwrap().unwrap().visit;
    crew.level_all();
    crew.on(lead, |book, hand| book.author().finish_visit(first, Some(visit), "", hand).unwrap());
    crew.level_all();
    assert_eq!(crew.phones[helper].book.advisor().own_visit(first).unwrap(), None);
    open(&mut crew, helper, first);
    assert!(!crew.phones[helper].book.advisor().own_visit(first).unwrap().unwrap().handed_over);
}

/// The note and the mark are one step: a note that is refused hands nothing over.
#[test]
fn what_cannot_be_noted_is_not_handed_over() {
    let (mut crew, machine, [_, _, helper]) = Crew::of_three(42);
    open(&mut crew, helper, machine);
    let refused = crew.on(helper, |book, hand| book.author().hand_over(machine, "", hand));
    assert!(refused.is_err());
    assert!(!crew.phones[helper].book.advisor().own_visit(machine).unwrap().unwrap().handed_over);
    assert_eq!(crew.phones[helper].book.my_role(), Some(Role::Helper));
}
