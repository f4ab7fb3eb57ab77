//! Wherever a page of an exchange ends, a device can judge what is on it: the roster goes first, and a receipt with its record.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use shared::ids::DocId;
use shared::record::Stage;
use shared::role::Role;
use shared::wire::ExchangeRequest;
use tests::Crew;

/// Exchanges until level, with room for so many bytes of others' changes at a time; how many pages it took, and what was not taken.
fn level_by(crew: &mut Crew, phone: usize, room: u64) -> (usize, Vec<String>) {
    let mut refused = Vec::new();
    for pages in 1..=1_000 {
        let request = ExchangeRequest { room: Some(room), ..crew.offer(phone) };
        let answer = crew.answer(phone, &request);
        let report = crew.take(phone, &answer);
        refused.extend(report.refused.into_iter().map(|line| line.detail));
        if !report.more {
            return (pages, refused);
        }
    }
    panic!("it never ends");
}

fn assert_level(crew: &Crew, phone: usize, doc: DocId) {
    let of = |store: &sync_core::store::Store| store.documents().document(doc).unwrap().unwrap().heads;
    assert_eq!(of(crew.phones[phone].book.store()), of(crew.shop.store()));
    assert_eq!(crew.phones[phone].book.verify().unwrap().faults, Vec::<String>::new());
}

const ROOMS: [u64; 6] = [1, 400, 800, 1_600, 3_200, 1_000_000];

#[test]
fn what_arrived_by_right_is_taken_by_who_knows_of_a_revocation_already() {
    for room in ROOMS {
        let (mut crew, machine, [_, tech, _]) = Crew::of_three(31);
        crew.level_all();
        for go in 4..7 {
            crew.read(tech, machine, "1I", Stage::Found, go, go + 1);
            crew.level(tech);
        }
        let device = crew.phones[tech].book.identity().unwrap().device;
        crew.on(0, |book, hand| book.author().revoke_device(device, "lost", hand)).unwrap();
        let (pages, refused) = level_by(&mut crew, 0, room);
        assert_eq!(refused, Vec::<String>::new(), "room for {room}");
        assert!(pages > 1 || room > 3_200);
        assert_level(&crew, 0, machine);
    }
}

#[test]
fn what_a_newcomer_wrote_is_taken_by_who_hears_of_both_at_once() {
    for room in ROOMS {
        let (mut crew, machine, [lead, _, _]) = Crew::of_three(32);
        let late = crew.join("Late", Role::Tech);
        crew.level_all();
        let newcomer = crew.join("Newcomer", Role::Lead);
        crew.level(newcomer);
        crew.read(newcomer, machine, "1E", Stage::Found, 5, 6);
        crew.level(newcomer);
        crew.level(lead);
        crew.give_yard(late);
        crew.level(0);
        let (_, refused) = level_by(&mut crew, late, room);
        assert_eq!(refused, Vec::<String>::new(), "room for {room}");
        assert_level(&crew, late, machine);
    }
}

/// A page that goes on with what began before somebody joined brings nothing of theirs ahead of the roster that names them: after each
/// page, whatever was the last, all that is held can be verified.
#[test]
fn what_came_in_while_a_device_was_being_filled_waits_for_the_roster() {
    for room in (1_500..10_000).step_by(1_500) {
        let (mut crew, machine, [lead, _, _]) = Crew::of_three(33);
        let machines: Vec<DocId> = (2..6).map(|n| crew.machine(&format!("M-{n}"))).chain([machine]).collect();
        let newcomer = crew.join("Newcomer", Role::Tech);
        crew.level_all();
        for machine in &machines {
            crew.read(lead, *machine, "1I", Stage::Found, 4, 5);
        }
        crew.level(lead);
        // All of them are opened to somebody who is level: they are handed out page by page.
        crew.give_yard(newcomer);
        crew.level(0);
        let page = |crew: &mut Crew| {
            let request = ExchangeRequest { room: Some(room), ..crew.offer(newcomer) };
            let answer = crew.answer(newcomer, &request);
            crew.take(newcomer, &answer).more
        };
        for pages_before in 0..6 {
            if pages_before > 0 && !page(&mut crew) {
                break;
            }
            // A device that nobody knew, and at once what it signed.
            let late = crew.join(&format!("Late {pages_before}"), Role::Lead);
            crew.level(0);
            crew.level(late);
            for machine in &machines {
                crew.read(late, *machine, "1E", Stage::Found, 5, 6);
            }
            crew.level(late);
            page(&mut crew);
            assert_eq!(crew.phones[newcomer].book.verify().unwrap().faults, Vec::<String>::new(), "room for {room}, {pages_before} pages");
        }
        let (_, refused) = level_by(&mut crew, newcomer, room);
        assert_eq!(refused, Vec::<String>::new(), "room for {room}");
        assert_level(&crew, newcomer, machine);
    }
}
