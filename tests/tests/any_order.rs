//! Properties of the merge: random people, clocks, `seen` sets, voids, rulings and arrivals. Every replica and every order
//! of arrival gives the same standings; exchanging again changes nothing; the standing equals a slow, obvious oracle's.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use proptest::prelude::*;
use shared::bytes::Bytes32;
use shared::ids::{DeviceId, DocId, PersonId, RecordId, ShopId};
use shared::length::Length;
use shared::record::{
    Arrival, Body, Clearance, ClockEvidence, Decision, HourReading, MeterChange, Receipted, Record, RoleGrant, Ruling, Stage, Void,
};
use shared::role::Role;
use shared::slot::Slot;
use sync_core::judge::ledger::{Entry, Ledger};
use sync_core::judge::roster::{Roster, ShopRoot};
use sync_core::judge::standing::{Standing, stands};
use tests::oracle::{Oracle, Verdict};

const PEOPLE: usize = 5;

fn root() -> ShopRoot {
    ShopRoot { shop: ShopId::from_bytes([1; 16]), device: DeviceId::from_bytes([2; 16]), key: Bytes32([3; 32]) }
}

fn person(n: usize) -> PersonId {
    PersonId::from_bytes([u8::try_from(n).unwrap() + 10; 16])
}

fn id(n: usize) -> RecordId {
    let mut bytes = [0; 16];
    bytes[14..].copy_from_slice(&u16::try_from(n + 1).unwrap().to_be_bytes());
    RecordId::from_bytes(bytes)
}

/// When in which work a valve was read, and whether its adjuster was turned.
#[derive(Debug, Clone, Copy)]
struct Work {
    stage: Stage,
    adjusted: bool,
    visit: Option<usize>,
}

#[derive(Debug, Clone)]
enum What {
    Lash(i64, i64, Work),
    Hours(i64),
    Meter(i64, Option<i64>),
    Void(usize),
    Ruling(Vec<usize>, Option<usize>, usize),
    Arrival(Vec<usize>, i64, i64),
}

#[derive(Debug, Clone)]
struct Sketch {
    by: usize,
    at_min: i64,
    offset_min: Option<i64>,
    stepped: bool,
    contact_min: Option<i64>,
    seen: Vec<usize>,
    what: What,
}

fn work() -> impl Strategy<Value = Work> {
    let stage = prop_oneof![3 => Just(Stage::Found), 1 => Just(Stage::Set), 2 => Just(Stage::Left)];
    (stage, any::<bool>(), proptest::option::weighted(0.8, 0usize..3)).prop_map(|(stage, adjusted, visit)| Work { stage, adjusted, visit })
}

fn what() -> impl Strategy<Value = What> {
    let some = || proptest::collection::vec(0usize..30, 1..6);
    prop_oneof![
        6 => (2i64..9, 1i64..4, work()).prop_map(|(go, wide, work)| What::Lash(go, go + wide, work)),
        3 => (1000i64..1400).prop_map(What::Hours),
        2 => (1000i64..1003, proptest::option::of(0i64..2000)).prop_map(|(old, changed_min)| What::Meter(old, changed_min)),
        2 => (0usize..30).prop_map(What::Void),
        3 => (some(), proptest::option::of(0usize..6), 0usize..3).prop_map(|(of, pick, slot)| What::Ruling(of, pick, slot)),
        3 => (some(), 0i64..3000, -200i64..200).prop_map(|(of, at, skew)| What::Arrival(of, at, skew)),
    ]
}

fn sketches() -> impl Strategy<Value = Vec<Sketch>> {
    let clock = (proptest::option::of(-300i64..300), any::<bool>(), proptest::option::of(0i64..2000));
    let one = (0..PEOPLE, 0i64..2000, clock, proptest::collection::vec(0usize..30, 0..3), what()).prop_map(
        |(by, at_min, (offset_min, stepped, contact_min), seen, what)| Sketch { by, at_min, offset_min, stepped, contact_min, seen, what },
    );
    proptest::collection::vec(one, 1..30)
}

/// What stands in for the hash of a record's signed bytes.
fn hash_of(record: RecordId) -> Bytes32 {
    let mut bytes = [0; 32];
    bytes[..16].copy_from_slice(record.as_bytes());
    Bytes32(bytes)
}

fn entry(n: usize, sketch: &Sketch) -> Entry {
    let ids = |of: &[usize]| {
        let mut ids: Vec<RecordId> = of.iter().map(|n| id(*n)).collect();
        ids.sort_unstable();
        ids.dedup();
        ids
    };
    let body = match &sketch.what {
        What::Lash(go, no_go, work) => Body::Clearance(Clearance {
            valve: "1I".parse().unwrap(),
            stage: work.stage,
            go: Some(Length::from_thou(*go)),
            no_go: Some(Length::from_thou(*no_go)),
            leaves: vec![],
            cold: true,
            engine_tenth_c: None,
            adjusted: work.adjusted,
            visit: work.visit.map(|visit| id(2000 + visit)),
        }),
        What::Hours(tenths) => Body::Hours(HourReading { meter: shared::hours::Hours::from_tenths(*tenths), visit: None }),
        What::Void(target) => Body::Void(Void { target: id(*target), reason: "slip".into() }),
        What::Meter(old, changed_min) => Body::MeterChange(MeterChange {
            old: shared::hours::Hours::from_tenths(*old),
            new: shared::hours::Hours::from_tenths(0),
            changed_ms: changed_min.map(|min| min * 60_000),
        }),
        What::Ruling(of, pick, slot) => {
            let of = ids(of);
            let decision = pick.map_or(Decision::Recheck, |pick| Decision::Stands(of[pick % of.len()]));
            let slot = [Slot::Hours, Slot::MeterChanges, lash()][*slot].clone();
            Body::Ruling(Ruling { slot, of, decision, reason: String::new() })
        }
        What::Arrival(of, at, skew) => Body::Arrival(Arrival {
            records: ids(of).into_iter().map(|record| Receipted { record, sha256: hash_of(record) }).collect(),
            at: at * 60_000,
            skew_ms: skew * 60_000,
            uncertainty_ms: 5_000,
            brought_by: DeviceId::from_bytes([4; 16]),
            position: 1,
            released_by: None,
        }),
    };
    Entry {
        device: DeviceId::from_bytes([5; 16]),
        sha256: hash_of(id(n)),
        record: Record {
            id: id(n),
            doc: DocId::from_bytes([6; 16]),
            by: person(sketch.by),
            measured_by: None,
            at_ms: sketch.at_min * 60_000,
            clock: ClockEvidence {
                offset_ms: sketch.offset_min.map(|m| m * 60_000),
                uncertainty_ms: Some(1_000),
                stepped: sketch.stepped,
                contact_ms: sketch.contact_min.map(|m| m * 60_000),
            },
            seen: ids(&sketch.seen).into_iter().filter(|s| *s != id(n)).collect(),
            body,
        },
    }
}

fn lash() -> Slot {
    Slot::Lash("1I".parse().unwrap(), Stage::Found)
}

/// Roles that change in the middle: person 1 becomes lead, person 2 loses the role.
fn roster() -> Roster {
    let grants = [
        (0, 0, Some(Role::Lead)),
        (1, 0, Some(Role::Tech)),
        (1, 900, Some(Role::Lead)),
        (2, 0, Some(Role::Tech)),
        (2, 1200, None),
        (3, 0, Some(Role::Helper)),
        (4, 0, Some(Role::Office)),
    ];
    let entries = grants.iter().enumerate().map(|(n, (who, at_min, role))| Entry {
        device: root().device,
        sha256: hash_of(id(1000 + n)),
        record: Record {
            id: id(1000 + n),
            doc: root().shop.roster(),
            by: PersonId::shop(root().shop),
            measured_by: None,
            at_ms: at_min * 60_000,
            clock: ClockEvidence::default(),
            seen: vec![],
            body: Body::Role(RoleGrant { person: person(*who), role: *role }),
        },
    });
    Roster::build(root(), &Ledger::new(entries))
}

fn standings(entries: Vec<Entry>, roster: &Roster) -> Vec<Standing> {
    let ledger = Ledger::new(entries);
    ledger.slots().map(|slot| stands(slot, &ledger, roster)).collect()
}

/// The pick among clearances without any ruling on them, written the slow way from the design's words.
fn oracle(entries: &[Entry], roster: &Roster) -> Option<RecordId> {
    let ledger = Ledger::new(entries.to_vec());
    let time = |id: RecordId| ledger.time(id).ms;
    let may = |target: &Entry, by: PersonId, role: Option<Role>| match role {
        Some(Role::Office) => true,
        Some(Role::Lead) => by == target.record.by || roster.role_at(target.record.by, time(target.record.id)) != Some(Role::Lead),
        Some(_) => by == target.record.by,
        None => false,
    };
    // When it was written and when it arrived: the time of writing is its author's own word.
    let twice = |id: RecordId| [time(id), ledger.receipt(id).map_or(i64::MAX, |receipt| receipt.at_ms)];
    let voided = |target: &Entry| {
        entries.iter().any(|v| {
            let by = v.record.by;
            matches!(&v.record.body, Body::Void(void) if void.target == target.record.id)
                && twice(v.record.id).into_iter().all(|ms| may(target, by, roster.role_at(by, ms)))
        })
    };
    let of_slot: Vec<&Entry> = entries.iter().filter(|e| matches!(e.record.body, Body::Clearance(_))).collect();
    let reaches = |from: RecordId, to: RecordId| {
        let mut open = vec![from];
        let mut done = std::collections::BTreeSet::new();
        while let Some(at) = open.pop() {
            for next in of_slot.iter().filter(|e| e.record.id == at).flat_map(|e| &e.record.seen) {
                if of_slot.iter().any(|e| e.record.id == *next) && done.insert(*next) {
                    open.push(*next);
                }
            }
        }
        done.contains(&to)
    };
    let live: Vec<&&Entry> = of_slot.iter().filter(|e| !voided(e)).collect();
    let tips: Vec<&&&Entry> = live
        .iter()
        .filter(|tip| !live.iter().any(|other| reaches(other.record.id, tip.record.id) && !reaches(tip.record.id, other.record.id)))
        .collect();
    let off = |id: RecordId| ledger.time(id).uncertainty_ms;
    let latest = tips.iter().map(|t| time(t.record.id) - off(t.record.id)).max()?;
    let rank = |e: &Entry| roster.role_at(e.record.by, time(e.record.id)).map_or(0, Role::rank);
    tips.iter()
        .filter(|t| time(t.record.id) + off(t.record.id) >= latest - 720 * 60_000)
        .max_by_key(|t| (rank(t), time(t.record.id), t.record.id))
        .map(|t| t.record.id)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn every_order_of_arrival_gives_the_same_standings(
        (sketches, order) in sketches().prop_flat_map(|s| { let n = s.len(); (Just(s), Just((0..n).collect::<Vec<usize>>()).prop_shuffle()) })
    ) {
        let roster = roster();
        let entries: Vec<Entry> = sketches.iter().enumerate().map(|(n, s)| entry(n, s)).collect();
        let shuffled: Vec<Entry> = order.iter().map(|n| entries[*n].clone()).collect();
        prop_assert_eq!(standings(entries, &roster), standings(shuffled, &roster));
    }

    #[test]
    fn the_pick_is_the_oracles(sketches in sketches()) {
        let roster = roster();
        // Of one stage and without visits: the next property has those, and no rings.
        let found = |s: &Sketch| match s.what {
            What::Lash(go, no_go, _) => Sketch { what: What::Lash(go, no_go, Work { stage: Stage::Found, adjusted: false, visit: None }), ..s.clone() },
            _ => s.clone(),
        };
        let entries: Vec<Entry> = sketches.iter().enumerate()
            .filter(|(_, s)| !matches!(s.what, What::Ruling(..)))
            .map(|(n, s)| entry(n, &found(s))).collect();
        let pick = standings(entries.clone(), &roster).into_iter().find(|s| s.slot == lash()).and_then(|s| s.stands);
        prop_assert_eq!(pick, oracle(&entries, &roster));
    }

    /// Visits, stages, turned adjusters, hours, changed meters, rulings, voids and arrivals: every slot.
    #[test]
    fn how_each_slot_stands_is_as_the_slow_oracle_says(sketches in sketches()) {
        let roster = roster();
        let older_only = |n: usize, s: &Sketch| Sketch { seen: s.seen.iter().copied().filter(|seen| *seen < n).collect(), ..s.clone() };
        let entries: Vec<Entry> = sketches.iter().enumerate().map(|(n, s)| entry(n, &older_only(n, s))).collect();
        let oracle = Oracle::over(&entries, &roster);
        for standing in standings(entries.clone(), &roster) {
            if let Some(slow) = oracle.judge(&standing.slot) {
                prop_assert_eq!(Verdict::from(&standing), slow, "{}", standing.slot);
            }
        }
    }

    #[test]
    fn a_standing_is_whole(sketches in sketches()) {
        let roster = roster();
        let entries: Vec<Entry> = sketches.iter().enumerate().map(|(n, s)| entry(n, s)).collect();
        let ledger = Ledger::new(entries.clone());
        for standing in standings(entries, &roster) {
            prop_assert!(!standing.reason.to_string().is_empty());
            if let Some(stands) = standing.stands {
                prop_assert!(standing.contenders.contains(&stands));
                prop_assert!(ledger.voided_by(stands, &roster).is_none());
                prop_assert!(standing.aside.iter().all(|a| a.id != stands));
            }
            let receipt_floor = |id: RecordId| ledger.receipt(id).is_none_or(|r| ledger.time(id).ms <= r.at_ms)
                || ledger.get(id).is_some_and(|e| !e.record.seen.is_empty());
            prop_assert!(standing.contenders.iter().all(|id| receipt_floor(*id)));
        }
    }
}

/// A whole crew over the real store and the real exchange: random steps by random people, random exchanges; then level.
#[derive(Debug, Clone)]
enum Step {
    Read(usize, usize, i64),
    Hours(usize, i64),
    Void(usize, usize),
    Rule(usize, Option<usize>),
    Role(usize, Role),
    Exchange(usize),
    Wait(i64),
    ClockOff(usize, i64),
}

fn step() -> impl Strategy<Value = Step> {
    let phone = || 0usize..4;
    prop_oneof![
        6 => (phone(), 0usize..2, 2i64..8).prop_map(|(p, v, go)| Step::Read(p, v, go)),
        2 => (phone(), 1000i64..1200).prop_map(|(p, h)| Step::Hours(p, h)),
        2 => (phone(), 0usize..10).prop_map(|(p, n)| Step::Void(p, n)),
        2 => (phone(), proptest::option::of(0usize..4)).prop_map(|(p, n)| Step::Rule(p, n)),
        1 => (1usize..4, prop_oneof![Just(Role::Lead), Just(Role::Tech), Just(Role::Helper)]).prop_map(|(p, r)| Step::Role(p, r)),
        4 => phone().prop_map(Step::Exchange),
        2 => (1i64..900).prop_map(Step::Wait),
        1 => (phone(), -500i64..500).prop_map(|(p, m)| Step::ClockOff(p, m)),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn a_crew_ends_level(steps in proptest::collection::vec(step(), 1..40), seed in 1u64..1000) {
        let mut crew = tests::Crew::new(seed);
        for (name, role) in [("A", Role::Lead), ("B", Role::Lead), ("C", Role::Lead)] {
            crew.join(name, role);
        }
        let machine = crew.machine("M-1");
        // Given the property, each keeps seeing the machine when they are lead no more.
        for phone in 1..crew.phones.len() {
            crew.give_yard(phone);
        }
        crew.level_all();
        let mut kept: Vec<RecordId> = Vec::new();
        for step in steps {
            match step {
                Step::Read(phone, valve, go) => {
                    let entry = sync_core::commands::ReadingEntry {
                        valve: ["1I", "2E"][valve].parse().unwrap(), stage: Stage::Found,
                        go: Some(Length::from_thou(go)), no_go: Some(Length::from_thou(go + 1)),
                        leaves: vec![], adjusted: false, cold: Some(true),
                    };
                    let set = shared::leaf::LeafSet::inch();
                    // The office refuses to measure: that is its right, and keeps nothing.
                    kept.extend(crew.on(phone, |b, h| b.author().take_reading(machine, entry, &set, shared::length::LengthUnit::Thou, h)).ok().map(|o| o.record));
                }
                Step::Hours(phone, tenths) => {
                    let meter = shared::hours::Hours::from_tenths(tenths);
                    kept.extend(crew.on(phone, |b, h| b.author().read_hours(machine, meter, h)).ok().map(|o| o.record));
                }
                Step::Void(phone, n) => if let Some(target) = kept.get(n).copied() {
                    kept.extend(crew.on(phone, |b, h| b.author().void(target, "slip", h)).ok());
                },
                Step::Rule(phone, pick) => {
                    let slot = lash();
                    let standing = crew.phones[phone].book.store().projections().standing(machine, &slot).unwrap();
                    let decision = pick.and_then(|n| standing.and_then(|s| s.contenders.get(n).copied())).map_or(Decision::Recheck, Decision::Stands);
                    kept.extend(crew.on(phone, |b, h| b.author().rule(machine, &slot, decision, "", h)).ok());
                }
                Step::Role(phone, role) => {
                    let person = crew.phones[phone].person;
                    crew.on(0, |b, h| b.author().set_role(person, Some(role), h)).unwrap();
                }
                Step::Exchange(phone) => { crew.exchange(phone); }
                Step::Wait(minutes) => crew.wait_min(minutes),
                Step::ClockOff(phone, minutes) => crew.phones[phone].clock_off_ms = minutes * 60_000,
            }
        }
        crew.level_all();
        let shop = crew.shop.store();
        let quarantined: Vec<_> = shop.quarantine().quarantined().unwrap().into_iter().filter_map(|q| q.record).collect();
        for record in &kept {
            prop_assert!(shop.records().held(*record).unwrap().is_some() || quarantined.contains(record), "kept, and neither in the book nor in quarantine");
        }
        let end = shop.log().log_end().unwrap();
        for phone in 0..crew.phones.len() {
            prop_assert_eq!(crew.phones[phone].book.store().projections().standings(machine).unwrap(), crew.shop.store().projections().standings(machine).unwrap());
            prop_assert_eq!(crew.phones[phone].book.store().documents().document(machine).unwrap().unwrap().heads, crew.shop.store().documents().document(machine).unwrap().unwrap().heads);
            crew.exchange(phone);
        }
        prop_assert_eq!(crew.shop.store().log().log_end().unwrap(), end, "exchanging again changes nothing");
        for book in crew.phones.iter().map(|p| &p.book).chain([&crew.shop]) {
            prop_assert_eq!(book.verify().unwrap().faults, Vec::<String>::new());
        }
    }
}
