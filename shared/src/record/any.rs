//! Records of every kind, made up by proptest: for tests, here and in other crates (feature `strategies`).

use ciborium::Value;
use jiff::civil::Date;
use proptest::collection::vec;
use proptest::option::of;
use proptest::prelude::*;

use super::{
    Arrival, Assignment, Body, Clearance, ClockEvidence, Covered, DayClosed, DayCounts, Decision, Device, DeviceRevoked, Finding,
    FindingCleared, FindingKind, HourReading, LATEST_MS, MachineCard, MeterChange, Note, Person, Photo, PropertyCard, Receipted, Record,
    RoleGrant, Ruling, ShopCard, SignOff, Stage, UnknownBody, Visit, Void,
};
use crate::bytes::Bytes32;
use crate::engine_card::{Adjuster, Duty, EngineCard, Firing, Ignition, Interval, Range, Rocker, Said, Source, Thread};
use crate::hours::Hours;
use crate::ids::{CardId, DeviceId, DocId, PersonId, PropertyId, RecordId};
use crate::length::{Length, LengthUnit};
use crate::role::Role;
use crate::slot::Slot;
use crate::usage::Between;
use crate::valve::{MOST_CYLINDERS, Valve};

/// Records of every kind, and of kinds that this program does not know. All of them can be: [`Record::check`] takes them.
pub fn records() -> impl Strategy<Value = Record> {
    // All ids have their first byte below 0xf0, except the record's own: none has seen itself.
    let ids = (id(), id(), id(), of(id()));
    (ids, 0..LATEST_MS, clocks(), vec(record_id(), 0..4), bodies()).prop_map(|((id, doc, by, measured_by), at_ms, clock, seen, body)| {
        let mut id = id;
        id[0] = 0xff;
        Record {
            id: RecordId::from_bytes(id),
            doc: DocId::from_bytes(doc),
            by: PersonId::from_bytes(by),
            measured_by: measured_by.map(PersonId::from_bytes),
            at_ms,
            clock,
            seen,
            body,
        }
    })
}

/// Bodies of every kind, known and unknown.
pub fn bodies() -> impl Strategy<Value = Body> {
    prop_oneof![people(), places(), machines_work(), findings(), settling(), unknown()]
}

/// Any tree of values that deterministic CBOR holds here.
pub fn values() -> impl Strategy<Value = Value> {
    let leaf = prop_oneof![
        any::<u64>().prop_map(|n| Value::Integer(n.into())),
        any::<i64>().prop_map(|n| Value::Integer(n.into())),
        (0..300_u32).prop_map(|n| Value::Integer(n.into())),
        any::<bool>().prop_map(Value::Bool),
        Just(Value::Null),
        "\\PC{0,40}".prop_map(Value::Text),
        vec(any::<u8>(), 0..40).prop_map(Value::Bytes),
    ];
    leaf.prop_recursive(4, 40, 6, |inner| {
        let key = "\\PC{0,12}".prop_map(Value::Text);
        prop_oneof![
            vec(inner.clone(), 0..6).prop_map(Value::Array),
            proptest::collection::btree_map("[a-z]{0,30}", inner.clone(), 0..6).prop_map(|map| {
                let mut entries: Vec<_> = map.into_iter().collect();
                // As RFC 8949 §4.2.1 orders texts: the shorter has the smaller head.
                entries.sort_by(|(a, _), (b, _)| (a.len(), a).cmp(&(b.len(), b)));
                Value::Map(entries.into_iter().map(|(key, value)| (Value::Text(key), value)).collect())
            }),
            (key, inner).prop_map(|entry| Value::Map(vec![entry])),
        ]
    })
}

fn id() -> impl Strategy<Value = [u8; 16]> {
    (any::<[u8; 16]>(), 0..0xf0_u8).prop_map(|(mut id, first)| {
        id[0] = first;
        id
    })
}

fn record_id() -> impl Strategy<Value = RecordId> {
    id().prop_map(RecordId::from_bytes)
}

fn person() -> impl Strategy<Value = PersonId> {
    id().prop_map(PersonId::from_bytes)
}

fn hash() -> impl Strategy<Value = Bytes32> {
    any::<[u8; 32]>().prop_map(Bytes32)
}

/// Texts that say something: short, and now and then longer than what a reader takes at once.
fn words() -> impl Strategy<Value = String> {
    // Some characters that a record may not hold are in no category of their own.
    let fit = |text: String| text.chars().filter(|c| !crate::text::misleads(*c)).collect();
    prop_oneof![8 => "[a-zä-ü€😀]\\PC{0,30}".prop_map(fit), 1 => "[a-zä-ü€😀]{300,700}"]
}

fn perhaps_words() -> impl Strategy<Value = String> {
    prop_oneof![Just(String::new()), words()]
}

fn clocks() -> impl Strategy<Value = ClockEvidence> {
    const CENTURY_MS: i64 = 100 * 366 * 86_400_000;
    let known = (of(-CENTURY_MS..=CENTURY_MS), of(0..=LATEST_MS), of(0..=CENTURY_MS), any::<bool>());
    known.prop_map(|(offset_ms, contact_ms, uncertainty_ms, stepped)| ClockEvidence { offset_ms, contact_ms, uncertainty_ms, stepped })
}

fn length() -> impl Strategy<Value = Length> {
    (1..1_000_000_i64).prop_map(Length::from_tenth_um)
}

fn intervals() -> impl Strategy<Value = Interval> {
    (1..=10_000_u32, of(1..=120_u32)).prop_map(|(hours, months)| Interval { hours: Some(hours), months })
}

fn ranges() -> impl Strategy<Value = Range> {
    (254..7_500_i64, 1..7_500_i64, any::<bool>()).prop_map(|(low, more, aimed)| {
        let (low, high) = (Length::from_tenth_um(low), Length::from_tenth_um(low + more));
        Range { low, high, aim: aimed.then_some(high) }
    })
}

fn duty() -> impl Strategy<Value = Duty> {
    prop_oneof![Just(Duty::Commercial), Just(Duty::Homeowner)]
}

fn people() -> impl Strategy<Value = Body> {
    let unit = proptest::sample::select(&LengthUnit::ALL[..]);
    let level = prop_oneof![Just(super::USUAL_LEVEL_MILLI), 500..=999_u32];
    let asked = || prop_oneof![Just(Interval::NONE), intervals()];
    let shop = (words(), words(), 1..=20_160_u32, (0..=500_u32, 0..=500_u32), unit, level, (asked(), asked()), season()).boxed();
    let role = of(prop_oneof![Just(Role::Office), Just(Role::Helper), Just(Role::Tech), Just(Role::Lead)]);
    prop_oneof![
        shop.prop_map(|(name, time_zone, window, (leaf, feel), unit, level, (commercial, homeowner), season)| {
            let usual = ShopCard::usual(name, time_zone);
            ShopCard {
                conflict_window_min: window,
                leaf_tolerance_tenth_um: leaf,
                feel_tenth_um: feel,
                unit,
                conformance_milli: level,
                commercial,
                homeowner,
                season,
                ..usual
            }
            .into()
        }),
        (person(), words()).prop_map(|(person, name)| Person { person, name }.into()),
        (person(), role).prop_map(|(person, role)| RoleGrant { person, role }.into()),
        (id(), person(), words(), hash(), person()).prop_map(|(device, person, name, record_key, issued_by)| {
            let login_key = Bytes32(record_key.0.map(|byte| !byte));
            Device { device: DeviceId::from_bytes(device), person, name, record_key, login_key, issued_by }.into()
        }),
        (id(), perhaps_words()).prop_map(|(device, reason)| DeviceRevoked { device: DeviceId::from_bytes(device), reason }.into()),
        (person(), id(), any::<bool>()).prop_map(|(person, property, active)| Assignment {
            person,
            property: PropertyId::from_bytes(property),
            active
        }
        .into()),
    ]
    .boxed()
}

fn ignition() -> impl Strategy<Value = Option<Ignition>> {
    of(proptest::sample::select(&Ignition::ALL[..]))
}

fn season() -> impl Strategy<Value = Option<Between>> {
    of((1..=12_i8, 1..=12_i8).prop_map(|(from, to)| Between::months(from, to).expect("months")))
}

/// A card as a manual may say it otherwise: hydraulic lash, a figure with and without a tolerance, degrees and a firing order.
#[must_use]
pub fn varied(card: EngineCard, variant: u32) -> EngineCard {
    let about = |middle: i64, either: i64| {
        let of = Length::from_tenth_um;
        Some(Range { low: of(middle - either), high: of(middle + either), aim: Some(of(middle)) })
    };
    match variant % 4 {
        1 => EngineCard { hydraulic: true, intake: None, exhaust: None, adjuster: None, past_tdc: None, ..card },
        2 => EngineCard {
            intake: about(1_270, 254),
            intake_said: Some(Said::Figure),
            exhaust: about(1_777, 301),
            exhaust_said: Some(Said::Tolerance),
            ..card
        },
        3 => EngineCard {
            cylinders: 2,
            intake: about(1_300, 200),
            intake_said: Some(Said::Figure),
            past_tdc_tenth_deg: Some(125),
            firing: Some(Firing { order: vec![1, 2], degrees: vec![270, 450] }),
            ..card
        },
        _ => card,
    }
}

fn places() -> impl Strategy<Value = Body> {
    let thread = prop_oneof![(250..=2_500_u32).prop_map(Thread::PitchUm), (10..=80_u32).prop_map(Thread::PerInch)];
    let adjuster = (thread, proptest::sample::select(&Rocker::ALL[..]), 300..=3_000_u32)
        .prop_map(|(thread, rocker, ratio_milli)| Adjuster { thread, rocker, ratio_milli });
    let source = (words(), words()).prop_map(|(manual, page)| Source { manual, page });
    let known =
        (of(source), of(adjuster), of((1_000..=250_000_i64).prop_map(Length::from_tenth_um)), ignition(), of(5..=100_u32), 0..4_u32);
    let card = (id(), words(), 1..=MOST_CYLINDERS, ranges(), ranges(), intervals(), intervals(), known.boxed());
    prop_oneof![
        card.prop_map(
            |(
                card,
                name,
                cylinders,
                intake,
                exhaust,
                commercial,
                homeowner,
                (source, adjuster, past_tdc, ignition, far_tenths, variant),
            )| {
                let card = CardId::from_bytes(card);
                let card = EngineCard {
                    source,
                    commercial,
                    homeowner,
                    adjuster,
                    past_tdc,
                    ignition,
                    far_tenths,
                    ..EngineCard::plain(card, name, cylinders, intake, exhaust)
                };
                varied(card, variant).into()
            }
        ),
        (words(), perhaps_words(), perhaps_words(), season()).prop_map(|(name, address, access, season)| PropertyCard {
            name,
            address,
            access,
            season
        }
        .into()),
        (words(), perhaps_words(), id(), of(id()), of(1..=MOST_CYLINDERS), (duty(), of(1..=168_u8)), any::<bool>()).prop_map(
            |(tag, description, property, card, cylinders, (duty, hours_per_week), provisional)| {
                let (property, engine_card) = (PropertyId::from_bytes(property), card.map(CardId::from_bytes));
                MachineCard { tag, description, property, engine_card, cylinders, duty, hours_per_week, provisional }.into()
            }
        ),
    ]
    .boxed()
}

fn machines_work() -> impl Strategy<Value = Body> {
    let hours = || (0..=9_999_999_i64).prop_map(Hours::from_tenths);
    let valve = proptest::sample::select(Valve::all(MOST_CYLINDERS));
    let leaves = prop_oneof![
        length().prop_map(|go| (Some(go), None)),
        length().prop_map(|no_go| (None, Some(no_go))),
        (length(), length()).prop_map(|(go, more)| (Some(go), Some(go.plus(more)))),
    ];
    let engine = || (any::<bool>(), of(-600..=10_000_i32));
    let reading =
        (valve, proptest::sample::select(&Stage::ALL[..]), leaves, vec(length(), 0..=8), engine(), any::<bool>(), of(record_id()));
    prop_oneof![
        1 => (engine(), any::<bool>(), perhaps_words(), of(record_id())).prop_map(|((cold, engine_tenth_c), cautions_confirmed, purpose, resumes)| {
            Visit { cold, engine_tenth_c, cautions_confirmed, purpose, resumes }.into()
        }),
        1 => (record_id(), any::<bool>(), perhaps_words()).prop_map(|(visit, complete, remark)| SignOff { visit, complete, remark }.into()),
        1 => (hours(), of(record_id())).prop_map(|(meter, visit)| HourReading { meter, visit }.into()),
        1 => (hours(), hours(), of(0..=LATEST_MS)).prop_map(|(old, new, changed_ms)| MeterChange { old, new, changed_ms }.into()),
        3 => reading.prop_map(|(valve, stage, (go, no_go), leaves, (cold, engine_tenth_c), adjusted, visit)| {
            Clearance { valve, stage, go, no_go, leaves, cold, engine_tenth_c, adjusted, visit }.into()
        }),
    ]
    .boxed()
}

fn findings() -> impl Strategy<Value = Body> {
    let grade = prop_oneof![Just(FindingKind::Watch), Just(FindingKind::Hold)];
    prop_oneof![
        (grade, words(), of(record_id())).prop_map(|(grade, what, visit)| Finding { grade, what, visit }.into()),
        (record_id(), words()).prop_map(|(finding, how)| FindingCleared { finding, how }.into()),
        (words(), of(record_id())).prop_map(|(text, visit)| Note { text, visit }.into()),
        (hash(), any::<u64>(), words(), perhaps_words(), of(record_id())).prop_map(|(sha256, size_bytes, media_type, caption, visit)| {
            Photo { sha256, size_bytes, media_type, caption, visit }.into()
        }),
    ]
    .boxed()
}

fn settling() -> impl Strategy<Value = Body> {
    let ruling = (words(), vec(record_id(), 1..5), any::<Option<proptest::sample::Index>>(), perhaps_words());
    let receipted = (record_id(), hash()).prop_map(|(record, sha256)| Receipted { record, sha256 });
    let arrival = (vec(receipted, 1..5), 0..i64::MAX, -9_999_999..9_999_999_i64, 0..9_999_999_i64, id(), any::<u64>(), of(person()));
    let counts = any::<[u32; 9]>().prop_map(|[records, readings, visits, contested, aside, holds, recheck, unfinished, quarantined]| {
        DayCounts { records, readings, visits, contested, aside, holds, recheck, unfinished, quarantined }
    });
    let covers = proptest::collection::btree_map(id(), vec(hash(), 0..3), 0..4);
    let day = (1900..3000_i16, 1..=12_i8, 1..=28_i8);
    let closed = (day, counts, perhaps_words(), any::<u64>(), 1..=64_u32, of(record_id()), covers);
    prop_oneof![
        (record_id(), words()).prop_map(|(target, reason)| Void { target, reason }.into()),
        ruling.prop_map(|(slot, of, picked, reason)| {
            let decision = picked.map_or(Decision::Recheck, |index| Decision::Stands(*index.get(&of)));
            let slot = Slot::named(&slot.chars().take(30).collect::<String>());
            Ruling { slot, of, decision, reason }.into()
        }),
        arrival.prop_map(|(records, at, skew_ms, uncertainty_ms, brought_by, position, released_by)| {
            Arrival { records, at, skew_ms, uncertainty_ms, brought_by: DeviceId::from_bytes(brought_by), position, released_by }.into()
        }),
        closed.prop_map(|((year, month, day), counts, left_open, position, parts, since, covers)| {
            let covers = covers.into_iter().map(|(doc, heads)| Covered { doc: DocId::from_bytes(doc), heads }).collect();
            DayClosed { day: Date::constant(year, month, day), counts, left_open, position, part: 1, parts, since, covers }.into()
        }),
    ]
    .boxed()
}

/// Kinds of tomorrow, and known kinds in a version of tomorrow.
fn unknown() -> impl Strategy<Value = Body> {
    let kind = prop_oneof![Just("clearance".to_owned()), "[a-z-]{1,12}x"];
    (kind, 2..=u32::MAX, values()).prop_map(|(kind, v, body)| Body::Unknown(UnknownBody { kind, v, body }))
}
