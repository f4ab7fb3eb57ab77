//! What other programs take away: the calendar of due dates and the tables.

use axum::http::{StatusCode, header};
use base64::Engine;
use base64::prelude::BASE64_URL_SAFE_NO_PAD;
use serde_json::Value;
use server::Clock;
use shared::engine_card::{Adjuster, Duty, EngineCard, Interval, Range, Rocker, Source, Thread};
use shared::ids::{CardId, DocId, PropertyId};
use shared::length::Length;
use shared::problem::Code;
use shared::record::{HourReading, MachineCard, Note, PropertyCard, RoleGrant, Void};
use shared::role::Role;
use shared::usage::Between;
use sync_core::book::Draft;
use sync_core::sys::rng::fresh_uuid;

use crate::support::{Device, World, chance, reading};

/// A machine with an engine card, never checked and so due today.
async fn with_card(world: &World, office: &mut Device, tag: &str) -> (PropertyId, DocId) {
    let (property, machine) = world.machine(office, tag).await;
    let card = CardId(fresh_uuid(&world.clock.now(), &mut chance));
    let range = |low, high| Range { low: Length::from_thou(low), high: Length::from_thou(high), aim: None };
    let card_body = EngineCard {
        source: Some(Source { manual: "An invented manual".to_owned(), page: "12".to_owned() }),
        commercial: Interval { hours: Some(200), months: Some(12) },
        homeowner: Interval { hours: None, months: Some(12) },
        adjuster: Some(Adjuster { thread: Thread::PitchUm(1_000), rocker: Rocker::RockerStudNut, ratio_milli: 1_300 }),
        ..EngineCard::plain(card, "=Twin, 20 hp", 2, range(4, 6), range(5, 7))
    };
    let engines = office.book.identity().unwrap().root.shop.engines();
    office.state(world, engines, vec![card_body.into()]);
    let machine_card = MachineCard {
        tag: tag.to_owned(),
        description: "Ride-on, with a \"bagger\"".to_owned(),
        property,
        engine_card: Some(card),
        cylinders: Some(2),
        duty: Duty::default(),
        hours_per_week: Some(6),
        provisional: false,
    };
    office.state(world, machine, vec![machine_card.into()]);
    office.level(world).await;
    (property, machine)
}

async fn feed(world: &World, token: &str) -> String {
    let told: Value = world.post("/v1/calendar-feed", token).await.json();
    let path = told["path"].as_str().unwrap().to_owned();
    assert_eq!(told["url"], format!("{}{path}", crate::support::ISSUER));
    path
}

#[tokio::test]
async fn a_calendar_shows_what_its_person_may_read_and_ends_with_the_role() {
    let world = World::new();
    let mut office = world.office().await;
    let (property, machine) = with_card(&world, &mut office, "A-12").await;
    let (_, other) = with_card(&world, &mut office, "B-07").await;
    let ben = world.join(&mut office, "Ben", Role::Tech, Some(property)).await;
    let dov = world.join(&mut office, "Dov", Role::Helper, Some(property)).await;
    world.post("/v1/calendar-feed", &dov.token).await.problem(403, Code::RoleMayNot);
    world.post("/v1/calendar-feed", "").await.problem(401, Code::TokenInvalid);

    let bens = feed(&world, &ben.token).await;
    assert_eq!(feed(&world, &ben.token).await, bens);
    let answer = world.get(&bens, "").await;
    assert_eq!(answer.headers[header::CONTENT_TYPE], "text/calendar; charset=utf-8");
    let tag = answer.headers[header::ETAG].clone();
    let text = String::from_utf8(answer.body).unwrap();
    assert!(text.starts_with("BEGIN:VCALENDAR\r\nVERSION:2.0\r\n") && text.ends_with("END:VCALENDAR\r\n"), "{text}");
    assert_eq!(text.matches("BEGIN:VEVENT").count(), 1, "{text}");
    assert!(text.contains(&format!("UID:due-{machine}@tappetbook\r\n")) && !text.contains(&other.to_string()), "{text}");
    assert!(text.contains("DTSTART;VALUE=DATE:20260601\r\n") && text.contains("SUMMARY:A-12: valve check due\r\n"), "{text}");
    // Asked again the same day it is the same, to the byte.
    world.clock.on(3_600_000);
    assert_eq!(world.get(&bens, "").await.headers[header::ETAG], tag);
    office.log_in(&world).await;
    assert_eq!(String::from_utf8(world.get(&feed(&world, &office.token).await, "").await.body).unwrap().matches("BEGIN:VEVENT").count(), 2);

    // Another device's id under the code of Ben's, a code of nobody, and what is none.
    let mut bytes = BASE64_URL_SAFE_NO_PAD.decode(bens.split_once('=').unwrap().1).unwrap();
    bytes[..16].copy_from_slice(office.book.identity().unwrap().device.as_bytes());
    for bad in [BASE64_URL_SAFE_NO_PAD.encode(&bytes), BASE64_URL_SAFE_NO_PAD.encode([0; 48]), String::new(), "x".to_owned()] {
        world.get(&format!("/v1/due.ics?token={bad}"), "").await.problem(401, Code::TokenInvalid);
    }
    world.get("/v1/due.ics", "").await.problem(400, Code::Unreadable);

    let roster = office.book.identity().unwrap().root.shop.roster();
    office.state(&world, roster, vec![RoleGrant { person: ben.person(), role: None }.into()]);
    office.level(&world).await;
    world.get(&bens, "").await.problem(401, Code::TokenInvalid);
}

#[tokio::test]
async fn a_calendar_address_ends_with_the_phone_that_asked_for_it() {
    let world = World::new();
    let mut office = world.office().await;
    let ben = world.join(&mut office, "Ben", Role::Tech, None).await;
    let issued = world.post_json("/v1/codes", &office.token, &shared::wire::CodeRequest { person: ben.person() }).await;
    let tablet = world.enrol(&issued.json::<shared::wire::CodeIssued>().code, "Ben's tablet").await;
    let (of_phone, of_tablet) = (feed(&world, &ben.token).await, feed(&world, &tablet.token).await);
    assert_ne!(of_phone, of_tablet);
    let identity = ben.book.identity().unwrap();
    let gone = shared::record::DeviceRevoked { device: identity.device, reason: "lost in a ditch".to_owned() };
    office.state(&world, identity.root.shop.roster(), vec![gone.into()]);
    office.level(&world).await;
    world.get(&of_phone, "").await.problem(401, Code::TokenInvalid);
    assert_eq!(world.get(&of_tablet, "").await.status, axum::http::StatusCode::OK);
}

async fn rows(world: &World, path: &str, token: &str) -> Vec<csv::StringRecord> {
    let answer = world.get(path, token).await;
    assert_eq!(answer.status, StatusCode::OK, "{}", String::from_utf8_lossy(&answer.body));
    assert!(answer.headers[header::CONTENT_TYPE].to_str().unwrap().starts_with("text/csv"));
    let name = path.rsplit('/').next().unwrap();
    assert_eq!(answer.headers[header::CONTENT_DISPOSITION], format!("attachment; filename=\"{name}\""));
    assert!(answer.body.ends_with(b"\r\n"));
    csv::ReaderBuilder::new().has_headers(false).from_reader(&answer.body[..]).records().map(Result::unwrap).collect()
}

/// A column of a table without its head.
fn column<'a>(rows: &'a [csv::StringRecord], name: &str) -> Vec<&'a str> {
    let at = rows[0].iter().position(|cell| cell == name).unwrap();
    rows[1..].iter().map(|row| &row[at]).collect()
}

#[tokio::test]
async fn tables_hold_every_reading_with_what_became_of_it_and_nobody_elses() {
    let world = World::new();
    let mut office = world.office().await;
    let (property, machine) = with_card(&world, &mut office, "A-12").await;
    let (_, other) = with_card(&world, &mut office, "-B-07").await;
    let mut ben = world.join(&mut office, "Ben", Role::Tech, Some(property)).await;
    office.state(&world, other, vec![Note { text: "seen".to_owned(), visit: None }.into()]);
    let season = Between::months(4, 10).ok();
    let court = PropertyCard { name: "A-12 court".to_owned(), address: String::new(), access: String::new(), season };
    office.state(&world, property.doc(), vec![court.into()]);
    office.level(&world).await;
    world.clock.on(60_000);
    let slip = ben.book.write(vec![Draft::new(machine, reading(8, 9))], &world.clock.now(), &mut chance).unwrap()[0];
    ben.state(&world, machine, vec![Void { target: slip, reason: "wrong leaf".to_owned() }.into()]);
    ben.state(&world, machine, vec![reading(4, 5)]);
    ben.state(&world, machine, vec![HourReading { meter: "988.3".parse().unwrap(), visit: None }.into()]);
    ben.level(&world).await;

    let table = rows(&world, "/v1/readings.csv", &ben.token).await;
    assert_eq!(column(&table, "fate"), ["voided", "stands"]);
    assert_eq!(column(&table, "stands"), ["no", "yes"]);
    assert_eq!((column(&table, "go_thou"), column(&table, "no_go_mm")), (vec!["8", "4"], vec!["0.2286", "0.127"]));
    assert_eq!((column(&table, "valve"), column(&table, "by")), (vec!["1I", "1I"], vec!["Ben", "Ben"]));
    let hours = rows(&world, "/v1/hours.csv", &ben.token).await;
    assert_eq!((column(&hours, "meter_h"), column(&hours, "tag")), (vec!["988.3"], vec!["A-12"]));
    let machines = rows(&world, "/v1/machines.csv", &ben.token).await;
    assert_eq!([column(&machines, "tag"), column(&machines, "hours_per_week"), column(&machines, "season")], [["A-12"], ["6"], ["4..10"]]);
    let due = rows(&world, "/v1/due.csv", &office.token).await;
    // What a spreadsheet would take for a formula is none.
    assert_eq!(column(&due, "tag"), ["'-B-07", "A-12"]);
    assert_eq!((column(&due, "state")[0], column(&due, "date")[0]), ("never-checked", "2026-06-01"));
    let cards = rows(&world, "/v1/engine-cards.csv", &ben.token).await;
    assert_eq!((column(&cards, "name")[0], column(&cards, "intake_low_thou")[0]), ("'=Twin, 20 hp", "4"));
    assert_eq!((column(&cards, "thread")[0], column(&cards, "rocker")[0]), ("pitch 1.000 mm", "rocker-stud-nut"));
    for path in ["/v1/readings.csv", "/v1/hours.csv", "/v1/machines.csv", "/v1/due.csv", "/v1/engine-cards.csv"] {
        world.get(path, "").await.problem(401, Code::TokenInvalid);
    }
}
