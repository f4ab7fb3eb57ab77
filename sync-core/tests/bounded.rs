//! What a view shows is bounded, and it says how much more there is.

#![expect(dead_code, reason = "the ground is the benchmarks', and this stands on some of it")]
#![expect(clippy::unwrap_used, reason = "the ground's unwraps are a test's here")]

#[path = "../benches/ground/mod.rs"]
mod ground;

use ground::Ground;
use shared::length::LengthUnit::Thou;
use shared::record::{Body, Finding, FindingKind, Note};
use sync_core::queries::bounds::{MOST_HISTORY, MOST_LINES, MOST_NOTES, MOST_READINGS};
use sync_core::store::Store;

/// More than any list shows.
const MANY: usize = MOST_HISTORY + 1;

#[test]
fn a_slot_shows_some_readings_and_weighs_all() {
    let mut ground = Ground::with_machines(1);
    let (phone, machine) = (ground.filled_phone(Store::in_memory().unwrap()), ground.machines[0]);
    ground.tips(&phone, machine, MOST_READINGS + 7);
    let slot = |ground: &Ground| {
        let standings = ground.shop.store().projections().standings(machine).unwrap();
        let standing = standings.into_iter().find(|standing| standing.contenders.len() > MOST_READINGS).unwrap();
        ground.shop.reader().slot_sheet(machine, &standing.slot, Thou).unwrap()
    };
    let before = slot(&ground);
    assert_eq!((before.side_by_side.readings.len(), before.side_by_side.more), (MOST_READINGS, 7));
    assert_eq!(before.brackets.len(), MOST_READINGS);
    assert!(before.side_by_side.readings[0].stands, "what stands is always shown");
    // One more, that the sheet does not show, is weighed too: the ruling is of all.
    let first = ground.shop.store().records().ledger_of(machine).unwrap();
    let first = first.entries().find(|entry| matches!(entry.record.body, Body::Clearance(_))).unwrap().record.body.clone();
    for request in ground.unseen(&phone, machine, vec![first]) {
        // The phone does not know that the shop has more: its change is asked for upon the old heads.
        ground.answer(phone.identity().unwrap().device, &request);
    }
    let after = slot(&ground);
    assert_eq!((after.side_by_side.readings.len(), after.side_by_side.more), (MOST_READINGS, 8));
    assert_ne!(after.weighed, before.weighed);
}

#[test]
fn a_machine_and_a_day_show_some_lines_and_count_all() {
    let mut ground = Ground::with_machines(1);
    let (phone, machine) = (ground.filled_phone(Store::in_memory().unwrap()), ground.machines[0]);
    let note = Body::from(Note { text: "ticks".into(), visit: None });
    let hold = Body::from(Finding { grade: FindingKind::Hold, what: "bent".into(), visit: None });
    for body in [note, hold] {
        let requests = ground.unseen(&phone, machine, vec![body; MANY]);
        for request in requests {
            let answer = ground.answer(phone.identity().unwrap().device, &request);
            assert!(answer.docs.iter().all(|doc| doc.refused.is_empty()));
        }
    }
    let now = ground.now();
    let screen = ground.shop.machines().machine_screen(machine, Thou, &now).unwrap();
    assert_eq!((screen.findings.len(), screen.more.findings), (MOST_LINES, MANY - MOST_LINES));
    assert_eq!((screen.history.len(), screen.more.history), (MOST_HISTORY, 2 * MANY + 1 - MOST_HISTORY));
    assert_eq!((screen.notes.len(), screen.more.notes), (MOST_NOTES, MANY - MOST_NOTES));
    assert!(screen.notes.is_sorted_by_key(|note| std::cmp::Reverse((note.at_ms, note.record))), "the latest first");
    let whole = ground.shop.machines().machine_view(machine, Thou, &now).unwrap();
    assert_eq!((whole.history.len(), whole.findings.len()), (2 * MANY + 1, MANY), "a device's own screens take what they show");
    let sheet = ground.shop.days().day_sheet(None, Thou, &now).unwrap();
    assert_eq!((sheet.holds.len(), sheet.counts.holds), (MOST_LINES, MANY));

    // Page upon page, each record once.
    let (mut before, mut paged) = (None, Vec::new());
    loop {
        let page = ground.shop.machines().history_before(machine, before, 97, Thou).unwrap();
        let Some(last) = page.last() else { break };
        before = Some((last.at_ms, last.record));
        paged.extend(page.into_iter().map(|line| line.record));
    }
    assert_eq!(paged, whole.history.iter().map(|line| line.record).collect::<Vec<_>>());
}
