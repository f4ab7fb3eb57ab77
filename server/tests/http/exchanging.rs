//! The exchange over HTTP: level in both forms, and nothing taken from what cannot be read.

use axum::body::Body;
use axum::http::{Method, StatusCode, header};
use server::Clock;
use shared::problem::Code;
use shared::role::Role;
use shared::wire::{ExchangeAnswer, LARGEST_BODY, LARGEST_PLAIN};
use sync_core::sync::{read_body, write_body};

use crate::support::{World, asked, chance, exchange_of, reading};

#[tokio::test]
async fn a_reading_reaches_the_office_and_a_request_sent_twice_changes_nothing() {
    let world = World::new();
    let mut office = world.office().await;
    let (property, machine) = world.machine(&mut office, "A-12").await;
    let mut tech = world.join(&mut office, "Ben", Role::Tech, Some(property)).await;
    tech.state(&world, machine, vec![reading(4, 5)]);

    let sent_at = world.clock.now();
    let body = write_body(&tech.book.outgoing().offer(&sent_at).unwrap(), true).unwrap();
    let lost = world.send(exchange_of(&tech.token, body.clone(), true)).await;
    assert_eq!(lost.status, StatusCode::OK);
    let again = world.send(exchange_of(&tech.token, body, true)).await;
    let answer: ExchangeAnswer = read_body(&again.body, true).unwrap();
    let report = tech.book.peer().take_answer(&sent_at, &answer, &world.clock.now(), &mut chance).unwrap();
    assert_eq!((report.taken, report.refused.len()), (1, 0));
    assert!(tech.level(&world).await.iter().all(|r| r.taken == 0 && r.refused.is_empty()));

    let received: usize = office.level(&world).await.iter().map(|r| r.received).sum();
    assert!(received >= 1);
    let view = office.book.machines().machine_view(machine, shared::length::LengthUnit::Thou, &world.clock.now()).unwrap();
    assert_eq!(view.lash.len(), 1);
}

#[tokio::test]
async fn the_answer_is_packed_only_for_whoever_takes_it() {
    let world = World::new();
    let office = world.office().await;
    let offer = office.book.outgoing().offer(&world.clock.now()).unwrap();
    let plain = world.send(exchange_of(&office.token, write_body(&offer, false).unwrap(), false)).await;
    assert_eq!(plain.headers[header::CONTENT_TYPE], "application/cbor");
    assert!(plain.headers.get(header::CONTENT_ENCODING).is_none());
    assert_eq!(plain.headers[header::VARY], "accept-encoding");
    let plain: ExchangeAnswer = read_body(&plain.body, false).unwrap();
    let packed = world.send(exchange_of(&office.token, write_body(&offer, true).unwrap(), true)).await;
    assert_eq!(packed.headers[header::CONTENT_ENCODING], "zstd");
    assert_eq!(read_body::<ExchangeAnswer>(&packed.body, true).unwrap(), plain);
}

#[tokio::test]
async fn a_cut_message_is_refused_at_every_cut_and_takes_nothing() {
    let world = World::new();
    let mut office = world.office().await;
    let (property, machine) = world.machine(&mut office, "A-12").await;
    let mut tech = world.join(&mut office, "Ben", Role::Tech, Some(property)).await;
    tech.state(&world, machine, vec![reading(4, 5)]);
    let offer = tech.book.outgoing().offer(&world.clock.now()).unwrap();
    for zstd in [false, true] {
        let whole = write_body(&offer, zstd).unwrap();
        for cut in (0..whole.len()).step_by(7).chain([whole.len() - 1]) {
            world.send(exchange_of(&tech.token, whole[..cut].to_vec(), zstd)).await.problem(400, Code::Unreadable);
        }
        let mut more = whole.clone();
        more.push(0);
        world.send(exchange_of(&tech.token, more, zstd)).await.problem(400, Code::Unreadable);
    }
    let view = world.get(&format!("/v1/machines/{machine}"), &office.token).await.json::<serde_json::Value>();
    assert_eq!(view["lash"].as_array().unwrap().len(), 0);
    assert_eq!(tech.level(&world).await.iter().map(|r| r.taken).sum::<usize>(), 1);
}

#[tokio::test]
async fn what_is_too_large_is_refused_packed_or_not() {
    let world = World::new();
    let office = world.office().await;
    world.send(exchange_of(&office.token, vec![0; LARGEST_BODY + 1], false)).await.problem(413, Code::TooLarge);
    let bomb = zstd::encode_all(std::io::Read::take(std::io::repeat(0), LARGEST_PLAIN as u64 + 10), 3).unwrap();
    assert!(bomb.len() < 20_000);
    world.send(exchange_of(&office.token, bomb, true)).await.problem(413, Code::TooLarge);
    // Without a token nobody reads it at all.
    world.send(exchange_of("", vec![0; LARGEST_BODY + 1], false)).await.problem(401, Code::TokenInvalid);
}

#[tokio::test]
async fn other_media_types_and_versions_are_named() {
    let world = World::new();
    let office = world.office().await;
    let mut offer = office.book.outgoing().offer(&world.clock.now()).unwrap();
    let body = write_body(&offer, false).unwrap();
    for kind in [None, Some("application/json"), Some("application/cbor-seq"), Some("text/plain")] {
        let mut request = asked(Method::POST, "/v1/exchange", &office.token);
        if let Some(kind) = kind {
            request = request.header(header::CONTENT_TYPE, kind);
        }
        let refused = world.send(request.body(Body::from(body.clone())).unwrap()).await;
        refused.problem(415, Code::Unreadable);
        assert_eq!(refused.headers["accept-post"], "application/cbor");
    }
    for encoding in ["gzip", "zstd, gzip", "br"] {
        let request = asked(Method::POST, "/v1/exchange", &office.token).header(header::CONTENT_TYPE, "application/cbor");
        let refused = world.send(request.header(header::CONTENT_ENCODING, encoding).body(Body::from(body.clone())).unwrap()).await;
        refused.problem(415, Code::Unreadable);
        assert_eq!(refused.headers[header::ACCEPT_ENCODING], "zstd, identity");
    }
    offer.v = 2;
    world.send(exchange_of(&office.token, write_body(&offer, false).unwrap(), false)).await.problem(400, Code::VersionUnknown);
    // A shape that is right and a kind that is not.
    let mut other = Vec::new();
    ciborium::into_writer(&vec![1, 2, 3], &mut other).unwrap();
    world.send(exchange_of(&office.token, other, false)).await.problem(400, Code::Unreadable);
}
