//! Lists in pages and single things: who sees what, and that a walk through the pages meets each item once.

use axum::http::{StatusCode, header};
use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use serde_json::Value;
use server::Clock;
use shared::problem::Code;
use shared::record::{SignOff, Visit};
use shared::role::Role;
use sync_core::book::Draft;
use sync_core::crypto::envelope;

use crate::support::{World, chance, reading};

fn texts(page: &Value, field: &str) -> Vec<String> {
    page["items"].as_array().unwrap().iter().map(|item| item[field].as_str().unwrap().to_owned()).collect()
}

#[tokio::test]
async fn each_sees_what_is_open_to_them() {
    let world = World::new();
    let mut office = world.office().await;
    let (property, machine) = world.machine(&mut office, "A-12").await;
    let (elsewhere, _) = world.machine(&mut office, "B-07").await;
    let ben = world.join(&mut office, "Ben", Role::Tech, Some(property)).await;

    for (path, field, all, bens) in [
        ("/v1/machines", "tag", vec!["A-12", "B-07"], vec!["A-12"]),
        ("/v1/properties", "name", vec!["A-12 court", "B-07 court"], vec!["A-12 court"]),
    ] {
        assert_eq!(texts(&world.get(path, &office.token).await.json(), field), all);
        assert_eq!(texts(&world.get(path, &ben.token).await.json(), field), bens);
        world.get(path, "").await.problem(401, Code::TokenInvalid);
    }
    let there: Value = world.get(&format!("/v1/properties/{property}"), &ben.token).await.json();
    assert_eq!((there["name"].as_str(), there["machines_there"][0]["tag"].as_str()), (Some("A-12 court"), Some("A-12")));
    world.get(&format!("/v1/properties/{elsewhere}"), &ben.token).await.problem(404, Code::NotFound);
    world.get("/v1/properties/court", &ben.token).await.problem(404, Code::NotFound);

    for path in ["/v1/people", "/v1/devices"] {
        world.get(path, &ben.token).await.problem(403, Code::RoleMayNot);
    }
    assert_eq!(texts(&world.get("/v1/people", &office.token).await.json(), "name"), ["Ana", "Ben"]);
    assert_eq!(texts(&world.get("/v1/devices", &office.token).await.json(), "person_name"), ["Ana", "Ben"]);
    let cards: Value = world.get("/v1/engine-cards", &ben.token).await.json();
    assert_eq!(cards["items"].as_array().unwrap().len(), 0);
    let status: Value = world.get("/v1/status", &ben.token).await.json();
    assert_eq!(
        (status["shop"].as_str(), status["machines"].as_u64(), status["people"].as_u64()),
        (Some("Green End Mowers"), Some(2), Some(2))
    );
    assert_eq!(status["epoch"].as_str().unwrap().len(), 32);
    assert!(status["position"].as_u64().unwrap() > 0);
    world.get(&format!("/v1/machines/{machine}/history"), &ben.token).await.json::<Value>();
}

#[tokio::test]
async fn a_walk_through_the_pages_meets_each_once_in_order() {
    let world = World::new();
    let mut office = world.office().await;
    for n in 0..7 {
        world.machine(&mut office, &format!("Q-{n}")).await;
    }
    let (mut path, mut met, mut pages) = ("/v1/machines?limit=3".to_owned(), Vec::new(), 0);
    loop {
        let answer = world.get(&path, &office.token).await;
        let page: Value = answer.json();
        met.extend(texts(&page, "tag"));
        pages += 1;
        if pages == 1 {
            // What comes before the place that was reached shifts nothing, and what comes after it is met.
            world.machine(&mut office, "A-1").await;
            world.machine(&mut office, "Z-9").await;
        }
        let link = answer.headers.get(header::LINK).map(|link| link.to_str().unwrap().to_owned());
        let Some(next) = page["next"].as_str() else {
            assert_eq!(link, None);
            break;
        };
        assert_eq!(link.unwrap(), format!("</v1/machines?limit=3&after={next}>; rel=\"next\""));
        path = format!("/v1/machines?limit=3&after={next}");
    }
    assert_eq!(met, ["Q-0", "Q-1", "Q-2", "Q-3", "Q-4", "Q-5", "Q-6", "Z-9"]);
    assert_eq!(pages, 3);
    for bad in ["limit=0", "limit=501", "limit=x", "limit=-1", "after=nonsense", "page=2"] {
        world.get(&format!("/v1/machines?{bad}"), &office.token).await.problem(400, Code::Unreadable);
    }
}

#[tokio::test]
async fn a_history_a_record_and_a_service_record() {
    let world = World::new();
    let mut office = world.office().await;
    let (property, machine) = world.machine(&mut office, "A-12").await;
    let mut ben = world.join(&mut office, "Ben", Role::Tech, Some(property)).await;
    let cleo = world.join(&mut office, "Cleo", Role::Tech, None).await;
    world.clock.on(60_000);
    let visit = Visit { cold: true, engine_tenth_c: None, cautions_confirmed: true, purpose: String::new(), resumes: None };
    let visit = ben.book.write(vec![Draft::new(machine, visit)], &world.clock.now(), &mut chance).unwrap()[0];
    ben.state(&world, machine, vec![reading(4, 5)]);
    ben.state(&world, machine, vec![SignOff { visit, complete: true, remark: String::new() }.into()]);
    ben.level(&world).await;

    let path = format!("/v1/machines/{machine}/history");
    let whole: Value = world.get(&path, &ben.token).await.json();
    let kinds = |page: &Value| texts(page, "kind");
    assert_eq!(kinds(&whole), ["sign-off", "clearance", "visit", "machine"]);
    let first: Value = world.get(&format!("{path}?limit=1&unit=mm"), &ben.token).await.json();
    let after = first["next"].as_str().unwrap();
    let second: Value = world.get(&format!("{path}?limit=1&unit=mm&after={after}"), &ben.token).await.json();
    assert_eq!(kinds(&second), ["clearance"]);
    assert!(second["items"][0]["words"].as_str().unwrap().contains("mm"));
    world.get(&path, &cleo.token).await.problem(404, Code::DocumentClosed);

    let id = second["items"][0]["record"].as_str().unwrap().to_owned();
    let seen: Value = world.get(&format!("/v1/records/{id}"), &ben.token).await.json();
    assert_eq!((seen["kind"].as_str(), seen["title"].as_str(), seen["fate"].as_str()), (Some("clearance"), Some("A-12"), Some("stands")));
    let signed = BASE64_STANDARD.decode(seen["signed"].as_str().unwrap()).unwrap();
    assert_eq!(envelope::decode_unverified(&signed).unwrap().record.id.to_string(), id);
    world.get(&format!("/v1/records/{id}"), &cleo.token).await.problem(404, Code::NotFound);
    world.get("/v1/records/x", &ben.token).await.problem(404, Code::NotFound);

    let service: Value = world.get(&format!("/v1/visits/{visit}/service-record"), &ben.token).await.json();
    assert_eq!((service["tag"].as_str(), service["finished"].as_bool()), (Some("A-12"), Some(true)));
    world.get(&format!("/v1/visits/{visit}/service-record"), &cleo.token).await.problem(404, Code::NotFound);
    world.get(&format!("/v1/visits/{id}/service-record"), &ben.token).await.problem(404, Code::NotFound);
    assert_eq!(world.get(&format!("/v1/visits/{visit}/service-record?unit=mm"), &ben.token).await.status, StatusCode::OK);
}
