//! What the book's steps cost: a day judged and taken in, a reading written, what stands folded, a page of the exchange.
//!
//! `cargo bench -p sync-core --bench book`

#![expect(clippy::unwrap_used, reason = "a benchmark may panic")]

mod ground;

use std::cell::RefCell;
use std::fs::{File, OpenOptions};
use std::hint::black_box;
use std::io::Write;

use divan::Bencher;
use divan::counter::{BytesCount, ItemsCount};
use ground::{Ground, OF_A_VISIT};
use sha2::{Digest, Sha256};
use shared::ids::DocId;
use shared::length::LengthUnit;
use shared::record::Body;
use shared::slot::Slot;
use shared::wire::{ExchangeAnswer, ExchangeRequest, ShortRecipe};
use sync_core::book::Book;
use sync_core::engine::incoming::IncomingBatch;
use sync_core::judge::ledger::{Entry, Ledger};
use sync_core::judge::machine::MachineState;
use sync_core::judge::standing::{Standings, stands};
use sync_core::store::Store;
use sync_core::sync::{read_body, write_body};
use tempfile::TempDir;

/// Machines of a crew member's day.
const OF_A_DAY: usize = 40;
/// Readings of each.
const READINGS: usize = 10;
/// Samples of what needs a fixture each; the day's machines of all samples are one page of the exchange.
const SAMPLES: u32 = 10;
/// The same, to count with.
const FIXTURES: usize = SAMPLES as usize;
/// Readings in one slot, none of which has seen another.
const TIPS: usize = 2_000;
/// Visits of history: 48 readings a machine.
const VISITS: usize = 4;

fn main() {
    divan::main();
}

/// What the processor does in the same run: SHA-256 of 1 MiB. Every other median is told in this one.
#[divan::bench]
fn yardstick(bencher: Bencher<'_, '_>) {
    let mebibyte = vec![0x5a_u8; 1 << 20];
    bencher.counter(BytesCount::new(mebibyte.len())).bench(|| Sha256::digest(black_box(&mebibyte)));
}

/// What the disk does in the same run: 4 KiB appended to a file and synced. Part of the measure of what ends in `_on_disk`.
#[divan::bench(sample_count = 200, sample_size = 1)]
fn yardstick_disk(bencher: Bencher<'_, '_>) {
    let folder = TempDir::new().unwrap();
    let mut file: File = OpenOptions::new().create(true).append(true).open(folder.path().join("log")).unwrap();
    bencher.bench_local(|| {
        file.write_all(black_box(&[0x5a; 4096])).unwrap();
        file.sync_data().unwrap();
    });
}

fn lists(request: &ExchangeRequest) -> Vec<(DocId, Vec<ShortRecipe>)> {
    request.docs.iter().map(|offer| (offer.id, offer.recipes.clone())).collect()
}

/// Opens what a message brings, one document after another.
fn open_all(lists: Vec<(DocId, Vec<ShortRecipe>)>) -> Vec<IncomingBatch> {
    lists.into_iter().map(|(doc, recipes)| IncomingBatch::open(doc, recipes)).collect()
}

/// A day of 400 records, opened on one core: read, and each change's hash made.
#[divan::bench(sample_count = 50, sample_size = 1)]
fn open_a_day(bencher: Bencher<'_, '_>) {
    let (_, days) = Ground::with_machines(OF_A_DAY).days(OF_A_DAY, READINGS);
    let day = &days[0];
    bencher.counter(ItemsCount::new(OF_A_DAY * READINGS)).with_inputs(|| lists(day)).bench_local_values(open_all);
}

/// Every signature of a day of 400 records, on one core.
#[divan::bench(sample_count = 50, sample_size = 1)]
fn check_a_day(bencher: Bencher<'_, '_>) {
    let mut ground = Ground::with_machines(OF_A_DAY);
    let (_, days) = ground.days(OF_A_DAY, READINGS);
    let roster = ground.shop.roster().unwrap();
    let check_all = |mut deliveries: Vec<IncomingBatch>| {
        deliveries.iter_mut().for_each(|delivery| delivery.check(roster));
        deliveries
    };
    let holds = check_all(open_all(lists(&days[0])))
        .iter()
        .flat_map(|d| d.records())
        .filter(|(r, _)| matches!(r.signature, Some((_, Ok(())))))
        .count();
    assert_eq!(holds, OF_A_DAY * READINGS, "every signature holds");
    bencher.counter(ItemsCount::new(OF_A_DAY * READINGS)).with_inputs(|| open_all(lists(&days[0]))).bench_local_values(check_all);
}

/// The shop takes a day in: 40 machines with a history of 48 readings, 10 new ones each.
#[divan::bench(sample_count = SAMPLES, sample_size = 1)]
fn admit_a_day(bencher: Bencher<'_, '_>) {
    let mut ground = Ground::with_history(OF_A_DAY * FIXTURES, VISITS);
    let (device, mut days) = ground.days(OF_A_DAY, READINGS);
    let (before, ..) = ground.shop.store().records().counts().unwrap();
    let mut taken = 0;
    bencher.counter(ItemsCount::new(OF_A_DAY * READINGS)).with_inputs(|| days.pop().unwrap()).bench_local_values(|day| {
        taken += (OF_A_DAY * READINGS) as u64;
        ground.answer(device, &day)
    });
    assert_eq!(ground.shop.store().records().counts().unwrap().0 - before, taken, "the shop holds every record that it was brought");
}

/// One reading after another, each of the next machine: none has many more records than the others.
fn write(bencher: Bencher<'_, '_>, store: Store) {
    let mut ground = Ground::with_history(OF_A_DAY, VISITS);
    let book = ground.filled_phone(store);
    let machines = ground.machines.clone();
    let (mut next, ground, book) = (machines.iter().cycle(), RefCell::new(ground), RefCell::new(book));
    bencher
        .counter(ItemsCount::new(1_usize))
        .with_inputs(|| (*next.next().unwrap(), ground.borrow_mut().reading()))
        .bench_local_values(|(machine, reading)| ground.borrow_mut().write_one(&mut book.borrow_mut(), machine, reading));
}

/// A reading written to a book in memory: signed, appended, what stands made anew.
#[divan::bench(sample_count = 200, sample_size = 1)]
fn write_in_memory(bencher: Bencher<'_, '_>) {
    write(bencher, Store::in_memory().unwrap());
}

/// The same, to a file: kept when it returns.
#[divan::bench(sample_count = 200, sample_size = 1)]
fn write_on_disk(bencher: Bencher<'_, '_>) {
    let folder = TempDir::new().unwrap();
    write(bencher, Store::open(&folder.path().join("book.db")).unwrap());
}

/// The records of one machine, and a roster to judge them by. With `one_slot`, each speaks about the same valve and stage and
/// has seen the one before.
fn one_machine(readings: usize, one_slot: bool) -> (Vec<Entry>, Book) {
    let mut ground = Ground::with_machines(1);
    let mut phone = ground.filled_phone(Store::in_memory().unwrap());
    let machine = ground.machines[0];
    let first = ground.reading();
    for _ in 0..readings {
        let reading = if one_slot { first.clone() } else { ground.reading() };
        ground.write_one(&mut phone, machine, reading);
    }
    ground.level(&mut phone);
    let entries = phone.store().records().ledger_of(machine).unwrap().entries().cloned().collect();
    (entries, phone)
}

/// What stands for one slot of so many records, laid out already.
#[divan::bench(args = [1, 10, 1000])]
fn fold_a_slot(bencher: Bencher<'_, '_>, readings: usize) {
    let (entries, book) = one_machine(readings, true);
    let ledger = Ledger::new(entries);
    let slot = ledger.entries().find(|e| matches!(e.record.body, Body::Clearance(_))).and_then(|e| Slot::of(&e.record)).unwrap();
    assert_eq!(ledger.in_slot(&slot).len(), readings);
    let roster = book.roster().unwrap();
    assert!(stands(&slot, &ledger, roster).stands.is_some());
    bencher.counter(ItemsCount::new(readings)).bench_local(|| stands(black_box(&slot), &ledger, roster));
}

/// What stands for one slot of 2,000 readings that agree and none of which has seen another, laid out already.
#[divan::bench(sample_count = 20, sample_size = 1)]
fn fold_a_slot_of_tips(bencher: Bencher<'_, '_>) {
    let (ground, machine) = many_tips();
    let ledger = ground.shop.store().records().ledger_of(machine).unwrap();
    let slot = ledger.entries().find(|e| matches!(e.record.body, Body::Clearance(_))).and_then(|e| Slot::of(&e.record)).unwrap();
    let roster = ground.shop.roster().unwrap();
    assert_eq!(stands(&slot, &ledger, roster).contenders.len(), TIPS);
    bencher.counter(ItemsCount::new(TIPS)).bench_local(|| stands(black_box(&slot), &ledger, roster));
}

/// The slot's sheet, as the office decides on it, of the same 2,000 readings.
#[divan::bench(sample_count = 20, sample_size = 1)]
fn sheet_of_a_slot_of_tips(bencher: Bencher<'_, '_>) {
    let (ground, machine) = many_tips();
    let standings = ground.shop.store().projections().standings(machine).unwrap();
    let slot = standings.iter().find(|standing| standing.contenders.len() == TIPS).unwrap().slot.clone();
    bencher
        .counter(ItemsCount::new(TIPS))
        .bench_local(|| ground.shop.reader().slot_sheet(machine, black_box(&slot), LengthUnit::Thou).unwrap());
}

/// A shop with one machine that has [`TIPS`] readings in one slot.
fn many_tips() -> (Ground, DocId) {
    let mut ground = Ground::with_machines(1);
    let phone = ground.filled_phone(Store::in_memory().unwrap());
    let machine = ground.machines[0];
    ground.tips(&phone, machine, TIPS);
    (ground, machine)
}

/// All of a machine of 60 readings: laid out, what stands in every slot, the machine's state.
#[divan::bench]
fn fold_a_machine(bencher: Bencher<'_, '_>) {
    let (entries, book) = one_machine(60, false);
    let roster = book.roster().unwrap();
    bencher.counter(ItemsCount::new(60_usize)).with_inputs(|| entries.clone()).bench_local_values(|entries| {
        let ledger = Ledger::new(entries);
        let standings = Standings::new(&ledger, roster).all();
        MachineState::fold(&ledger, &standings, roster)
    });
}

/// A page that brings a phone 8,000 records of others: 20 each of 400 machines that it knows.
fn a_full_page() -> ExchangeAnswer {
    let mut ground = Ground::with_machines(400);
    let behind = ground.filled_phone(Store::in_memory().unwrap());
    let mut writer = ground.filled_phone(Store::in_memory().unwrap());
    for _ in 0..2 {
        ground.visit(&mut writer, READINGS);
        ground.level(&mut writer);
    }
    let request = behind.outgoing().offer(&ground.now()).unwrap();
    let answer = ground.answer(behind.identity().unwrap().device, &request);
    let records: usize = answer.docs.iter().flat_map(|doc| &doc.recipes).map(|recipe| recipe.records.len()).sum();
    assert!(!answer.more && records >= 8_000, "{records} records");
    answer
}

/// A page of 8,000 records written: CBOR, zstd.
#[divan::bench(sample_count = 20, sample_size = 1)]
fn page_encode(bencher: Bencher<'_, '_>) {
    let page = a_full_page();
    bencher.counter(ItemsCount::new(8_000_usize)).bench_local(|| write_body(black_box(&page), true).unwrap());
}

/// A page of 8,000 records read.
#[divan::bench(sample_count = 20, sample_size = 1)]
fn page_decode(bencher: Bencher<'_, '_>) {
    let bytes = write_body(&a_full_page(), true).unwrap();
    bencher.counter(ItemsCount::new(8_000_usize)).bench_local(|| read_body::<ExchangeAnswer>(black_box(&bytes), true).unwrap());
}

/// A new phone takes its first page in: 100 machines of 48 readings, as segments.
#[divan::bench(sample_count = SAMPLES, sample_size = 1)]
fn first_fill(bencher: Bencher<'_, '_>) {
    let mut ground = Ground::with_history(100, VISITS);
    let mut phones: Vec<(Book, ExchangeAnswer)> = Vec::with_capacity(FIXTURES);
    for _ in 0..FIXTURES {
        let phone = ground.phone(Store::in_memory().unwrap());
        let request = phone.outgoing().offer(&ground.now()).unwrap();
        let answer = ground.answer(phone.identity().unwrap().device, &request);
        assert!(!answer.more && answer.docs.iter().filter(|doc| !doc.segments.is_empty()).count() >= 100, "one page of segments");
        phones.push((phone, answer));
    }
    bencher.counter(ItemsCount::new(100 * VISITS * OF_A_VISIT)).with_inputs(|| phones.pop().unwrap()).bench_local_values(
        |(mut phone, answer)| {
            ground.take(&mut phone, &answer);
            // Dropped when the clock has stopped.
            (phone, answer)
        },
    );
}
