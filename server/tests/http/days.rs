//! Closed days over HTTP.

use axum::http::StatusCode;
use serde_json::Value;
use server::Clock;
use shared::problem::Code;
use shared::role::Role;
use sync_core::commands::ActionContext;

use crate::support::{World, chance, reading};

#[tokio::test]
async fn a_closed_day_says_who_closed_it_and_what_was_known() {
    let world = World::new();
    let mut office = world.office().await;
    let (property, machine) = world.machine(&mut office, "A-12").await;
    let mut ben = world.join(&mut office, "Ben", Role::Tech, Some(property)).await;
    ben.state(&world, machine, vec![reading(4, 5)]);
    ben.level(&world).await;
    assert_eq!(world.get("/v1/days", &office.token).await.json::<Vec<Value>>(), Vec::<Value>::new());
    world.get("/v1/days/2026-06-01", &office.token).await.problem(404, Code::NotFound);

    office.level(&world).await;
    let mut hand = ActionContext { now: world.clock.now(), entropy: &mut chance, measured_by: None };
    office.book.author().close_day("2026-06-01".parse().unwrap(), "", &mut hand).unwrap();
    office.level(&world).await;
    let day: Value = world.get("/v1/days/2026-06-01", &office.token).await.json();
    assert_eq!((&day["counts"]["readings"], &day["left_open"]), (&1.into(), &"".into()), "{day}");
    let days: Vec<Value> = world.get("/v1/days?unit=mm", &office.token).await.json();
    assert_eq!(days.len(), 1);
    let evening: Value = world.get(&format!("/v1/days/2026-06-01/machines/{machine}"), &office.token).await.json();
    let read = evening["lines"].as_array().unwrap().iter().find(|line| line["slot_words"].to_string().contains("clearance")).unwrap();
    assert_eq!((&read["words"], &read["by"], &read["changed_since"]), (&"1I found: 4 to 5 thou".into(), &"Ben".into(), &false.into()));

    world.get("/v1/days", &ben.token).await.problem(403, Code::RoleMayNot);
    world.get("/v1/days/someday", &office.token).await.problem(400, Code::Unreadable);
    world.get("/v1/days/2026-06-01/machines/A-12", &office.token).await.problem(404, Code::DocumentClosed);
    assert_eq!(world.get(&format!("/v1/days/2026-05-31/machines/{machine}"), &office.token).await.status, StatusCode::NOT_FOUND);
}
