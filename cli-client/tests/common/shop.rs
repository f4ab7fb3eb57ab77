//! A shop that answers over loopback HTTP, one request at a time, as the real server does; and can be told to fail.

#![allow(clippy::unwrap_used, reason = "a test's own world fails by panicking")]

use std::collections::VecDeque;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, Mutex};

use shared::ids::{DeviceId, PersonId};
use shared::problem::{Code, Problem};
use shared::record::ShopCard;
use shared::wire::{CodeRequest, TokenAnswer};
use sync_core::book::enrol::{EnrolError, Founding};
use sync_core::book::login::LoginError;
use sync_core::server::SharedBook;
use sync_core::sync::{read_body, write_body};
use sync_core::sys::clock::ClockReading;

/// What goes wrong with the next request.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Fault {
    /// Something in front of the server answers for it.
    Gateway,
    /// An answer that is none.
    Garbage,
    /// The answer is cut off.
    Cut,
    /// The token is said not to hold.
    TokenLapsed,
    /// The request is sent somewhere else.
    Elsewhere,
}

/// The shop's side.
pub(crate) struct TestShop {
    pub(crate) url: String,
    pub(crate) first_code: String,
    pub(crate) faults: Arc<Mutex<VecDeque<Fault>>>,
}

type Answer = (u16, &'static str, Vec<u8>);

impl TestShop {
    /// Founds a shop in a folder and answers for as long as the test runs.
    pub(crate) fn start(folder: &Path, clock_ms: Arc<AtomicI64>) -> Self {
        let settings = ShopCard::usual("Test Shop", "UTC");
        let founding = Founding { shop: settings, office_name: "Olga Voss".into(), issuer: "https://shop.test".into() };
        let entropy = Box::new(|buffer: &mut [u8]| getrandom::fill(buffer).unwrap());
        let now = ClockReading::at(clock_ms.load(Ordering::SeqCst));
        let opened = SharedBook::open(&folder.join("shop.db"), &founding, &now, entropy).unwrap();
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let url = format!("http://{}", listener.local_addr().unwrap());
        let faults = Arc::new(Mutex::new(VecDeque::new()));
        let (shop, told) = (opened.shop, Arc::clone(&faults));
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                let fault = told.lock().unwrap().pop_front();
                serve(&shop, &ClockReading::at(clock_ms.load(Ordering::SeqCst)), fault, stream.unwrap());
            }
        });
        Self { url, first_code: opened.first_code.unwrap(), faults }
    }

    pub(crate) fn fail_next(&self, faults: &[Fault]) {
        self.faults.lock().unwrap().extend(faults);
    }
}

fn serve(shop: &SharedBook, now: &ClockReading, fault: Option<Fault>, mut stream: TcpStream) {
    let mut reader = BufReader::new(stream.try_clone().unwrap());
    let mut line = String::new();
    reader.read_line(&mut line).unwrap();
    let (mut length, mut token) = (0, String::new());
    let path = line.split_whitespace().nth(1).unwrap_or_default().to_owned();
    loop {
        line.clear();
        reader.read_line(&mut line).unwrap();
        let Some((name, value)) = line.trim().split_once(':') else { break };
        match name.to_ascii_lowercase().as_str() {
            "content-length" => length = value.trim().parse().unwrap(),
            "authorization" => value.trim().trim_start_matches("Bearer ").clone_into(&mut token),
            _ => {}
        }
    }
    let mut body = vec![0; length];
    reader.read_exact(&mut body).unwrap();
    let lapsed = (Code::TokenInvalid, "The access token has ended. Log in again.".to_owned());
    let (status, headers, body) = match fault {
        None => answer(shop, now, &path, &token, &body),
        Some(Fault::Gateway) => (502, "content-type: text/html", b"<html>bad gateway</html>".to_vec()),
        Some(Fault::Garbage | Fault::Cut) => (200, "content-type: application/cbor", b"nothing of the kind".to_vec()),
        Some(Fault::TokenLapsed) => problem(lapsed.0, lapsed.1, now),
        Some(Fault::Elsewhere) => (302, "location: http://127.0.0.1:9/", Vec::new()),
    };
    let promised = if fault == Some(Fault::Cut) { body.len() + 100 } else { body.len() };
    let head = format!("HTTP/1.1 {status} Told\r\n{headers}\r\ncontent-length: {promised}\r\nconnection: close\r\n\r\n");
    stream.write_all(head.as_bytes()).and_then(|()| stream.write_all(&body)).unwrap();
}

fn answer(shop: &SharedBook, now: &ClockReading, path: &str, token: &str, body: &[u8]) -> Answer {
    let told = match path {
        "/v1/enrol" => shop.write(|book, entropy| book.admit_device(&serde_json::from_slice(body).unwrap(), now, entropy)).map(|answer| json(&answer)).map_err(of_enrolment),
        "/v1/token" => {
            let form = String::from_utf8(body.to_vec()).unwrap();
            let assertion = form.split('&').find_map(|field| field.strip_prefix("client_assertion=")).unwrap();
            let token = |(access_token, life_s): (String, i64)| TokenAnswer {
                access_token,
                token_type: "Bearer".into(),
                expires_in: life_s.unsigned_abs(),
            };
            shop.read(|book| book.tokens().log_in(assertion, now)).map(|told| json(&token(told))).map_err(of_log_in)
        }
        "/v1/exchange" => bearer(shop, token, now).map(|(device, _)| {
            let answer = shop.write(|book, entropy| book.peer().answer(device, &read_body(body, true).unwrap(), now, entropy)).unwrap();
            (200, "content-type: application/cbor\r\ncontent-encoding: zstd", write_body(&answer, true).unwrap())
        }),
        "/v1/codes" => bearer(shop, token, now).and_then(|(_, by)| {
            let request: CodeRequest = serde_json::from_slice(body).unwrap();
            shop.write(|book, entropy| book.issue_code(by, request.person, now, entropy)).map(|code| json(&code)).map_err(of_enrolment)
        }),
        path if path.starts_with("/v1/day-sheet") => {
            bearer(shop, token, now).map(|_| json(&shop.read(|book| book.days().day_sheet(None, shared::length::LengthUnit::Thou, now)).unwrap()))
        }
        "/v1/quarantine?limit=500" => bearer(shop, token, now).map(|_| {
            json(
                &serde_json::json!({ "items": shop.read(|book| book.reader().quarantine_views(None, 0, usize::MAX, shared::length::LengthUnit::Thou, now)).unwrap() }),
            )
        }),
        other => Err((Code::NotFound, format!("There is no {other} here."))),
    };
    told.unwrap_or_else(|(code, detail)| problem(code, detail, now))
}

fn json(answer: &impl serde::Serialize) -> Answer {
    (200, "content-type: application/json", serde_json::to_vec(answer).unwrap())
}

fn problem(code: Code, detail: String, now: &ClockReading) -> Answer {
    let status = if code == Code::NotFound { 404 } else { 401 };
    let shop_time_ms = (code == Code::ClockWrong).then_some(now.wall_ms);
    let problem = Problem { shop_time_ms, ..Problem::new(code, status, detail) };
    (status, "content-type: application/problem+json", serde_json::to_vec(&problem).unwrap())
}

fn bearer(shop: &SharedBook, token: &str, now: &ClockReading) -> Result<(DeviceId, PersonId), (Code, String)> {
    shop.read(|book| book.tokens().bearer_with_role(token, now)).map(|(device, person, _)| (device, person)).map_err(of_log_in)
}

fn of_log_in(error: LoginError) -> (Code, String) {
    match error {
        LoginError::Refused(code, detail) => (code, detail),
        LoginError::Book(error) => (Code::Internal, error.to_string()),
    }
}

fn of_enrolment(error: EnrolError) -> (Code, String) {
    match error {
        EnrolError::Refused(code, detail) => (code, detail),
        EnrolError::Book(error) => (Code::Internal, error.to_string()),
    }
}
