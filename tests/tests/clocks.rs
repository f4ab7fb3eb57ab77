//! Clocks of which nothing is known, over a shop and phones in one thread: what the facts leave open is asked about, not decided.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use shared::ids::{DocId, RecordId};
use shared::length::LengthUnit;
use shared::record::Stage;
use shared::role::Role;
use shared::slot::Slot;
use sync_core::judge::corrected_time::Corrected;
use sync_core::judge::standing::{Standing, State};
use sync_core::sync::bundle::Load;
use sync_core::sys::clock::ClockReading;
use tests::Crew;

const HOUR: i64 = 3_600_000;
const YEAR: i64 = 365 * 24 * HOUR;

/// Two technicians of one rank and a lead, all level, with a machine.
fn crew(seed: u64) -> (Crew, DocId, [usize; 3]) {
    let mut crew = Crew::new(seed);
    let phones = [("Lead", Role::Lead), ("One", Role::Tech), ("Other", Role::Tech)].map(|(name, role)| crew.join(name, role));
    let machine = crew.machine("M-1");
    for phone in &phones[1..] {
        crew.give_yard(*phone);
    }
    crew.level_all();
    (crew, machine, phones)
}

fn found(crew: &mut Crew, phone: usize, machine: DocId, go: i64) -> RecordId {
    crew.read(phone, machine, "1I", Stage::Found, go, go + 1)
}

/// The standing of the valve, the same everywhere.
fn standing(crew: &mut Crew, machine: DocId) -> Standing {
    crew.level_all();
    let slot: Slot = Slot::Lash("1I".parse().unwrap(), Stage::Found);
    let at_shop = crew.shop.store().projections().standing(machine, &slot).unwrap().unwrap();
    for phone in &crew.phones {
        assert_eq!(phone.book.store().projections().standing(machine, &slot).unwrap().unwrap(), at_shop);
        assert_eq!(phone.book.verify().unwrap().faults, Vec::<String>::new());
    }
    at_shop
}

fn time(crew: &Crew, machine: DocId, record: RecordId) -> Corrected {
    crew.shop.store().records().ledger_of(machine).unwrap().time(record)
}

/// Dated a year back, it was taken as long replaced by what never saw it.
#[test]
fn a_flat_battery_makes_no_reading_history() {
    let (mut crew, machine, [_, one, other]) = crew(1);
    crew.wait_min(60);
    let well_dated = found(&mut crew, other, machine, 5);
    crew.wait_min(20);
    let before_ms = crew.now_ms;
    crew.phones[one].clock_off_ms = -YEAR;
    let flat = found(&mut crew, one, machine, 8);
    crew.wait_min(60);
    crew.phones[one].clock_off_ms = 0;
    let standing = standing(&mut crew, machine);
    assert_eq!((standing.state, standing.order_unknown), (State::Contested, true), "{}", standing.reason);
    assert_eq!((standing.contenders.len(), standing.outdated.len()), (2, 0));
    assert!(standing.contenders.contains(&well_dated));
    let time = time(&crew, machine, flat);
    assert!(time.in_doubt && time.earliest_ms() <= before_ms && before_ms <= time.latest_ms(), "{time:?}");
    assert!(time.earliest_ms() > before_ms - 3 * HOUR, "bounded by the last contact: {time:?}");
}

/// A year ahead, and carried by another phone, it was dated to its arrival and won.
#[test]
fn a_clock_that_is_ahead_does_not_win_by_somebody_elses_phone() {
    let (mut crew, machine, [lead, one, other]) = crew(2);
    crew.wait_min(60);
    crew.phones[one].clock_off_ms = YEAR;
    let ahead = found(&mut crew, one, machine, 8);
    let bundle = crew.phones[one].book.outgoing().make_bundle(&Load::Unsent, &crew.moment(one)).unwrap();
    let moment = crew.moment(lead);
    crew.phones[lead].book.peer().take_bundle(&bundle.bundles[0], &moment).unwrap();
    crew.wait_min(60);
    let later = found(&mut crew, other, machine, 5);
    crew.wait_min(60);
    crew.level(lead);
    let standing = standing(&mut crew, machine);
    assert_eq!((standing.state, standing.order_unknown), (State::Contested, true), "{}", standing.reason);
    assert!(standing.contenders.contains(&ahead) && standing.contenders.contains(&later));
}

/// What may be older than the window by all that its clock leaves open does not stand over a technician's without a question.
#[test]
fn rank_decides_nothing_that_the_window_may_have_decided() {
    let (mut crew, machine, [lead, one, _]) = crew(3);
    crew.wait_min(60);
    crew.phones[lead].clock_off_ms = 10 * 60_000;
    found(&mut crew, lead, machine, 8);
    crew.wait_min(10 * 60);
    found(&mut crew, one, machine, 5);
    crew.wait_min(10 * 60);
    let asked = standing(&mut crew, machine);
    assert_eq!((asked.state, asked.order_unknown), (State::Contested, true), "{}", asked.reason);
    assert!(asked.reason.to_string().contains("by clocks that cannot tell"), "{}", asked.reason);
}

#[test]
fn a_phone_that_restarted_and_is_alone_asks_nothing() {
    let (mut crew, machine, [_, one, _]) = crew(4);
    crew.wait_min(60);
    crew.phones[one].clock_off_ms = 3_000;
    let read = found(&mut crew, one, machine, 8);
    crew.wait_min(60);
    let standing = standing(&mut crew, machine);
    assert_eq!((standing.state, standing.stands, standing.order_unknown), (State::Stands, Some(read), false));
    assert!(!time(&crew, machine, read).in_doubt);
}

/// The shop's own clock, a day ahead for an hour, dates all that arrives meanwhile.
#[test]
fn a_shop_whose_clock_is_wrong_is_told() {
    let (mut crew, _, [lead, one, other]) = crew(5);
    let doubts = |crew: &Crew, off_ms: i64| {
        let now = ClockReading { wall_ms: crew.now_ms + off_ms, ..crew.moment(usize::MAX) };
        crew.shop.days().day_sheet(None, LengthUnit::Thou, &now).unwrap().clock_doubts
    };
    assert_eq!(doubts(&crew, 0), Vec::<String>::new());
    let exchange = |crew: &mut Crew, phone: usize, off_ms: i64| {
        let request = crew.offer(phone);
        let device = crew.phones[phone].book.identity().unwrap().device;
        let now = ClockReading { wall_ms: crew.now_ms + off_ms, ..crew.moment(usize::MAX) };
        crew.shop.peer().answer(device, &request, &now, &mut crew.dice).unwrap();
    };
    exchange(&mut crew, other, 0);
    crew.wait_min(60);
    let day = 24 * HOUR;
    for phone in [0, lead, one] {
        exchange(&mut crew, phone, day);
    }
    let said = doubts(&crew, day).join(" ");
    assert!(said.contains("set 24 h forward") && said.contains("3 devices agree that the shop's clock is 24 h ahead"), "{said}");
    // Set right again, it says what had arrived by it.
    exchange(&mut crew, other, 0);
    let said = doubts(&crew, 0).join(" ");
    assert!(said.contains("set 24 h back") && said.contains("a device was here 24 h from now"), "{said}");
}
