//! The real program, in a sealed environment: its words, its exit codes, what its log does not say, what its files let
//! others see, and what it bears.

#![cfg(unix)]
#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "../common/certs.rs"]
mod certs;
mod files;
mod https;
#[cfg(target_os = "linux")]
mod memory;
#[path = "../common/real.rs"]
mod real;
mod secrets;
mod serving;

use std::io::{Read, Write};
use std::net::TcpStream;
use sync_core::book::Book;

use serving::{Serving, founding, program, said};

#[test]
fn what_it_was_told_wrong_is_said_with_the_way_out() {
    let (code, _, words) = said(&program(&[]).output().unwrap());
    assert_eq!(code, 2);
    assert!(words.contains("--data DIR"), "{words}");
    let (code, _, words) = said(&program(&["--data", "/nonexistent/shop", "--listen", "0.0.0.0:7878"]).output().unwrap());
    assert_eq!(code, 2);
    assert!(words.contains("--behind-tls-proxy"), "{words}");
    let (code, _, words) = said(&program(&["verify", "--data", "/nonexistent/shop"]).output().unwrap());
    assert_eq!(code, 3);
    assert!(words.contains("/nonexistent/shop"), "{words}");
    let (code, help, _) = said(&program(&["--help"]).output().unwrap());
    assert_eq!(code, 0);
    assert!(help.contains("verify") && help.contains("TAPPETBOOK_DATA"), "{help}");
}

#[test]
fn first_start_stop_and_verify_with_no_secret_in_the_log() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("shop");
    let mut command = program(&founding(&data));
    command.env("TAPPETBOOK_LOG_JSON", "1").env("TAPPETBOOK_LOG", "debug");
    let mut serving = Serving::start(command);
    let greeting = serving.until("start again");
    let code = greeting.split("--code ").nth(1).unwrap().split_whitespace().next().unwrap().to_owned();
    assert_eq!(code.len(), 11, "{greeting}");
    assert!(greeting.contains("tappet enrol --server http://127.0.0.1:"), "{greeting}");
    let address = greeting.split("http://").nth(1).unwrap().split_whitespace().next().unwrap();

    // A field of this name is repeated in the answer's sentence, and so must not be in the log.
    let body = format!("{{\"code\":\"{code}\",\"{code}\":1}}");
    let requests = [
        format!(
            "POST /v1/enrol HTTP/1.1\r\nhost: 127.0.0.1\r\nconnection: close\r\ncontent-type: application/json\r\ncontent-length: {}\r\n\r\n{body}",
            body.len()
        ),
        format!("GET /v1/due?code={code} HTTP/1.1\r\nhost: 127.0.0.1\r\nconnection: close\r\nauthorization: Bearer secret-{code}\r\n\r\n"),
        format!("GET /v1/{code} HTTP/1.1\r\nhost: 127.0.0.1\r\nconnection: close\r\nx-request-id: {code}\r\n\r\n"),
    ];
    for request in requests {
        let mut stream = TcpStream::connect(address).unwrap();
        stream.write_all(request.as_bytes()).unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        assert!(answer.contains("application/problem+json"), "{answer}");
    }

    let (words, exit, log) = serving.stop();
    assert!(words.contains("Stopping"), "{words}");
    assert_eq!(exit, Some(0));
    assert!(log.lines().count() >= 3 && log.contains("/v1/enrol"), "{log}");
    for line in log.lines() {
        serde_json::from_str::<serde_json::Value>(line).unwrap_or_else(|_| panic!("no JSON: {line}"));
    }
    assert!(!log.contains(&code) && !log.contains("secret-"), "{log}");

    let (exit, words, _) = said(&program(&["verify", "--data", data.to_str().unwrap()]).output().unwrap());
    assert_eq!(exit, 0);
    assert!(words.contains("No fault found."), "{words}");

    // A second start says nothing of a code.
    let mut serving = Serving::start(program(&["--data", data.to_str().unwrap(), "--listen", "127.0.0.1:0"]));
    let greeting = serving.until("listens on");
    let (exit, _, words) = said(&program(&["verify", "--data", data.to_str().unwrap()]).output().unwrap());
    assert_eq!(exit, 3);
    assert!(words.contains("another program"), "{words}");
    let (words, exit, _) = serving.stop();
    assert!(!format!("{greeting}{words}").contains("--code"));
    assert_eq!(exit, Some(0));
}

#[test]
fn verify_finds_what_was_changed_behind_the_books_back() {
    let folder = tempfile::tempdir().unwrap();
    let mut serving = Serving::start(program(&founding(folder.path())));
    serving.until("start again");
    serving.stop();
    let file = folder.path().join("shop.db");
    // A row that the records do not make: when the shop's own card came in.
    let book = Book::open(&file, &mut |bytes: &mut [u8]| bytes.fill(7)).unwrap();
    let first = book.store().log().changes_at(1).unwrap().remove(0);
    let card = sync_core::crypto::envelope::decode_unverified(&first.recipe.records[0].0).unwrap();
    book.store().log().mark_received(shared::record::Receipted { record: card.record.id, sha256: card.sha256 }, 1).unwrap();
    drop(book);
    let (exit, words, _) = said(&program(&["verify", "--data", folder.path().to_str().unwrap()]).output().unwrap());
    assert_eq!(exit, 1, "{words}");
    assert!(words.contains("Fault: "), "{words}");
}
