//! What guards every answer and question: the headers on each, the name that is asked, and whose counts are nobody else's.

use std::sync::Arc;

use axum::http::{Method, StatusCode, header};
use serde_json::Value;
use server::{SystemClock, start};
use shared::problem::Code;

use crate::support::{Answer, World, asked, config};
use crate::wire::over;

#[tokio::test]
async fn every_route_and_every_refusal_tells_browsers_not_to_guess_and_to_come_over_tls() {
    for over_tls in [false, true] {
        let world = World::new().over_tls(over_tls);
        let office = world.office().await;
        let described: Value = world.get("/v1/openapi.json", "").await.json();
        let mut all: Vec<(Method, String)> = Vec::new();
        for (path, item) in described["paths"].as_object().unwrap() {
            let path: Vec<&str> =
                path.split('/').map(|step| if step.starts_with('{') { "017f22e2-79b0-7cc3-98c4-dc0c0c07398f" } else { step }).collect();
            all.extend(item.as_object().unwrap().keys().map(|method| (method.to_uppercase().parse().unwrap(), path.join("/"))));
        }
        assert!(all.len() > 50, "{}", all.len());
        let more = [
            "/nothing",
            "/phone",
            "/phone/",
            "/phone/nothing.js",
            "/office",
            "/office/sign-in",
            "/office/nothing",
            "/office/style.css",
            "/",
        ];
        all.extend(more.map(|path| (Method::GET, path.to_owned())));
        all.push((Method::DELETE, "/health".to_owned()));
        let mut seen = std::collections::BTreeSet::new();
        for (method, path) in &all {
            for token in ["", &office.token] {
                // A stream would not end.
                if path == "/v1/events" && !token.is_empty() {
                    continue;
                }
                let answer = world.send(asked(method.clone(), path, token).body(axum::body::Body::empty()).unwrap()).await;
                seen.insert(answer.status.as_u16());
                guarded(&answer, over_tls, &format!("{method} {path}"));
            }
        }
        assert!([200, 400, 401, 404, 405].iter().all(|status| seen.contains(status)), "{seen:?}");
    }
}

#[track_caller]
fn guarded(answer: &Answer, over_tls: bool, what: &str) {
    assert_eq!(
        answer.headers.get(header::X_CONTENT_TYPE_OPTIONS).map(|v| v.as_bytes()),
        Some(&b"nosniff"[..]),
        "{what}: {}",
        answer.status
    );
    let tls = answer.headers.get(header::STRICT_TRANSPORT_SECURITY).map(|v| v.to_str().unwrap());
    assert_eq!(tls, over_tls.then_some("max-age=31536000"), "{what}: {}", answer.status);
}

#[tokio::test]
async fn only_the_issuers_name_is_answered() {
    let world = World::new().named("https://book.example");
    let get = async |path: &str, host: &str| {
        let request = asked(Method::GET, path, "").header(header::HOST, host);
        world.send(request.body(axum::body::Body::empty()).unwrap()).await
    };
    assert_eq!(get("/.well-known/jwks.json", "book.example").await.status, StatusCode::OK);
    assert_eq!(get("/.well-known/jwks.json", "127.0.0.1:7878").await.status, StatusCode::OK);
    for path in ["/.well-known/jwks.json", "/office/sign-in", "/phone/", "/v1/due", "/nothing"] {
        get(path, "rebound.example").await.problem(421, Code::NotFound);
    }
    // Whoever watches over the server knows it under any name.
    assert_eq!(get("/health", "rebound.example").await.status, StatusCode::OK);
    assert_eq!(get("/ready", "rebound.example").await.status, StatusCode::OK);
}

#[tokio::test]
async fn counts_are_for_programs_here_and_for_no_proxy_whatever_it_calls_itself() {
    let folder = tempfile::tempdir().unwrap();
    let running = start(config(folder.path()), Arc::new(SystemClock::new().unwrap())).await.unwrap();
    let scraper = "user-agent: s\r\naccept: */*\r\naccept-encoding: gzip\r\nx-prometheus-scrape-timeout-seconds: 10";
    assert_eq!(over(running.address, &format!("GET /metrics HTTP/1.1\r\n{scraper}"), b"").await.status, StatusCode::OK);
    for passed_on in [
        "x-real-ip: 203.0.113.7",
        "x-forwarded-host: book.example",
        "x-forwarded-proto: https",
        "x-client-ip: 203.0.113.7",
        "true-client-ip: 203.0.113.7",
        "x-original-url: /metrics",
        "x-envoy-external-address: 203.0.113.7",
        "x-anything-new: 1",
        "cookie: a=b",
        "origin: http://rebound.example",
    ] {
        over(running.address, &format!("GET /metrics HTTP/1.1\r\n{passed_on}"), b"").await.problem(401, Code::TokenInvalid);
    }
    running.shutdown().await;
}
