//! Requests that two readers may read differently, paths in disguise, and methods of one's own.

use axum::body::Body;
use axum::http::{Method, StatusCode};
use server::Limits;
use shared::problem::Code;
use shared::role::Role;

use crate::support::{World, asked};
use crate::wire::{Served, raw};

const ENROL: &str = "POST /v1/enrol HTTP/1.1\r\nhost: 127.0.0.1\r\ncontent-type: application/json\r\n";
/// What a smuggler hides behind a request: answered, it would be a second answer.
const HIDDEN: &str = "GET /health HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n";

fn answers(said: &str) -> Vec<&str> {
    said.match_indices("HTTP/1.1 ").map(|(at, _)| &said[at + 9..at + 12]).collect()
}

#[tokio::test]
async fn lengths_that_contradict_each_other_hide_nothing() {
    let shop = Served::with(Limits::default()).await;
    for (what, lines, body, status) in [
        ("length, then chunks", "content-length: 4\r\ntransfer-encoding: chunked\r\n", "2\r\n{}\r\n0\r\n\r\n", "400"),
        ("chunks, then length", "transfer-encoding: chunked\r\ncontent-length: 4\r\n", "2\r\n{}\r\n0\r\n\r\n", "400"),
        ("chunks that end at once, and a length", "transfer-encoding: chunked\r\ncontent-length: 5\r\n", "0\r\n\r\n", "400"),
        ("two lengths", "content-length: 2\r\ncontent-length: 40\r\n", "{}", "400"),
        ("two lengths in one", "content-length: 2, 40\r\n", "{}", "400"),
        ("a signed length", "content-length: +2\r\n", "{}", "400"),
        ("a negative length", "content-length: -2\r\n", "{}", "400"),
        ("a hexadecimal length", "content-length: 0x2\r\n", "{}", "400"),
        ("a length beyond all numbers", "content-length: 99999999999999999999999\r\n", "{}", "400"),
        ("chunks inside another coding", "transfer-encoding: chunked, gzip\r\n", "2\r\n{}\r\n0\r\n\r\n", "400"),
        ("a coding that is not chunks", "transfer-encoding: xchunked\r\n", "2\r\n{}\r\n0\r\n\r\n", "400"),
        ("a chunk size that is none", "transfer-encoding: chunked\r\n", "zz\r\n{}\r\n0\r\n\r\n", "400"),
        ("a negative chunk size", "transfer-encoding: chunked\r\n", "-2\r\n{}\r\n0\r\n\r\n", "400"),
        ("a chunk size beyond all numbers", "transfer-encoding: chunked\r\n", "fffffffffffffffff\r\n{}\r\n0\r\n\r\n", "400"),
        ("a chunk longer than it says", "transfer-encoding: chunked\r\n", "1\r\n{}\r\n0\r\n\r\n", "400"),
        ("a space before the colon", "content-length : 2\r\n", "{}", "400"),
        ("a folded field", "x: a\r\n content-length: 2\r\n", "", "400"),
        ("a line that ends in the middle", "x: a\rcontent-length: 2\r\n", "", "400"),
        ("a NUL in a field", "x: a\0b\r\n", "", "400"),
    ] {
        let said = raw(shop.address(), format!("{ENROL}{lines}\r\n{body}{HIDDEN}").as_bytes()).await;
        assert_eq!(answers(&said), [status], "{what}: {said}");
    }
}

#[tokio::test]
async fn a_request_line_that_is_none_is_refused() {
    let shop = Served::with(Limits::default()).await;
    for (what, line, status) in [
        ("an older protocol", "GET /health", "400"),
        ("a newer protocol", "GET /health HTTP/2.0", "400"),
        ("the next protocol's own words", "PRI * HTTP/2.0\r\n\r\nSM", "400"),
        ("two spaces", "GET  /health HTTP/1.1", "400"),
        ("a NUL in the path", "GET /v1/\0 HTTP/1.1", "400"),
        ("raw bytes in the path", "GET /v1/\u{1}\u{7f} HTTP/1.1", "400"),
        ("no path", "GET HTTP/1.1", "400"),
        ("a path beyond all measure", &format!("GET /{} HTTP/1.1", "a".repeat(70_000)), "431"),
        ("a method with brackets", "G(T /health HTTP/1.1", "400"),
    ] {
        let said = raw(shop.address(), format!("{line}\r\nhost: 127.0.0.1\r\nconnection: close\r\n\r\n").as_bytes()).await;
        assert_eq!(answers(&said), [status], "{what}: {said}");
    }
    // These are requests, and find nothing.
    for (line, status) in [
        ("GET /a/../health HTTP/1.1", "404"),
        ("GET http://elsewhere.example/v1/nothing HTTP/1.1", "421"),
        ("OPTIONS * HTTP/1.1", "404"),
        ("TRACE /health HTTP/1.1", "405"),
        ("CONNECT elsewhere.example:443 HTTP/1.1", "421"),
    ] {
        let said = raw(shop.address(), format!("{line}\r\nhost: 127.0.0.1\r\nconnection: close\r\n\r\n").as_bytes()).await;
        assert_eq!(answers(&said), [status], "{line}: {said}");
        assert!(said.contains("application/problem+json"), "{line}: {said}");
    }
}

#[tokio::test]
async fn a_path_in_disguise_opens_nothing_more() {
    let world = World::new();
    let mut office = world.office().await;
    let (_, closed) = world.machine(&mut office, "B-07").await;
    let helper = world.join(&mut office, "Dov", Role::Helper, None).await;
    let hex = closed.to_string();
    let plain = hex.replace('-', "");
    let ways = [
        format!("/v1/machines/{hex}/"),
        format!("/v1//machines/{hex}"),
        format!("//v1/machines/{hex}"),
        format!("/v1/due/../machines/{hex}"),
        format!("/v1/due/%2e%2e/machines/{hex}"),
        format!("/v1%2fmachines%2f{hex}"),
        format!("/v1/machines/{hex}%00"),
        format!("/v1/machines/%00{hex}"),
        format!("/v1/machines/{hex}%2fsure"),
        format!("/v1/machines/{hex}%20"),
        format!("/v1/machines/{hex};x=1"),
        format!("/V1/machines/{hex}"),
        "/v1/machines/%ff%fe".to_owned(),
        "/v1/machines/%".to_owned(),
        "/v1/machines/%zz".to_owned(),
        format!("/v1/machines/{}", "a".repeat(20_000)),
        format!("/v1/machines/{}", hex.to_uppercase()),
        format!("/v1/machines/{plain}"),
        format!("/v1/machines/%7B{hex}%7D"),
        format!("/v1/machines/urn:uuid:{hex}"),
        format!("/v1/machines/{}", hex.replacen('-', "%2d", 1)),
    ];
    for way in ways {
        let answer = world.get(&way, &helper.token).await;
        assert_eq!(answer.status, StatusCode::NOT_FOUND, "{way}: {}", String::from_utf8_lossy(&answer.body));
        let problem: shared::problem::Problem = serde_json::from_slice(&answer.body).unwrap();
        assert!(matches!(problem.code, Code::NotFound | Code::DocumentClosed), "{way}: {problem:?}");
        world.get(&way, "").await;
    }
    // The same id in other letters is the same machine to whom it is open, and nothing else.
    assert_eq!(world.get(&format!("/v1/machines/{}", hex.to_uppercase()), &office.token).await.status, StatusCode::OK);
}

#[tokio::test]
async fn a_method_of_ones_own_and_a_method_said_elsewhere_change_nothing() {
    let world = World::new();
    let office = world.office().await;
    for method in ["BREW", "get", "PROPFIND", "GET2"] {
        let method = Method::from_bytes(method.as_bytes()).unwrap();
        world.send(asked(method, "/v1/codes", &office.token).body(Body::empty()).unwrap()).await.problem(405, Code::NotFound);
    }
    for field in ["x-http-method-override", "x-http-method", "x-method-override"] {
        let said = asked(Method::GET, "/v1/codes", &office.token).header(field, "POST").body(Body::empty()).unwrap();
        world.send(said).await.problem(405, Code::NotFound);
    }
    world.get("/v1/codes?_method=POST", &office.token).await.problem(405, Code::NotFound);
    // HEAD says what GET would, without a body, and is as closed as it.
    let head = world.send(asked(Method::HEAD, "/v1/due", "").body(Body::empty()).unwrap()).await;
    assert_eq!((head.status, head.body.len()), (StatusCode::UNAUTHORIZED, 0));
}

#[tokio::test]
async fn other_ways_to_hand_a_token_in_are_none() {
    let world = World::new();
    let office = world.office().await;
    let token = &office.token;
    world.get(&format!("/v1/due?access_token={token}"), "").await.problem(401, Code::TokenInvalid);
    for (field, value) in [
        ("cookie", format!("access_token={token}")),
        ("x-authorization", format!("Bearer {token}")),
        ("proxy-authorization", format!("Bearer {token}")),
        ("authorization", format!("Bearer{token}")),
        ("authorization", token.clone()),
        ("authorization", format!("Bearer {token}, Bearer {token}")),
        ("authorization", format!("Bearer {token} {token}")),
    ] {
        let asked = asked(Method::GET, "/v1/due", "").header(field, value).body(Body::empty()).unwrap();
        world.send(asked).await.problem(401, Code::TokenInvalid);
    }
    let forwarded = asked(Method::GET, "/v1/due", "").header("x-forwarded-user", "Ana").header("x-forwarded-for", "127.0.0.1");
    world.send(forwarded.body(Body::empty()).unwrap()).await.problem(401, Code::TokenInvalid);
}
