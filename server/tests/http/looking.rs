//! What may be looked at, by whom, and how it is asked for.

use axum::http::StatusCode;
use serde_json::Value;
use server::Clock;
use shared::ids::DocId;
use shared::problem::Code;
use shared::role::Role;
use sync_core::sys::rng::fresh_uuid;

use crate::support::{World, chance, reading};

#[tokio::test]
async fn the_day_sheet_counts_what_came_in_and_the_contested_slot_shows_both_readings() {
    let world = World::new();
    let mut office = world.office().await;
    let (property, machine) = world.machine(&mut office, "A-12").await;
    let mut ben = world.join(&mut office, "Ben", Role::Tech, Some(property)).await;
    let mut cleo = world.join(&mut office, "Cleo", Role::Lead, Some(property)).await;
    ben.state(&world, machine, vec![reading(4, 5)]);
    cleo.state(&world, machine, vec![reading(8, 9)]);
    ben.level(&world).await;
    cleo.level(&world).await;

    let contested: Vec<Value> = world.get("/v1/contested", &cleo.token).await.json();
    assert_eq!(contested.len(), 1, "{contested:?}");
    assert_eq!(contested[0]["readings"].as_array().unwrap().len(), 2);
    let slot: Value = world.get(&format!("/v1/machines/{machine}/slot?slot=lash/1I/found"), &ben.token).await.json();
    assert_eq!(
        (&slot["state"], &slot["wants_ruling"], slot["readings"].as_array().unwrap().len()),
        (&"contested".into(), &true.into(), 2),
        "{slot}"
    );
    assert_eq!(slot["brackets"].as_object().unwrap().len(), 2);
    world.get(&format!("/v1/machines/{machine}/slot?slot=lash/9I/found"), &ben.token).await.problem(404, Code::NotFound);
    world.get(&format!("/v1/machines/{machine}/slot"), &ben.token).await.problem(400, Code::Unreadable);
    let settings: Value = world.get("/v1/settings", &ben.token).await.json();
    assert_eq!((&settings["name"], &settings["conflict_window_min"]), (&"Green End Mowers".into(), &720.into()));
    let in_mm = world.get("/v1/contested?unit=mm", &office.token).await;
    assert!(String::from_utf8_lossy(&in_mm.body).contains(" mm"), "{}", String::from_utf8_lossy(&in_mm.body));

    let today: Value = world.get("/v1/day-sheet", &office.token).await.json();
    let named: Value = world.get("/v1/day-sheet?day=2026-06-01&unit=thou", &office.token).await.json();
    assert_eq!(today, named);
    assert!(today.to_string().contains("Ben") && today.to_string().contains("A-12"), "{today}");
    let other: Value = world.get("/v1/day-sheet?day=2026-05-31", &office.token).await.json();
    assert_ne!(today, other);
}

#[tokio::test]
async fn a_machine_is_open_to_whoever_looks_after_it() {
    let world = World::new();
    let mut office = world.office().await;
    let (property, machine) = world.machine(&mut office, "A-12").await;
    let (_, other) = world.machine(&mut office, "B-07").await;
    let mut ben = world.join(&mut office, "Ben", Role::Tech, Some(property)).await;
    ben.state(&world, machine, vec![reading(4, 5)]);
    ben.level(&world).await;

    let path = format!("/v1/machines/{machine}");
    let seen: Value = world.get(&path, &ben.token).await.json();
    assert_eq!(seen["tag"], "A-12");
    assert!(seen["lash"].to_string().contains("thou"));
    assert!(world.get(&format!("{path}?unit=mm"), &ben.token).await.json::<Value>()["lash"].to_string().contains("mm"));
    world.get(&format!("/v1/machines/{other}"), &ben.token).await.problem(404, Code::DocumentClosed);
    let nothing = DocId(fresh_uuid(&world.clock.now(), &mut chance));
    world.get(&format!("/v1/machines/{nothing}"), &office.token).await.problem(404, Code::DocumentClosed);
    world.get("/v1/machines/A-12", &office.token).await.problem(404, Code::DocumentClosed);
    world.get(&format!("/v1/machines/{property}"), &ben.token).await.problem(404, Code::NotFound);

    let tags = |answer: crate::support::Answer| -> Vec<String> {
        answer.json::<Vec<Value>>().iter().map(|line| line["tag"].as_str().unwrap().to_owned()).collect()
    };
    assert_eq!(tags(world.get("/v1/due", &office.token).await), ["A-12", "B-07"]);
    assert_eq!(tags(world.get("/v1/due", &ben.token).await), ["A-12"]);
}

#[tokio::test]
async fn a_helper_and_a_tech_are_told_that_it_is_for_others() {
    let world = World::new();
    let mut office = world.office().await;
    let helper = world.join(&mut office, "Dov", Role::Helper, None).await;
    let tech = world.join(&mut office, "Ben", Role::Tech, None).await;
    let lead = world.join(&mut office, "Cleo", Role::Lead, None).await;
    for path in ["/v1/day-sheet", "/v1/contested", "/v1/quarantine"] {
        world.get(path, "").await.problem(401, Code::TokenInvalid);
        let problem = world.get(path, &helper.token).await.problem(403, Code::RoleMayNot);
        assert!(problem.detail.contains("helper"), "{}", problem.detail);
        world.get(path, &tech.token).await.problem(403, Code::RoleMayNot);
        assert_eq!(world.get(path, &lead.token).await.status, StatusCode::OK, "{path}");
        assert_eq!(world.get(path, &office.token).await.status, StatusCode::OK, "{path}");
    }
}

#[tokio::test]
async fn a_role_taken_away_counts_at_once() {
    let world = World::new();
    let mut office = world.office().await;
    let lead = world.join(&mut office, "Cleo", Role::Lead, None).await;
    assert_eq!(world.get("/v1/day-sheet", &lead.token).await.status, StatusCode::OK);
    let roster = office.book.identity().unwrap().root.shop.roster();
    office.state(&world, roster, vec![shared::record::RoleGrant { person: lead.person(), role: None }.into()]);
    office.level(&world).await;
    world.get("/v1/day-sheet", &lead.token).await.problem(403, Code::RoleMayNot);
}

#[tokio::test]
async fn a_misspelt_question_is_not_answered_as_another() {
    let world = World::new();
    let office = world.office().await;
    for path in [
        "/v1/day-sheet?unit=cm",
        "/v1/day-sheet?units=mm",
        "/v1/day-sheet?day=yesterday",
        "/v1/day-sheet?day=2026-02-30",
        "/v1/day-sheet?day=2026-06-01T10:00:00",
        "/v1/day-sheet?day=20260601",
        "/v1/day-sheet?day=",
        "/v1/contested?unit=MM",
    ] {
        world.get(path, &office.token).await.problem(400, Code::Unreadable);
    }
}
