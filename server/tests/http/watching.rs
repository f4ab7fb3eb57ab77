//! Watching over the server: ready or not, what it counts and for whom, and one id through answer, problem and log.

use std::io::Write;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use axum::http::StatusCode;
use serde_json::Value;
use server::{SystemClock, start};
use shared::problem::{Code, Problem};
use shared::role::Role;
use shared::wire::CodeRequest;
use tracing_subscriber::filter::LevelFilter;

use crate::support::{World, chance, config, reading};
use crate::wire::over;

#[tokio::test]
async fn a_book_that_does_not_answer_is_not_ready_and_up_all_the_same() {
    let held = Arc::new(AtomicBool::new(false));
    let holding = Arc::clone(&held);
    let world = World::with(Box::new(move |buffer: &mut [u8]| {
        while holding.load(Ordering::SeqCst) {
            std::thread::sleep(Duration::from_millis(5));
        }
        chance(buffer);
    }));
    let office = world.office().await;
    assert_eq!(world.get("/ready", "").await.json::<Value>()["status"], "ready");
    held.store(true, Ordering::SeqCst);
    let (router, token, person) = (world.router.clone(), office.token.clone(), office.person());
    let step = tokio::spawn(async move {
        let body = serde_json::to_vec(&CodeRequest { person }).unwrap();
        let request = crate::support::asked(axum::http::Method::POST, "/v1/codes", &token).header("content-type", "application/json");
        tower::ServiceExt::oneshot(router, request.body(axum::body::Body::from(body)).unwrap()).await.unwrap().status()
    });
    tokio::time::sleep(Duration::from_millis(200)).await;
    world.get("/ready", "").await.problem(503, Code::Internal);
    assert_eq!(world.get("/health", "").await.json::<Value>()["status"], "up");
    held.store(false, Ordering::SeqCst);
    assert_eq!(step.await.unwrap(), StatusCode::OK);
    assert_eq!(world.get("/ready", "").await.status, StatusCode::OK);
}

#[tokio::test]
async fn what_is_counted_is_for_the_office_and_is_right() {
    let world = World::new();
    let mut office = world.office().await;
    let (property, machine) = world.machine(&mut office, "A-12").await;
    let mut ben = world.join(&mut office, "Ben", Role::Tech, Some(property)).await;
    world.get("/metrics", "").await.problem(401, Code::TokenInvalid);
    world.get("/metrics", &ben.token).await.problem(403, Code::RoleMayNot);
    let count = async |line: &str| -> f64 {
        let answer = world.get("/metrics", &office.token).await;
        assert_eq!(answer.headers["content-type"], "text/plain; version=0.0.4; charset=utf-8");
        let text = String::from_utf8(answer.body).unwrap();
        text.lines().find_map(|have| have.strip_prefix(line)).map_or(0.0, |rest| rest.trim().parse().unwrap())
    };
    let (taken, exchanges) = ("tappetbook_records_total{outcome=\"taken\"}", "tappetbook_exchange_seconds_count");
    let route = "tappetbook_requests_total{method=\"GET\",route=\"/v1/machines/{id}\",status=\"404\"}";
    let before = (count(taken).await, count(exchanges).await, count("tappetbook_log_position").await);
    ben.state(&world, machine, vec![reading(4, 5), reading(5, 6)]);
    let exchanged = ben.level(&world).await.len();
    world.get("/v1/machines/nonsense", &ben.token).await.problem(404, Code::DocumentClosed);
    assert_eq!(count(taken).await - before.0, 2.0);
    assert_eq!(count(exchanges).await - before.1, f64::from(u8::try_from(exchanged).unwrap()));
    assert!(count("tappetbook_log_position").await > before.2);
    assert_eq!((count(route).await, count("tappetbook_quarantine_waiting").await), (1.0, 0.0));
    // Nothing of what is asked for gets in: neither names nor ids.
    let text = String::from_utf8(world.get("/metrics", &office.token).await.body).unwrap();
    assert!(!text.contains("nonsense") && !text.contains("A-12") && !text.contains(&machine.to_string()), "{text}");
}

#[tokio::test]
async fn a_program_on_the_servers_own_computer_needs_no_token_unless_it_passes_somebody_on() {
    let folder = tempfile::tempdir().unwrap();
    let running = start(config(folder.path()), Arc::new(SystemClock::new().unwrap())).await.unwrap();
    let here = over(running.address, "GET /metrics HTTP/1.1", b"").await;
    assert_eq!(here.status, StatusCode::OK);
    for passed_on in ["x-forwarded-for: 203.0.113.7", "forwarded: for=203.0.113.7", "via: 1.1 proxy", "authorization: Bearer x"] {
        over(running.address, &format!("GET /metrics HTTP/1.1\r\n{passed_on}"), b"").await.problem(401, Code::TokenInvalid);
    }
    over(running.address, "GET /v1/status HTTP/1.1", b"").await.problem(401, Code::TokenInvalid);
    running.shutdown().await;

    let folder = tempfile::tempdir().unwrap();
    let mut behind = config(folder.path());
    behind.behind_tls_proxy = true;
    behind.issuer = Some("https://book.example".to_owned());
    let running = start(behind, Arc::new(SystemClock::new().unwrap())).await.unwrap();
    over(running.address, "GET /metrics HTTP/1.1", b"").await.problem(401, Code::TokenInvalid);
    running.shutdown().await;
}

#[derive(Clone, Default)]
struct Lines(Arc<Mutex<Vec<u8>>>);

impl Write for Lines {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().unwrap().extend_from_slice(bytes);
        Ok(bytes.len())
    }
    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

#[tokio::test]
async fn one_id_is_in_the_answer_in_the_problem_and_in_every_line_of_the_log() {
    let world = World::new();
    let lines = Lines::default();
    let writer = lines.clone();
    let log = tracing_subscriber::fmt().json().with_max_level(LevelFilter::INFO).with_writer(move || writer.clone()).finish();
    let ids: Vec<String> = {
        let _log = tracing::subscriber::set_default(log);
        let mut ids = Vec::new();
        for path in ["/v1/due", "/nowhere", "/health"] {
            let answer = world.get(path, "").await;
            let id = answer.headers["x-request-id"].to_str().unwrap().to_owned();
            if !answer.status.is_success() {
                let problem: Problem = serde_json::from_slice(&answer.body).unwrap();
                assert_eq!(problem.instance, Some(format!("urn:tappetbook:request:{id}")));
            }
            ids.push(id);
        }
        ids
    };
    let text = String::from_utf8(lines.0.lock().unwrap().clone()).unwrap();
    let lines: Vec<Value> = text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert!(lines.iter().all(|line| ids.iter().any(|id| line["span"]["id"] == id.as_str())), "{text}");
    for (id, least) in ids.iter().zip([2, 2, 1]) {
        assert!(lines.iter().filter(|line| line["span"]["id"] == id.as_str()).count() >= least, "{id}: {text}");
    }
}
