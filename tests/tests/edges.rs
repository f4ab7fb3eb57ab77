//! The very edges of the rules, where one step more or less decides; and what has no receipt is offered again, whatever happened.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use shared::bytes::Bytes32;
use shared::hours::Hours;
use shared::ids::{DeviceId, DocId, PersonId, RecordId, ShopId};
use shared::length::Length;
use shared::record::{Body, Clearance, ClockEvidence, HourReading, Record, Stage};
use shared::role::Role;
use sync_core::judge::ledger::{Entry, Ledger};
use sync_core::judge::roster::{Roster, ShopRoot};
use sync_core::judge::standing::{Standing, State, stands};
use tests::Crew;
use tests::oracle::{Oracle, Verdict};

const HOUR_MS: i64 = 3_600_000;

/// A record of somebody's own, by a clock that may be off by so much.
fn entry(n: u8, at_ms: i64, off_ms: i64, body: Body) -> Entry {
    Entry {
        device: DeviceId::from_bytes([n; 16]),
        sha256: Bytes32([n; 32]),
        record: Record {
            id: RecordId::from_bytes([n; 16]),
            doc: DocId::from_bytes([6; 16]),
            by: PersonId::from_bytes([n; 16]),
            measured_by: None,
            at_ms,
            clock: ClockEvidence { offset_ms: Some(0), uncertainty_ms: Some(off_ms), ..ClockEvidence::default() },
            seen: vec![],
            body,
        },
    }
}

fn found(go: i64) -> Body {
    Body::Clearance(Clearance {
        valve: "1I".parse().unwrap(),
        stage: Stage::Found,
        go: Some(Length::from_thou(go)),
        no_go: Some(Length::from_thou(go + 1)),
        leaves: vec![],
        cold: true,
        engine_tenth_c: None,
        adjusted: false,
        visit: None,
    })
}

fn hours(tenths: i64) -> Body {
    Body::Hours(HourReading { meter: Hours::from_tenths(tenths), visit: None })
}

/// How the one slot of some records stands; the slow oracle says the same.
fn standing(entries: Vec<Entry>) -> Standing {
    let root = ShopRoot { shop: ShopId::from_bytes([1; 16]), device: DeviceId::from_bytes([2; 16]), key: Bytes32([3; 32]) };
    let roster = Roster::empty(root);
    let ledger = Ledger::new(entries.clone());
    let slot = ledger.slots().next().unwrap();
    let standing = stands(slot, &ledger, &roster);
    assert_eq!(Oracle::over(&entries, &roster).judge(slot), Some(Verdict::from(&standing)));
    standing
}

/// The usual window is 12 h (DESIGN section 6.3): a tip as old as that to the millisecond is still in question.
#[test]
fn a_tip_as_old_as_the_window_contends_and_one_older_is_history() {
    let at = |apart_ms: i64| standing(vec![entry(10, 0, 0, found(4)), entry(11, apart_ms, 0, found(8))]);
    let within = at(12 * HOUR_MS);
    assert_eq!((within.state, within.contenders.len(), within.outdated.len()), (State::Contested, 2, 0));
    let beyond = at(12 * HOUR_MS + 1);
    assert_eq!((beyond.state, beyond.contenders.len(), beyond.outdated.len()), (State::Stands, 1, 1));
}

/// Hours are contested where they are more than 0.2 h apart beyond what the clock between them allows (DESIGN section 6.5).
#[test]
fn hours_two_tenths_apart_agree_and_three_tenths_apart_do_not() {
    // By clocks of which little is known, so that the meter chain keeps both.
    let at = |apart_ms: i64, tenths: i64| {
        standing(vec![entry(10, 0, HOUR_MS, hours(1_000)), entry(11, apart_ms, HOUR_MS, hours(1_000 + tenths))])
    };
    for (apart_ms, tenths, state) in [
        (0, 2, State::Corroborated),
        (0, 3, State::Contested),
        (0, -2, State::Corroborated),
        (0, -3, State::Contested),
        (HOUR_MS, 12, State::Corroborated),
        (HOUR_MS, 13, State::Contested),
        (HOUR_MS, -2, State::Corroborated),
        (HOUR_MS, -3, State::Contested),
    ] {
        let standing = at(apart_ms, tenths);
        assert_eq!((standing.state, standing.contenders.len()), (state, 2), "{tenths} tenths in {apart_ms} ms: {}", standing.reason);
    }
}

/// Taken for sent, and nothing says that the shop has it: a record stays due until its receipt is here (DESIGN section 7).
#[test]
fn what_was_taken_for_sent_without_a_receipt_is_offered_again() {
    let mut crew = Crew::new(3);
    let tech = crew.join("Tech", Role::Tech);
    let machine = crew.machine("M-1");
    crew.give_yard(tech);
    crew.level_all();
    let read = crew.read(tech, machine, "1I", Stage::Found, 4, 5);
    let store = crew.phones[tech].book.store();
    let heads = store.documents().document(machine).unwrap().unwrap().heads;
    assert!(store.outbox().mark_at_shop(machine, &heads).unwrap() > 0);
    assert!(crew.offer(tech).docs.iter().all(|doc| doc.recipes.is_empty()), "nothing is offered as it is");
    crew.level(tech);
    assert!(crew.shop.store().records().held(read).unwrap().is_some(), "the shop has it");
    assert_eq!(crew.phones[tech].book.reader().status().unwrap().waiting, 0);
}
