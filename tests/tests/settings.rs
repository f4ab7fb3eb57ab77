//! The shop's settings reach what depends on them: when a machine is due, and what a reading proves.

use shared::conformance::Spread;
use shared::engine_card::Interval;
use shared::length::LengthUnit::{self, Thou};
use shared::record::{Record, ShopCard, Stage};
use sync_core::commands::{Settings, VisitEntry};
use sync_core::engine::BookError;
use tests::{Crew, engine_card};

/// The stated uncertainty of these tests: an invented value, as every one is until the shop states its own.
fn spread() -> Spread {
    Spread { leaf_tenth_um: 40.0, feel_tenth_um: 40.0, source: "invented for this test".into() }
}

#[test]
fn a_shop_checks_sooner_than_the_card_asks_and_never_later() {
    let (mut crew, machine, [_, tech, _]) = Crew::of_three(31);
    let visit = VisitEntry { cold: true, cautions_confirmed: true, meter: Some("100.0".parse().unwrap()), ..Default::default() };
    crew.on(tech, |book, hand| book.author().open_visit(machine, &visit, hand).unwrap());
    for valve in ["1I", "1E", "2I", "2E"] {
        crew.read(tech, machine, valve, Stage::Found, 5, 6);
    }
    crew.on(tech, |book, hand| book.author().finish_visit(machine, None, "", hand).unwrap());
    crew.level_all();
    let by_hours = |crew: &Crew, phone: usize| {
        let due = crew.phones[phone].book.reader().due_list(&crew.moment(phone)).unwrap().remove(0).due.unwrap();
        (due.by_hours.unwrap().tenths(), due.by_calendar.unwrap().to_string())
    };
    assert_eq!(engine_card().commercial, Interval { hours: Some(100), months: Some(6) });
    assert_eq!(by_hours(&crew, tech), (2_000, "2026-12-01".to_owned()), "by the card");
    for (asked, expected) in [
        (Interval { hours: Some(50), months: None }, (1_500, "2026-12-01")),
        (Interval { hours: Some(400), months: Some(3) }, (2_000, "2026-09-01")),
        (Interval::NONE, (2_000, "2026-12-01")),
    ] {
        crew.on(0, |book, hand| book.author().change_settings(Settings { commercial: Some(asked), ..Settings::default() }, hand).unwrap());
        crew.level_all();
        assert_eq!(by_hours(&crew, tech), (expected.0, expected.1.to_owned()), "{asked:?}");
    }
    let homeowners = Settings { homeowner: Some(Interval { hours: Some(1), months: Some(1) }), ..Settings::default() };
    crew.on(0, |book, hand| book.author().change_settings(homeowners, hand).unwrap());
    crew.level_all();
    assert_eq!(by_hours(&crew, tech).0, 2_000, "this machine is no homeowner's");
}

#[test]
fn a_reading_proves_something_at_the_shops_own_level_unless_another_is_asked_for() {
    let (mut crew, machine, [_, tech, _]) = Crew::of_three(32);
    crew.read(tech, machine, "1I", Stage::Found, 5, 6);
    crew.level_all();
    let level = |crew: &Crew, asked: Option<f64>| {
        let valve = "1I".parse().unwrap();
        crew.phones[tech].book.reckoner().conformance_of(machine, valve, Stage::Found, &spread(), asked, Thou).unwrap().facts.level
    };
    assert!((level(&crew, None) - 0.95).abs() < 1e-12 && (level(&crew, Some(0.8)) - 0.8).abs() < 1e-12);
    crew.on(0, |book, hand| book.author().change_settings(Settings { conformance_milli: Some(990), ..Settings::default() }, hand).unwrap());
    crew.level_all();
    assert!((level(&crew, None) - 0.99).abs() < 1e-12 && (level(&crew, Some(0.8)) - 0.8).abs() < 1e-12);
    for wrong in [0, 499, 1_000] {
        let change = Settings { conformance_milli: Some(wrong), ..Settings::default() };
        assert!(matches!(crew.on(0, |book, hand| book.author().change_settings(change, hand)), Err(BookError::Record(_))), "{wrong}");
    }
    let never = Settings { commercial: Some(Interval { hours: Some(0), months: None }), ..Settings::default() };
    assert!(matches!(crew.on(0, |book, hand| book.author().change_settings(never, hand)), Err(BookError::Record(_))));
}

/// What a shop has not set is not written, so that settings of before are read, and one setting has one spelling.
#[test]
fn the_usual_is_not_spelt_out() {
    let usual = shared::cbor::to_value(&ShopCard::usual("Shop", "UTC")).unwrap();
    assert_eq!(usual.as_map().unwrap().len(), 4);
    let own = ShopCard { unit: LengthUnit::Mm, conformance_milli: 900, ..ShopCard::usual("Shop", "UTC") };
    let written = shared::cbor::to_value(&own).unwrap();
    assert_eq!((written.as_map().unwrap().len(), shared::cbor::from_value::<ShopCard>(&written).unwrap()), (6, own));
    let crew = Crew::new(33);
    let root = crew.shop.identity().unwrap().root;
    let ledger = crew.shop.store().records().ledger_of(root.shop.roster()).unwrap();
    let card = ledger.entries().find(|e| e.record.body.kind() == "shop").unwrap();
    let bytes = card.record.encode().unwrap();
    assert_eq!(Record::decode(&bytes).unwrap(), card.record);
}
