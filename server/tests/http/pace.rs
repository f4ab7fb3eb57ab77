//! How often somebody may ask: a device in a tight loop, and strangers.

use axum::http::{StatusCode, header};
use server::Clock;
use server::Limits;
use server::rate_limit::Rate;
use shared::problem::Code;
use shared::role::Role;
use sync_core::sync::write_body;

use crate::support::{Answer, World, chance, exchange_of};

fn wait_of(answer: &Answer) -> i64 {
    answer.headers[header::RETRY_AFTER].to_str().unwrap().parse().unwrap()
}

#[tokio::test]
async fn a_device_in_a_tight_loop_is_told_to_wait_and_the_others_are_not() {
    let world = World::new();
    let mut office = world.office().await;
    let mut tech = world.join(&mut office, "Ben", Role::Tech, None).await;
    // Twenty in a row pass, with whatever joining cost before.
    for _ in 0..20 {
        tech.exchange(&world).await;
    }
    let mut passed = 0;
    let refused = loop {
        let answer = world.get("/v1/due", &tech.token).await;
        if answer.status != StatusCode::OK {
            break answer;
        }
        passed += 1;
        assert!(passed < 1000, "no loop is too tight");
    };
    assert!(passed > 150, "{passed}");
    assert!(refused.problem(429, Code::TooMany).detail.contains("nothing is lost"));
    let body = write_body(&tech.book.outgoing().offer(&world.clock.now()).unwrap(), true).unwrap();
    let refused = world.send(exchange_of(&tech.token, body, true)).await;
    refused.problem(429, Code::TooMany);
    let wait_s = wait_of(&refused);
    assert!((1..=2).contains(&wait_s), "{wait_s}");
    office.exchange(&world).await;
    world.clock.on(wait_s * 1000);
    tech.exchange(&world).await;
}

#[tokio::test]
async fn two_hundred_devices_log_in_at_days_end_and_a_flood_waits() {
    let world = World::new();
    // Each twice, as where every clock is wrong. What is counted is the asking, before anything is read.
    for _ in 0..400 {
        world.log_in_with("a.b.c").await.problem(401, Code::TokenInvalid);
    }
    let mut more = 0;
    let refused = loop {
        let answer = world.log_in_with("a.b.c").await;
        if answer.status == StatusCode::TOO_MANY_REQUESTS {
            break answer;
        }
        more += 1;
        assert!(more < 2000, "no flood is too high");
    };
    refused.problem(429, Code::TooMany);
    world.get("/.well-known/jwks.json", "").await.problem(429, Code::TooMany);
    assert_eq!(world.get("/health", "").await.status, StatusCode::OK);
    world.clock.on(wait_of(&refused) * 1000);
    world.log_in_with("a.b.c").await.problem(401, Code::TokenInvalid);
}

#[tokio::test]
async fn a_flood_of_strangers_does_not_keep_a_device_with_a_token_out() {
    let narrow = Limits { strangers: Rate { burst: 5, per_s: 1 }, ..Limits::default() };
    let world = World::bounded(Box::new(chance), narrow);
    let mut office = world.office().await;
    for _ in 0..10 {
        world.log_in_with("a.b.c").await;
    }
    world.log_in_with("a.b.c").await.problem(429, Code::TooMany);
    office.exchange(&world).await;
}
