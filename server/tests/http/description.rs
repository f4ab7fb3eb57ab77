//! The API's description: that it has every route and no other, what each can answer, and that its page stands alone.

use std::collections::{BTreeMap, BTreeSet};

use axum::body::Body;
use axum::http::{Method, StatusCode, header};
use serde_json::Value;
use shared::problem::Code;

use crate::support::{World, asked};

fn operations(document: &Value) -> BTreeMap<(String, String), &Value> {
    let paths = document["paths"].as_object().unwrap().iter();
    paths.flat_map(|(path, item)| item.as_object().unwrap().iter().map(move |(m, o)| ((path.clone(), m.clone()), o))).collect()
}

async fn document(world: &World) -> Value {
    world.get("/v1/openapi.json", "").await.json()
}

#[tokio::test]
async fn every_route_has_a_name_of_its_own() {
    let document = document(&World::new()).await;
    assert_eq!(document["openapi"], "3.1.0");
    let described: BTreeSet<_> = operations(&document).into_keys().collect();
    assert!(described.len() >= 40, "{}", described.len());
    let ids: BTreeSet<_> = operations(&document).into_values().map(|o| o["operationId"].as_str().unwrap().to_owned()).collect();
    assert_eq!(ids.len(), described.len(), "two routes have one name");
}

#[tokio::test]
async fn what_each_route_can_answer() {
    let document = document(&World::new()).await;
    let table: Vec<String> = operations(&document)
        .into_iter()
        .map(|((path, method), operation)| {
            let statuses: Vec<&str> = operation["responses"].as_object().unwrap().keys().map(String::as_str).collect();
            format!("{:<4} {path:<34} {:<29} {}", method.to_uppercase(), operation["tags"][0].as_str().unwrap(), statuses.join(" "))
        })
        .collect();
    insta::assert_snapshot!("routes", table.join("\n"));
}

#[tokio::test]
async fn whoever_shows_no_token_is_told_so_wherever_one_is_asked_for() {
    let world = World::new();
    let document = document(&world).await;
    for ((path, method), operation) in operations(&document) {
        if operation["tags"][0] == "anyone" {
            assert!(operation.get("security").is_none(), "{path}");
            continue;
        }
        let path = path.replace("{id}", "017f22e2-79b0-7cc3-98c4-dc0c0c07398f").replace("{sha256}", &"a0".repeat(32));
        let method: Method = method.to_uppercase().parse().unwrap();
        world.send(asked(method, &path, "").body(Body::empty()).unwrap()).await.problem(401, Code::TokenInvalid);
    }
}

#[tokio::test]
async fn every_refusal_is_described_as_problem_details_and_every_code_is_named() {
    let document = document(&World::new()).await;
    for ((path, method), operation) in operations(&document) {
        for (status, response) in operation["responses"].as_object().unwrap() {
            let types: Vec<&String> = response["content"].as_object().into_iter().flatten().map(|(name, _)| name).collect();
            if status.starts_with(['4', '5']) {
                assert_eq!(types, ["application/problem+json"], "{method} {path} {status}");
                assert_eq!(response["content"]["application/problem+json"]["schema"]["$ref"], "#/components/schemas/Problem");
            }
        }
    }
    let codes = document["components"]["schemas"]["Code"].clone();
    for code in Code::ALL {
        assert!(codes["enum"].as_array().unwrap().iter().any(|name| name == code.name()), "{code}");
        assert!(codes["description"].as_str().unwrap().contains(&format!("`{code}`")), "{code}");
    }
}

#[tokio::test]
async fn the_page_stands_alone() {
    let world = World::new();
    let answer = world.get("/docs", "").await;
    assert_eq!(answer.status, StatusCode::OK);
    assert!(answer.headers[header::CONTENT_TYPE].to_str().unwrap().starts_with("text/html"));
    let policy = answer.headers[header::CONTENT_SECURITY_POLICY].to_str().unwrap();
    assert!(policy.starts_with("default-src 'none'; style-src 'sha256-"), "{policy}");
    let page = String::from_utf8(answer.body).unwrap();
    for alien in ["<script", "<link", "<img", " src=", "url(", "href=\"http", " style=", " onclick="] {
        assert!(!page.contains(alien), "{alien}");
    }
    assert!(page.contains("<html lang=\"en\">") && page.contains("width=device-width"));
    let document = document(&world).await;
    for ((path, _), operation) in operations(&document) {
        let id = operation["operationId"].as_str().unwrap();
        assert!(page.contains(&format!("<article id=\"{id}\"")) && page.contains(&format!("href=\"#{id}\"")), "{path}");
    }
    // Every link within the page leads somewhere.
    for target in page.split("href=\"#").skip(1).map(|rest| rest.split('"').next().unwrap()) {
        assert!(page.contains(&format!("id=\"{target}\"")), "{target}");
    }
}
