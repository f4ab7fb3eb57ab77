use proptest::prelude::*;
use shared::ids::{DocId, PersonId};
use shared::record::{Arrival, ClockEvidence, HourReading, Note, Void};

use super::*;

fn entry(n: u8, at_ms: i64, seen: &[u8], body: Body) -> Entry {
    let id = |n: u8| RecordId::from_bytes([n; 16]);
    Entry {
        device: DeviceId::from_bytes([9; 16]),
        sha256: Bytes32([n; 32]),
        record: Record {
            id: id(n),
            doc: DocId::from_bytes([8; 16]),
            by: PersonId::from_bytes([7; 16]),
            measured_by: None,
            at_ms,
            clock: ClockEvidence::default(),
            seen: seen.iter().map(|n| id(*n)).collect(),
            body,
        },
    }
}

fn hours() -> Body {
    Body::Hours(HourReading { meter: shared::hours::Hours::from_tenths(10), visit: None })
}

fn arrival(n: u8, of: u8, at: i64) -> Entry {
    let body = Body::Arrival(Arrival {
        records: vec![Receipted { record: RecordId::from_bytes([of; 16]), sha256: Bytes32([of; 32]) }],
        at,
        skew_ms: 0,
        uncertainty_ms: 0,
        brought_by: DeviceId::from_bytes([9; 16]),
        position: 1,
        released_by: None,
    });
    entry(n, at, &[], body)
}

#[test]
fn no_record_is_older_than_what_it_has_seen() {
    let ledger = Ledger::new([entry(1, 9_000_000, &[], hours()), entry(2, 3_000_000, &[1], hours()), entry(3, 1_000_000, &[2], hours())]);
    assert_eq!(ledger.time(RecordId::from_bytes([2; 16])).ms, 9_000_000);
    assert_eq!(ledger.time(RecordId::from_bytes([3; 16])).ms, 9_000_000, "through another");
}

#[test]
fn of_two_receipts_the_earlier_counts() {
    for order in [[2, 3], [3, 2]] {
        let first = arrival(order[0], 1, 5_000_000);
        let second = arrival(order[1], 1, 4_000_000);
        let ledger = Ledger::new([entry(1, 9_000_000, &[], hours()), first, second]);
        assert_eq!(ledger.time(RecordId::from_bytes([1; 16])).ms, 4_000_000);
    }
}

#[test]
fn a_ring_has_not_seen_itself_and_whoever_has_seen_one_of_it_has_seen_it_whole() {
    let ring = [entry(1, 1, &[2], hours()), entry(2, 2, &[1], hours())];
    let ids = [1, 2, 3].map(|n| RecordId::from_bytes([n; 16]));
    let ledger = Ledger::new(ring.clone());
    assert_eq!(ledger.tips_among(&ids[..2]), ids[..2]);
    let ledger = Ledger::new(ring.into_iter().chain([entry(3, 3, &[1], hours())]));
    assert_eq!(ledger.tips_among(&ids), [ids[2]]);
}

#[test]
fn a_long_chain_does_not_exhaust_the_stack() {
    let id = |n: u32| {
        let mut bytes = [0; 16];
        bytes[..4].copy_from_slice(&n.to_be_bytes());
        RecordId::from_bytes(bytes)
    };
    let chain = (0..20_000u32).map(|n| {
        let mut entry = entry(1, i64::from(n), &[], hours());
        entry.record.id = id(n);
        entry.record.seen = if n == 0 { vec![] } else { vec![id(n - 1)] };
        entry
    });
    let ledger = Ledger::new(chain);
    let all: Vec<RecordId> = ledger.in_slot(&Slot::Hours).to_vec();
    assert_eq!(ledger.tips_among(&all), [id(19_999)]);
}

#[test]
fn records_of_other_slots_are_not_followed() {
    let note = Body::Note(Note { text: "x".into(), visit: None });
    let ledger = Ledger::new([entry(1, 9_000_000, &[], note), entry(2, 3_000_000, &[1], hours())]);
    assert_eq!(ledger.time(RecordId::from_bytes([2; 16])).ms, 3_000_000);
}

/// Records of one document with small ids, some of which name one another, in the order in which they came.
fn came() -> impl Strategy<Value = Vec<Entry>> {
    let body = prop_oneof![
        4 => Just(hours()),
        1 => Just(Body::Note(Note { text: "x".into(), visit: None })),
        1 => (1..20_u8).prop_map(|of| Body::Void(Void { target: RecordId::from_bytes([of; 16]), reason: "slip".into() })),
        1 => (1..20_u8, 1..9_i64).prop_map(|(of, at)| arrival(0, of, at * 1_000_000).record.body),
    ];
    let one = (1..20_u8, 1..9_i64, prop::collection::vec(1..20_u8, 0..3), body, any::<bool>()).prop_map(|(n, at, seen, body, honest)| {
        let seen: Vec<u8> = seen.into_iter().filter(|seen| !honest || *seen < n).collect();
        entry(n, at * 1_000_000, &seen, body)
    });
    (prop::collection::vec(one, 0..16), any::<bool>()).prop_map(|(mut entries, in_order)| {
        if in_order {
            entries.sort_by_key(|entry| entry.record.id);
        }
        entries
    })
}

proptest! {
    #[test]
    fn records_laid_one_after_another_lie_as_all_at_once(entries in came()) {
        let one_by_one = entries.iter().fold(Ledger::default(), |ledger, entry| ledger.with([entry.clone()]));
        let in_two = Ledger::new(entries[..entries.len() / 2].to_vec()).with(entries[entries.len() / 2..].to_vec());
        let at_once = Ledger::new(entries);
        prop_assert_eq!(&one_by_one, &at_once);
        prop_assert_eq!(&in_two, &at_once);
    }
}

/// Which records of one slot each has seen, directly or through any.
fn reached(entries: &[Entry]) -> BTreeMap<RecordId, BTreeSet<RecordId>> {
    let find = |id: &RecordId| entries.iter().find(|entry| entry.record.id == *id);
    let from = |entry: &Entry| {
        let (mut open, mut done) = (vec![entry], BTreeSet::new());
        while let Some(at) = open.pop() {
            let of_slot = |other: &&Entry| Slot::of(&other.record) == Slot::of(&entry.record);
            for next in at.record.seen.iter().filter_map(find).filter(of_slot) {
                if done.insert(next.record.id) {
                    open.push(next);
                }
            }
        }
        done
    };
    entries.iter().map(|entry| (entry.record.id, from(entry))).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]
    /// The words of it, slowly: a ring has not seen itself, and who has seen one of it has seen it whole.
    #[test]
    fn tips_and_times_are_what_seen_says(entries in came(), live in prop::collection::vec(any::<bool>(), 20)) {
        let ledger = Ledger::new(entries);
        let entries: Vec<Entry> = ledger.entries().cloned().collect();
        let reached = reached(&entries);
        let replaces = |a: RecordId, b: RecordId| reached[&a].contains(&b) && !reached[&b].contains(&a);
        let live: Vec<RecordId> = ledger.in_slot(&Slot::Hours).iter().copied().filter(|id| live[usize::from(id.as_bytes()[0])]).collect();
        let tips: Vec<RecordId> = live.iter().copied().filter(|id| !live.iter().any(|other| replaces(*other, *id))).collect();
        prop_assert_eq!(ledger.tips_among(&live), tips);
        let own = |id: RecordId| correct(&ledger.get(id).unwrap().record, ledger.receipt(id), None).ms;
        for id in ledger.in_slot(&Slot::Hours) {
            let behind = reached[id].iter().copied().filter(|other| replaces(*id, *other));
            prop_assert_eq!(ledger.time(*id).ms, behind.map(own).chain([own(*id)]).max().unwrap());
        }
    }
}
