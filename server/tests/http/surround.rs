//! What surrounds every route: the one form of error, request ids, the time limit, a panic of a dependency.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use axum::body::{Body, to_bytes};
use axum::http::{Method, header};
use axum::routing::get;
use server::middleware::around;
use shared::problem::Code;
use shared::role::Role;
use sync_core::sync::write_body;
use tower::ServiceExt;

use server::Clock;

use crate::support::{Answer, World, asked, chance, exchange_of, reading};

#[tokio::test]
async fn unknown_addresses_and_wrong_methods_are_problems() {
    let world = World::new();
    for path in ["/v1", "/v1/exchange/", "/v2/due", "/v1/machine", "/%00"] {
        world.get(path, "").await.problem(404, Code::NotFound);
    }
    for (method, path, allow) in [
        (Method::GET, "/v1/exchange", "POST"),
        (Method::DELETE, "/v1/due", "GET,HEAD"),
        (Method::PUT, "/health", "GET,HEAD"),
        (Method::GET, "/v1/quarantine/1/release", "POST"),
        (Method::PATCH, "/v1/codes", "POST"),
    ] {
        let answer = world.send(asked(method, path, "").body(Body::empty()).unwrap()).await;
        answer.problem(405, Code::NotFound);
        assert_eq!(answer.headers[header::ALLOW], allow, "{path}");
    }
}

#[tokio::test]
async fn every_answer_has_an_id_of_our_own() {
    let world = World::new();
    let mut seen = std::collections::BTreeSet::new();
    for path in ["/health", "/nowhere", "/v1/due"] {
        let request = asked(Method::GET, path, "").header("x-request-id", "mine\u{9}and a tale").body(Body::empty()).unwrap();
        let answer = world.send(request).await;
        let id = answer.headers["x-request-id"].to_str().unwrap().to_owned();
        assert!(!id.contains("mine"), "{id}");
        assert!(seen.insert(id));
        assert_eq!(answer.headers[header::CACHE_CONTROL], "no-store");
    }
}

async fn answer_of(router: axum::Router, path: &str, token: &str) -> Answer {
    let response = router.oneshot(asked(Method::GET, path, token).body(Body::empty()).unwrap()).await.unwrap();
    let (parts, body) = response.into_parts();
    Answer { status: parts.status, headers: parts.headers, body: to_bytes(body, usize::MAX).await.unwrap().to_vec() }
}

#[tokio::test(start_paused = true)]
async fn a_request_that_never_ends_is_ended_and_says_what_may_have_happened() {
    let slow = around(axum::Router::new().route("/", get(std::future::pending::<()>)), 0, server::Limits::default().answer);
    // Paused time runs ahead; an hour stands for never.
    let ended = tokio::time::timeout(std::time::Duration::from_secs(3600), answer_of(slow, "/", "")).await.unwrap();
    let problem = ended.problem(408, Code::Internal);
    assert!(problem.detail.contains("send it again"), "{}", problem.detail);
}

#[tokio::test]
async fn a_panic_in_a_route_is_a_problem() {
    async fn broken() {
        panic!("a defect");
    }
    answer_of(around(axum::Router::new().route("/", get(broken)), 0, server::Limits::default().answer), "/", "")
        .await
        .problem(500, Code::Internal);
}

/// More breaks than steps may be under way: each must have given its place back.
#[tokio::test]
async fn steps_that_panic_are_problems_and_the_next_request_goes_on() {
    let breaks = Arc::new(AtomicBool::new(false));
    let breaking = Arc::clone(&breaks);
    let world = World::with(Box::new(move |buffer: &mut [u8]| {
        assert!(!breaking.load(Ordering::SeqCst), "a dependency broke");
        chance(buffer);
    }));
    let office = world.office().await;
    let person = office.book.identity().unwrap().person;
    breaks.store(true, Ordering::SeqCst);
    for _ in 0..40 {
        let answer = world.post_json("/v1/codes", &office.token, &shared::wire::CodeRequest { person }).await;
        let problem = answer.problem(500, Code::Internal);
        assert!(problem.detail.contains("Nothing was taken in"), "{}", problem.detail);
    }
    breaks.store(false, Ordering::SeqCst);
    let answer = world.post_json("/v1/codes", &office.token, &shared::wire::CodeRequest { person }).await;
    assert_eq!(answer.status, 200);
}

#[tokio::test]
async fn what_is_said_to_be_kept_after_a_panic_is_kept() {
    let breaks = Arc::new(AtomicBool::new(false));
    let breaking = Arc::clone(&breaks);
    let world = World::with(Box::new(move |buffer: &mut [u8]| {
        assert!(!breaking.load(Ordering::SeqCst), "a dependency broke in the middle of a step");
        chance(buffer);
    }));
    let mut office = world.office().await;
    let (property, machine) = world.machine(&mut office, "A-12").await;
    let mut ben = world.join(&mut office, "Ben", Role::Tech, Some(property)).await;
    ben.state(&world, machine, vec![reading(4, 5)]);
    breaks.store(true, Ordering::SeqCst);
    let body = write_body(&ben.book.outgoing().offer(&world.clock.now()).unwrap(), true).unwrap();
    world.send(exchange_of(&ben.token, body, true)).await.problem(500, Code::Internal);
    breaks.store(false, Ordering::SeqCst);
    assert_eq!(ben.exchange(&world).await.taken, 1);

    let world = world.restarted();
    office.log_in(&world).await;
    let seen: serde_json::Value = world.get(&format!("/v1/machines/{machine}"), &office.token).await.json();
    assert_eq!(seen["lash"].as_array().unwrap().len(), 1, "{seen}");
}
