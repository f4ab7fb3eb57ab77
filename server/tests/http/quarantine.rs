//! Quarantine: a record that could not be taken, shown, let in or kept out.

use axum::http::StatusCode;
use serde_json::Value;
use server::Clock;
use shared::ids::DocId;
use shared::problem::Code;
use shared::record::{SignOff, Visit};
use shared::role::Role;
use sync_core::book::Draft;

use crate::support::{Device, World, chance};

/// A tech finished two visits after the office had made them a helper, which their device had not heard: both wait.
async fn two_waiting(world: &World) -> (Device, Device, DocId) {
    let mut office = world.office().await;
    let (property, machine) = world.machine(&mut office, "A-12").await;
    let mut ben = world.join(&mut office, "Ben", Role::Tech, Some(property)).await;
    let roster = office.book.identity().unwrap().root.shop.roster();
    office.state(world, roster, vec![shared::record::RoleGrant { person: ben.person(), role: Some(Role::Helper) }.into()]);
    office.level(world).await;
    for _ in 0..2 {
        let visit = Visit { cold: true, engine_tenth_c: None, cautions_confirmed: true, purpose: String::new(), resumes: None };
        let visit = ben.book.write(vec![Draft::new(machine, visit)], &world.clock.now(), &mut chance).unwrap()[0];
        ben.state(world, machine, vec![SignOff { visit, complete: true, remark: String::new() }.into()]);
    }
    let refused: usize = ben.level(world).await.iter().map(|r| r.refused.len()).sum();
    assert!(refused >= 1);
    (office, ben, machine)
}

async fn waiting(world: &World, office: &Device) -> Vec<Value> {
    let page: Value = world.get("/v1/quarantine", &office.token).await.json();
    page["items"].as_array().unwrap().clone()
}

#[tokio::test]
async fn the_office_lets_one_in_and_keeps_another_out() {
    let world = World::new();
    let (mut office, ben, machine) = two_waiting(&world).await;
    let lead = world.join(&mut office, "Cleo", Role::Lead, None).await;
    let held = waiting(&world, &office).await;
    assert_eq!(held.len(), 2, "{held:?}");
    assert!(held.iter().all(|q| q["state"] == "waiting" && q["code"] == "role-may-not" && q["kind"] == "sign-off"), "{held:?}");
    let (first, second) = (&held[0]["id"], &held[1]["id"]);

    world.post(&format!("/v1/quarantine/{first}/release"), &ben.token).await.problem(403, Code::RoleMayNot);
    world.post(&format!("/v1/quarantine/{first}/release"), &lead.token).await.problem(403, Code::RoleMayNot);
    world.post(&format!("/v1/quarantine/{second}/keep-out"), &lead.token).await.problem(403, Code::RoleMayNot);
    world.post(&format!("/v1/quarantine/{second}/keep-out"), "").await.problem(401, Code::TokenInvalid);
    assert_eq!(world.post(&format!("/v1/quarantine/{first}/release"), &office.token).await.status, StatusCode::NO_CONTENT);
    assert_eq!(world.post(&format!("/v1/quarantine/{second}/keep-out"), &office.token).await.status, StatusCode::NO_CONTENT);
    let held = waiting(&world, &office).await;
    assert_eq!((held[0]["state"].as_str(), held[1]["state"].as_str()), (Some("released"), Some("kept-out")));

    let seen: Value = world.get(&format!("/v1/machines/{machine}"), &office.token).await.json();
    let sign_offs = seen["history"].as_array().unwrap().iter().filter(|line| line["kind"] == "sign-off").count();
    assert_eq!(sign_offs, 1, "{seen}");
    world.post(&format!("/v1/quarantine/{first}/release"), &office.token).await.problem(404, Code::NotFound);
    world.post(&format!("/v1/quarantine/{second}/keep-out"), &office.token).await.problem(404, Code::NotFound);
}

#[tokio::test]
async fn what_quarantine_does_not_hold_is_not_found() {
    let world = World::new();
    let office = world.office().await;
    for id in ["1", "0", "-1", "x", "%FF", "9223372036854775808"] {
        world.post(&format!("/v1/quarantine/{id}/release"), &office.token).await.problem(404, Code::NotFound);
    }
}
