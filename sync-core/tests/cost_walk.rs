//! What every view of a book costs, counted and not timed: basic blocks of our own code, over a book with so much in it and with
//! four times as much. A cost in proportion is at most four times as much; one that grows with the square is up to sixteen times.
//!
//! `tests/walk/run` builds the engine so that it counts, and runs this.

#![expect(dead_code, reason = "the ground is the benchmarks', and this stands on some of it")]
#![expect(clippy::unwrap_used, reason = "the ground's unwraps are a test's here")]

#[path = "../benches/ground/mod.rs"]
mod ground;

use std::fmt::Debug;
use std::process::Command;

use ground::Ground;
use shared::hours::Hours;
use shared::ids::{DocId, RecordId};
use shared::length::LengthUnit;
use shared::record::{Body, Clearance, Finding, FindingKind, HourReading, MeterChange, Note, Stage, Visit};
use sync_core::book::Book;
use sync_core::store::Store;
use sync_core::sys::clock::ClockReading;

/// The lesser book. The greater one still comes in one change, so that its rows are derived once as well.
const FEW: usize = 125;
/// How much more is in the greater one.
const TIMES: usize = 4;
/// The most that it may cost: what is in proportion, what sorting adds to that, and a little.
const MOST_TIMES: f64 = 5.0;

/// Blocks run so far.
fn count(path: &str) -> u64 {
    std::fs::read(path).ok().and_then(|bytes| bytes.try_into().ok()).map_or(0, u64::from_ne_bytes)
}

/// What each step of a walk cost.
#[derive(Debug, Default)]
struct Walk {
    path: String,
    steps: Vec<(String, u64)>,
}

impl Walk {
    fn step<T: Debug, E: Debug>(&mut self, name: &str, step: impl FnOnce() -> Result<T, E>) {
        let before = count(&self.path);
        let answer = step();
        let cost = count(&self.path) - before;
        // An error would make a step cheap: it is none, or it is the arithmetic's.
        assert!(answer.is_ok() || name.starts_with("reckon"), "{name}: {:?}", answer.err());
        self.steps.push((name.to_owned(), cost));
    }
}

/// Every view, over whatever is in the book.
fn look(walk: &mut Walk, book: &Book, machine: DocId, now: &ClockReading) {
    let unit = LengthUnit::Thou;
    let everyone = book.identity().unwrap().person;
    let lead = book.reader().people().unwrap().into_iter().find(|line| line.name == "Lead").unwrap().person;
    walk.step("day sheet", || book.days().day_sheet(None, unit, now));
    walk.step("contested", || book.reader().contested(unit));
    let contested = book.reader().contested(unit).unwrap();
    walk.step("contested sheets", || {
        contested.iter().map(|slot| book.reader().slot_sheet(slot.doc, &slot.slot, unit)).collect::<Result<Vec<_>, _>>()
    });
    let slots: Vec<_> = book.store().projections().standings(machine).unwrap().into_iter().map(|standing| standing.slot).collect();
    walk.step("slot sheet", || book.reader().slot_sheet(machine, &slots[0], unit));
    walk.step("machine", || book.machines().machine_screen(machine, unit, now));
    walk.step("history", || book.machines().history_before(machine, None, 100, unit));
    walk.step("whole history", || book.machines().history(machine, unit));
    walk.step("courses", || book.reckoner().lash_courses(machine, unit));
    walk.step("meter", || book.reckoner().meter_of(machine));
    walk.step("season", || book.machines().season_record(machine, "2026-01-01".parse().unwrap(), "2026-12-31".parse().unwrap(), unit, now));
    walk.step("due", || book.reader().due_list(now));
    walk.step("round", || book.reckoner().week_round(None, None, now));
    walk.step("machines", || book.read_by(lead).machines());
    walk.step("properties", || book.reader().properties());
    walk.step("people", || book.reader().people());
    walk.step("devices", || book.reader().devices());
    walk.step("status", || book.reader().shop_status());
    walk.step("mark", || book.reader().day_mark());
    walk.step("closed days", || book.days().closed_days(60, unit));
    walk.step("reckon carry", || book.reckoner().carry_of(lead, unit));
    walk.step("reckon agreement", || book.reckoner().agreement(None, unit));
    let record = book.store().records().ledger_of(machine).unwrap().entries().last().unwrap().record.id;
    walk.step("record", || book.reader().whole_record(record, unit));
    walk.step("may read", || book.read_by(everyone).may_read(machine));
}

/// One kind of thing of which there may be many.
type Fill = fn(&mut Ground, &Book, usize, &mut Walk);

fn bring(ground: &mut Ground, phone: &Book, bodies: Vec<Body>, walk: &mut Walk) {
    let machine = ground.machines[0];
    let device = phone.identity().unwrap().device;
    let requests = ground.unseen(phone, machine, bodies);
    walk.step("taken in", || {
        for request in &requests {
            let answer = ground.answer(device, request);
            for doc in &answer.docs {
                assert!(doc.refused.is_empty(), "{:?}", doc.refused.first());
            }
        }
        Ok::<_, ()>(())
    });
}

/// Readings of one valve, all agreeing, none of which has seen another.
fn tips(ground: &mut Ground, phone: &Book, count: usize, walk: &mut Walk) {
    let first = ground.reading();
    bring(ground, phone, vec![first; count], walk);
}

/// Readings of the hour meter, every second of which cannot be.
fn hours(ground: &mut Ground, phone: &Book, count: usize, walk: &mut Walk) {
    let meter = |n: usize| Hours::from_tenths(if n.is_multiple_of(2) { 5_000 } else { 90_000 + i64::try_from(n).unwrap() });
    bring(ground, phone, (0..count).map(|n| HourReading { meter: meter(n), visit: None }.into()).collect(), walk);
}

/// Visits of four records each, in which one valve is found, turned and left, and the hour meter read.
fn visits(ground: &mut Ground, phone: &Book, count: usize, walk: &mut Walk) {
    let mut bodies = Vec::with_capacity(count);
    for n in 0..count / 4 {
        let visit = Some(RecordId::from_bytes([&[1; 8][..], &(n as u64).to_be_bytes()].concat().try_into().unwrap()));
        let Body::Clearance(reading) = ground.reading() else { unreachable!("the ground writes readings") };
        let read = |stage, adjusted| Clearance { valve: "1I".parse().unwrap(), stage, adjusted, visit, ..reading.clone() };
        bodies.push(Visit { cold: true, engine_tenth_c: None, cautions_confirmed: true, purpose: String::new(), resumes: None }.into());
        bodies.extend([read(Stage::Found, false).into(), read(Stage::Left, true).into()]);
        bodies.push(HourReading { meter: Hours::from_tenths(5_000), visit }.into());
    }
    bring(ground, phone, bodies, walk);
}

/// Changes of the hour meter, a day apart.
fn changes(ground: &mut Ground, phone: &Book, count: usize, walk: &mut Walk) {
    let first_ms = ground.now().wall_ms - 3_000 * 86_400_000;
    let (old, new) = (Hours::from_tenths(5_000), Hours::from_tenths(0));
    let change = |n: usize| MeterChange { old, new, changed_ms: Some(first_ms + i64::try_from(n).unwrap() * 86_400_000) };
    bring(ground, phone, (0..count).map(|n| change(n).into()).collect(), walk);
}

/// Notes and holds, each in a slot of its own.
fn words(ground: &mut Ground, phone: &Book, count: usize, walk: &mut Walk) {
    let one = |n: usize| match n % 2 {
        0 => Body::from(Note { text: format!("note {n}"), visit: None }),
        _ => Finding { grade: FindingKind::Hold, what: format!("finding {n}"), visit: None }.into(),
    };
    bring(ground, phone, (0..count).map(one).collect(), walk);
}

fn walk(path: &str, many: usize, machines: usize, fill: Fill) -> Walk {
    let mut ground = Ground::with_machines(machines);
    let phone = ground.filled_phone(Store::in_memory().unwrap());
    let mut walk = Walk { path: path.to_owned(), steps: Vec::new() };
    fill(&mut ground, &phone, many, &mut walk);
    let (machine, now) = (ground.machines[0], ground.now());
    look(&mut walk, &ground.shop, machine, &now);
    let mut tech = ground.filled_phone(Store::in_memory().unwrap());
    let reading = ground.reading();
    walk.step("a reading more", || {
        ground.write_one(&mut tech, machine, reading);
        Ok::<_, ()>(())
    });
    walk.step("it is handed over", || {
        ground.level(&mut tech);
        Ok::<_, ()>(())
    });
    walk
}

#[test]
#[ignore = "it builds the engine anew, so that it counts: tests/walk/run"]
fn no_view_costs_more_than_in_proportion() {
    let Ok(path) = std::env::var("TAPPET_WALK_COUNT") else {
        let run = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/walk/run");
        assert!(Command::new(run).status().unwrap().success(), "{run}");
        return;
    };
    let fills: [(&str, Fill, bool); 6] = [
        ("readings of one slot", tips, false),
        ("hours", hours, false),
        ("visits", visits, false),
        ("meter changes", changes, false),
        ("notes and holds", words, false),
        ("machines", |_, _, _, _| {}, true),
    ];
    let mut wrong = Vec::new();
    for (what, fill, machines) in fills {
        let of = |many: usize| walk(&path, many, if machines { many } else { 1 }, fill);
        let (few, many) = (of(FEW), of(FEW * TIMES));
        for ((name, few), (_, many)) in few.steps.iter().zip(&many.steps) {
            assert!(*few > 0, "nothing was counted: the engine was not built for it");
            let times = *many as f64 / *few as f64;
            println!("{what:>22} {name:>18} {few:>12} {many:>12} {times:>6.2}");
            if times > MOST_TIMES {
                wrong.push(format!("{name}, over {TIMES} times as many {what}: {times:.1} times the cost"));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("; "));
}
