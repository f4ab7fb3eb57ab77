//! What the shop has refused, and another phone brings again: not taken while its office decides, and taken where it only waits for
//! another day.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on ends here")]

use shared::record::Stage;
use sync_core::store::QuarantineState;
use sync_core::sync::bundle::{Load, Taken};
use tests::Crew;

fn make(crew: &Crew, from: usize) -> Vec<u8> {
    crew.phones[from].book.outgoing().make_bundle(&Load::Unsent, &crew.moment(from)).unwrap().bundles.remove(0)
}

fn take(crew: &mut Crew, to: usize, bytes: &[u8]) -> Taken {
    let moment = crew.moment(to);
    crew.phones[to].book.peer().take_bundle(bytes, &moment).unwrap()
}

/// Of a phone that the shop does not know any more, say: it hands over what it has again and again, and its carrier has exchanged.
#[test]
fn what_the_shop_has_refused_is_not_taken_out_of_a_bundle_again() {
    let (mut crew, machine, [_, tech, _]) = Crew::of_three(11);
    crew.take_yard(tech);
    let read = crew.read(tech, machine, "1I", Stage::Found, 4, 5);
    let bytes = make(&crew, tech);
    assert_eq!(take(&mut crew, 0, &bytes).taken, 1);
    crew.level(0);
    let waits = |book: &sync_core::book::Book| {
        let held = book.store().quarantine().quarantined().unwrap().into_iter().find(|held| held.record == Some(read)).unwrap();
        (held.state, held.code, held.id)
    };
    let (_, code, number) = waits(&crew.shop);
    assert_eq!(waits(&crew.shop), (QuarantineState::Waiting, shared::problem::Code::DocumentClosed, number));
    let end = crew.phones[0].book.store().log().log_end().unwrap();
    for _ in 0..2 {
        let taken = take(&mut crew, 0, &bytes);
        assert_eq!((taken.taken, taken.refused.len(), taken.refused[0].code), (0, 1, code), "{taken:?}");
        assert_eq!(crew.level(0), 1);
        assert_eq!(crew.phones[0].book.store().log().log_end().unwrap(), end);
        assert_eq!(waits(&crew.phones[0].book).0, QuarantineState::Waiting);
    }
    // What the office lets in comes back by the shop, with its receipt.
    let (office, now) = (crew.phones[0].person, sync_core::sys::clock::ClockReading::at(crew.now_ms));
    crew.shop.peer().release(number, office, &now, &mut crew.dice).unwrap();
    crew.level(0);
    assert!(crew.phones[0].book.store().records().held(read).unwrap().is_some());
    assert_eq!(waits(&crew.phones[0].book).0, QuarantineState::Released);
}

/// Its writer has brought enough for today, and the shop has it in no quarantine: on another day it comes as it is.
#[test]
fn what_the_shop_takes_on_another_day_is_taken_out_of_a_bundle_again() {
    let (mut crew, machine, [_, tech, _]) = Crew::of_three(12);
    let read = crew.read(tech, machine, "1I", Stage::Found, 4, 5);
    let bytes = make(&crew, tech);
    take(&mut crew, 0, &bytes);
    let request = crew.offer(0);
    let offer = request.docs.iter().find(|doc| doc.id == machine).unwrap();
    let full = shared::wire::Refusal {
        change: offer.heads[0],
        record: Some(read),
        code: shared::problem::Code::DayFull,
        detail: "Enough for today.".to_owned(),
    };
    let mut refused = shared::wire::DocAnswer::new(machine);
    (refused.heads, refused.refused) = (crew.shop.store().documents().document(machine).unwrap().unwrap().heads, vec![full]);
    let mut answer = crew.answer(0, &shared::wire::ExchangeRequest { docs: Vec::new(), ..request });
    answer.vouch = None;
    answer.docs.retain(|doc| doc.id != machine);
    answer.docs.push(refused);
    crew.take(0, &answer);
    assert!(
        crew.phones[0]
            .book
            .store()
            .quarantine()
            .is_quarantined(&crew.phones[tech].book.store().records().held(read).unwrap().unwrap().bytes)
            .unwrap()
    );
    let taken = take(&mut crew, 0, &bytes);
    assert_eq!((taken.taken + taken.saved, taken.refused.len()), (1, 0), "{taken:?}");
    crew.level(0);
    assert!(crew.shop.store().records().held(read).unwrap().is_some());
}
