//! Live events: who is told of what, what ends a stream, and how one goes on.

use std::sync::Arc;
use std::time::Duration;

use axum::body::{Body, BodyDataStream};
use axum::http::{Method, StatusCode, header};
use futures_util::StreamExt;
use serde_json::Value;
use server::{Clock, Limits, SystemClock, start};
use shared::problem::Code;
use shared::record::DeviceRevoked;
use shared::role::Role;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tower::ServiceExt;

use crate::support::{Device, World, asked, chance, config, reading};
use crate::wire::{log_in, over};

/// A stream as a browser reads it: fields of the events, comments left out.
struct Stream {
    body: BodyDataStream,
    text: String,
}

#[derive(Debug)]
struct Told {
    event: String,
    id: String,
    data: Value,
}

impl Stream {
    async fn open(world: &World, token: &str, last: Option<&str>) -> Self {
        let mut request = asked(Method::GET, "/v1/events", token);
        if let Some(last) = last {
            request = request.header("last-event-id", last);
        }
        let response = world.router.clone().oneshot(request.body(Body::empty()).unwrap()).await.unwrap();
        assert_eq!(response.status(), StatusCode::OK);
        assert_eq!(response.headers()[header::CONTENT_TYPE], "text/event-stream");
        assert!(!response.headers().contains_key(header::ETAG));
        Self { body: response.into_body().into_data_stream(), text: String::new() }
    }

    /// The next event; `None` where the stream has ended.
    async fn next(&mut self) -> Option<Told> {
        loop {
            if let Some((block, rest)) = self.text.split_once("\n\n") {
                let field = |name: &str| block.lines().find_map(|line| line.strip_prefix(&format!("{name}: "))).map(str::to_owned);
                let told = field("event").map(|event| Told {
                    event,
                    id: field("id").unwrap(),
                    data: serde_json::from_str(&field("data").unwrap()).unwrap(),
                });
                self.text = rest.to_owned();
                if told.is_some() {
                    return told;
                }
                continue;
            }
            let more = tokio::time::timeout(Duration::from_secs(20), self.body.next()).await.expect("nothing came");
            self.text.push_str(std::str::from_utf8(&more?.unwrap()).unwrap());
        }
    }
}

fn often() -> Limits {
    Limits { keep_alive: Duration::from_millis(100), streams: 3, streams_of_one: 2, ..Limits::default() }
}

fn documents(told: &Told) -> Vec<String> {
    told.data["documents"].as_array().unwrap().iter().map(|doc| doc.as_str().unwrap().to_owned()).collect()
}

#[tokio::test]
async fn a_listener_is_told_of_what_they_may_read_and_goes_on_where_they_were() {
    let world = World::new();
    let mut office = world.office().await;
    let (property, machine) = world.machine(&mut office, "A-12").await;
    let (elsewhere, other) = world.machine(&mut office, "B-07").await;
    let mut ben = world.join(&mut office, "Ben", Role::Tech, Some(property)).await;
    let mut cleo = world.join(&mut office, "Cleo", Role::Tech, Some(elsewhere)).await;
    let mut bens = Stream::open(&world, &ben.token, None).await;
    let mut offices = Stream::open(&world, &office.token, None).await;
    let first = bens.next().await.unwrap();
    assert_eq!((first.event.as_str(), documents(&first).len()), ("moved", 0));
    let began = offices.next().await.unwrap();

    cleo.state(&world, other, vec![reading(4, 5)]);
    cleo.level(&world).await;
    assert_eq!(documents(&offices.next().await.unwrap()), [other.to_string()]);
    ben.state(&world, machine, vec![reading(4, 5)]);
    ben.level(&world).await;
    // Of Cleo's machine Ben hears nothing.
    let told = bens.next().await.unwrap();
    assert_eq!(documents(&told), [machine.to_string()]);
    assert!(told.data["position"].as_u64() > first.data["position"].as_u64());

    let mut again = Stream::open(&world, &office.token, Some(&began.id)).await;
    assert_eq!(documents(&again.next().await.unwrap()), [machine.to_string(), other.to_string()]);
    for foreign in ["1.1", "nonsense", "18446744073709551615.0"] {
        let mut foreign = Stream::open(&world, &ben.token, Some(foreign)).await;
        assert_eq!(foreign.next().await.unwrap().event, "resync");
    }
}

#[tokio::test]
async fn a_stream_ends_with_its_token_and_with_its_device() {
    let world = World::bounded(Box::new(chance), often());
    let mut office = world.office().await;
    let ben = world.join(&mut office, "Ben", Role::Tech, None).await;
    let mut bens = Stream::open(&world, &ben.token, None).await;
    bens.next().await.unwrap();
    let device = ben.book.identity().unwrap().device;
    let roster = office.book.identity().unwrap().root.shop.roster();
    office.state(&world, roster, vec![DeviceRevoked { device, reason: "lost".to_owned() }.into()]);
    office.level(&world).await;
    assert!(bens.next().await.is_none());
    world.get("/v1/events", &ben.token).await.problem(401, Code::DeviceRevoked);

    let mut offices = Stream::open(&world, &office.token, None).await;
    offices.next().await.unwrap();
    world.clock.on(16 * 60_000);
    assert!(offices.next().await.is_none());
    world.get("/v1/events", "").await.problem(401, Code::TokenInvalid);
}

#[tokio::test]
async fn streams_are_counted_and_their_places_are_given_back() {
    let world = World::bounded(Box::new(chance), often());
    let mut office = world.office().await;
    let ben = world.join(&mut office, "Ben", Role::Tech, None).await;
    let first = Stream::open(&world, &ben.token, None).await;
    let second = Stream::open(&world, &ben.token, None).await;
    world.get("/v1/events", &ben.token).await.problem(429, Code::TooMany);
    let third = Stream::open(&world, &office.token, None).await;
    world.get("/v1/events", &office.token).await.problem(429, Code::TooMany);
    drop((first, second, third));
    Stream::open(&world, &ben.token, None).await;
}

#[tokio::test]
async fn a_server_that_stops_ends_its_streams_and_waits_for_none() {
    let folder = tempfile::tempdir().unwrap();
    let clock = Arc::new(SystemClock::new().unwrap());
    let running = start(config(folder.path()), clock.clone()).await.unwrap();
    let mut desk = Device::blank();
    let request = desk.book.enrol_request(running.first_code.as_deref().unwrap(), "desk", &clock.now(), &mut chance).unwrap();
    let answer =
        over(running.address, "POST /v1/enrol HTTP/1.1\r\ncontent-type: application/json", &serde_json::to_vec(&request).unwrap()).await;
    desk.book.enrolled(&answer.json(), &running.url()).unwrap();
    let token = log_in(&desk, running.address, &*clock).await;
    let mut stream = TcpStream::connect(running.address).await.unwrap();
    let head = format!("GET /v1/events HTTP/1.1\r\nhost: 127.0.0.1\r\nauthorization: Bearer {token}\r\n\r\n");
    stream.write_all(head.as_bytes()).await.unwrap();
    let mut seen = [0; 2048];
    let mut text = String::new();
    while !text.contains("event: moved") {
        let count = stream.read(&mut seen).await.unwrap();
        assert!(count > 0, "{text}");
        text.push_str(std::str::from_utf8(&seen[..count]).unwrap());
    }
    tokio::time::timeout(Duration::from_secs(5), running.shutdown()).await.expect("the stream held the server up");
}
