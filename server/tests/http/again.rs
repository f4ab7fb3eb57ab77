//! The same again: entity tags on what is looked at, idempotency keys on what the office does.

use axum::body::Body;
use axum::http::{Method, StatusCode, header};
use serde_json::Value;
use shared::problem::Code;
use shared::role::Role;
use shared::wire::CodeIssued;

use crate::support::{Answer, Device, World, asked, reading};

async fn get_unless(world: &World, path: &str, token: &str, known: &str) -> Answer {
    world.send(asked(Method::GET, path, token).header(header::IF_NONE_MATCH, known).body(Body::empty()).unwrap()).await
}

#[tokio::test]
async fn what_has_not_changed_is_not_sent_again() {
    let world = World::new();
    let mut office = world.office().await;
    let (property, machine) = world.machine(&mut office, "A-12").await;
    let mut ben = world.join(&mut office, "Ben", Role::Tech, Some(property)).await;
    let path = format!("/v1/machines/{machine}/history");
    let first = world.get(&path, &ben.token).await;
    let tag = first.headers[header::ETAG].to_str().unwrap().to_owned();
    assert!(tag.starts_with('"') && tag.ends_with('"'), "{tag}");
    assert_eq!(first.headers[header::CACHE_CONTROL], "private, no-store");

    let same = get_unless(&world, &path, &ben.token, &format!("\"other\", {tag}")).await;
    assert_eq!((same.status, same.body.len()), (StatusCode::NOT_MODIFIED, 0));
    assert_eq!(same.headers[header::ETAG], tag.as_str());
    assert!(!same.headers.contains_key(header::CONTENT_TYPE));
    // The tag opens nothing: who may not look is told so, whatever they know.
    get_unless(&world, &path, "", &tag).await.problem(401, Code::TokenInvalid);

    ben.state(&world, machine, vec![reading(4, 5)]);
    ben.level(&world).await;
    let moved = get_unless(&world, &path, &ben.token, &tag).await;
    assert_eq!(moved.status, StatusCode::OK);
    assert_ne!(moved.headers[header::ETAG], tag.as_str());
    assert!(!world.get("/health", "").await.headers.contains_key(header::ETAG));
}

async fn ask_code(world: &World, office: &Device, key: &str, person: &str) -> Answer {
    let request = asked(Method::POST, "/v1/codes", &office.token).header("idempotency-key", key);
    let body = Body::from(format!("{{\"person\":\"{person}\"}}"));
    world.send(request.header(header::CONTENT_TYPE, "application/json").body(body).unwrap()).await
}

#[tokio::test]
async fn a_write_sent_again_is_done_once() {
    let world = World::new();
    let mut office = world.office().await;
    let ben = world.join(&mut office, "Ben", Role::Tech, None).await.person().to_string();
    let ana = office.person().to_string();
    let first: CodeIssued = ask_code(&world, &office, "\"one\"", &ben).await.json();
    world.clock.on(3_600_000);
    office.log_in(&world).await;
    assert_eq!(ask_code(&world, &office, "\"one\"", &ben).await.json::<CodeIssued>(), first);
    assert_eq!(ask_code(&world, &office, "one", &ben).await.json::<CodeIssued>(), first);
    assert_ne!(ask_code(&world, &office, "\"two\"", &ben).await.json::<CodeIssued>().code, first.code);
    ask_code(&world, &office, "\"one\"", &ana).await.problem(422, Code::KeyReused);
    let path = Body::empty();
    let other_path = asked(Method::POST, "/v1/backups", &office.token).header("idempotency-key", "one").body(path).unwrap();
    world.send(other_path).await.problem(422, Code::KeyReused);
    // A day on, the key is free.
    world.clock.on(24 * 3_600_000);
    office.log_in(&world).await;
    assert_ne!(ask_code(&world, &office, "\"one\"", &ben).await.json::<CodeIssued>().code, first.code);
    for bad in ["", "\"\"", "a\"b", &"k".repeat(256)] {
        ask_code(&world, &office, bad, &ben).await.problem(400, Code::Unreadable);
    }
}

#[tokio::test]
async fn a_key_is_its_devices_own_and_a_refusal_is_not_remembered() {
    let world = World::new();
    let mut office = world.office().await;
    let cleo = world.join(&mut office, "Cleo", Role::Office, None).await;
    let person = office.person().to_string();
    let first: CodeIssued = ask_code(&world, &office, "same", &person).await.json();
    assert_ne!(ask_code(&world, &cleo, "same", &person).await.json::<CodeIssued>().code, first.code);
    ask_code(&world, &office, "refused", "nobody").await.problem(400, Code::Unreadable);
    ask_code(&world, &office, "refused", &person).await.json::<CodeIssued>();

    // Who has lost the office's role is told nothing again.
    let roster = office.book.identity().unwrap().root.shop.roster();
    office.state(&world, roster, vec![shared::record::RoleGrant { person: cleo.person(), role: Some(Role::Tech) }.into()]);
    office.level(&world).await;
    ask_code(&world, &cleo, "same", &person).await.problem(403, Code::RoleMayNot);

    let backup = |key| asked(Method::POST, "/v1/backups", &office.token).header("idempotency-key", key).body(Body::empty()).unwrap();
    let made = world.send(backup("b")).await;
    assert_eq!(made.status, StatusCode::CREATED);
    world.clock.on(5_000);
    let again = world.send(backup("b")).await;
    assert_eq!((again.status, &again.body), (StatusCode::CREATED, &made.body));
    assert_eq!(world.get("/v1/backups", &office.token).await.json::<Vec<Value>>().len(), 1);
}
