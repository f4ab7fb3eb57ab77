//! What the log does not say, however much it is told to say: codes, keys, tokens, records.

use std::fs::File;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::process::Stdio;
use sync_core::store::MetaKey;

use base64::Engine;
use base64::prelude::{BASE64_STANDARD_NO_PAD, BASE64_URL_SAFE_NO_PAD};
use shared::wire::ASSERTION_TYPE;
use sync_core::book::Book;

use crate::real::{chance, now, tappet};
use crate::serving::{Serving, founding, program};

/// One request written out by hand; the whole answer.
fn ask(address: &str, head: &str, body: &[u8]) -> String {
    let mut stream = TcpStream::connect(address).unwrap();
    let head = format!("{head}\r\nhost: 127.0.0.1\r\nconnection: close\r\ncontent-length: {}\r\n\r\n", body.len());
    stream.write_all(&[head.as_bytes(), body].concat()).unwrap();
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).unwrap();
    String::from_utf8_lossy(&answer).into_owned()
}

/// Bytes in every form in which a log might have them. The first 24 are enough, and survive every cut and every base64.
fn forms(bytes: &[u8]) -> Vec<Vec<u8>> {
    let part = &bytes[..bytes.len().min(24)];
    let hex: String = part.iter().map(|byte| format!("{byte:02x}")).collect();
    let numbers = part.iter().map(u8::to_string).collect::<Vec<_>>().join(", ");
    let mut forms = vec![part.to_vec(), hex.to_uppercase().into_bytes(), hex.into_bytes(), numbers.into_bytes()];
    forms.push(BASE64_STANDARD_NO_PAD.encode(part).into_bytes());
    forms.push(BASE64_URL_SAFE_NO_PAD.encode(part).into_bytes());
    forms.push(part.escape_ascii().to_string().into_bytes());
    forms
}

fn holds(log: &[u8], sought: &[u8]) -> bool {
    log.windows(sought.len()).any(|window| window == sought)
}

#[test]
fn the_log_at_its_most_talkative_holds_no_secret() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("shop");
    let log_path = folder.path().join("log");
    let mut command = program(&founding(&data));
    command.env("TAPPETBOOK_LOG", "trace").stderr(Stdio::from(File::create(&log_path).unwrap()));
    let mut serving = Serving::start(command);
    let (server, code) = serving.greeted();
    let address = server.trim_start_matches("http://").to_owned();
    let book_path = folder.path().join("desk.db");
    let done = |args: &[&str]| {
        let (exit, words) = tappet(&book_path, args);
        assert_eq!(exit, 0, "{args:?}: {words}");
        words
    };
    done(&["enrol", "--server", &server, "--code", &code]);
    done(&["office", "property", "add", "Yard"]);
    done(&["office", "machine", "add", "K-9", "--property", "Yard", "--cylinders", "1"]);
    done(&["office", "person", "add", "Tove Ask", "--role", "tech"]);
    let second: serde_json::Value = serde_json::from_str(&done(&["office", "device", "code", "Tove Ask"])).unwrap();
    let second_code = second["code"].as_str().unwrap().to_owned();
    let phone_path = folder.path().join("phone.db");
    assert_eq!(tappet(&phone_path, &["enrol", "--server", &server, "--code", &second_code]).0, 0);
    let noted: serde_json::Value = serde_json::from_str(&done(&["note", "K-9", "the gate code is 4711-quince"])).unwrap();
    done(&["exchange"]);

    // And everything that goes wrong.
    let desk = Book::open(&book_path, &mut chance).unwrap();
    let token: serde_json::Value = desk.store().meta(&MetaKey::new("token")).unwrap().unwrap();
    let token = token["token"].as_str().unwrap().to_owned();
    let mut secrets: Vec<(&str, Vec<u8>)> = vec![("the first code", code.clone().into()), ("the second code", second_code.clone().into())];
    secrets.push(("the code without its stroke", code.replace('-', "").into()));
    secrets.push(("an access token", token.split('.').nth(2).unwrap().into()));
    secrets.push(("an access token's claims", token.split('.').nth(1).unwrap()[30..].into()));
    let form_type = "POST /v1/token HTTP/1.1\r\ncontent-type: application/x-www-form-urlencoded";
    let mut seen = Vec::new();
    for (offset_ms, times) in [(0, 2), (3_600_000, 1)] {
        let assertion = desk.tokens().assertion(&now(), offset_ms, &mut chance).unwrap();
        let form = format!("grant_type=client_credentials&client_assertion_type={ASSERTION_TYPE}&client_assertion={assertion}");
        for _ in 0..times {
            seen.push(ask(&address, form_type, form.as_bytes()));
        }
        seen.push(ask(&address, form_type, form.replace("client_credentials", &assertion[..60]).as_bytes()));
        seen.push(ask(&address, &format!("GET /v1/due HTTP/1.1\r\nauthorization: Bearer {assertion}"), b""));
        seen.push(ask(&address, &format!("GET /v1/due?token={token} HTTP/1.1\r\nauthorization: Basic {token}"), b""));
        seen.push(ask(&address, &format!("GET /v1/{assertion} HTTP/1.1\r\ncookie: {token}"), b""));
        secrets.push(("an assertion", assertion.split('.').nth(2).unwrap().into()));
    }
    let json = "POST /v1/enrol HTTP/1.1\r\ncontent-type: application/json";
    for body in
        [format!("{{\"code\":\"{code}\""), format!("{{\"{code}\":1}}"), format!("\"{code}\""), format!("{{\"code\":[\"{second_code}\"]}}")]
    {
        seen.push(ask(&address, json, body.as_bytes()));
    }
    let exchange = format!("POST /v1/exchange HTTP/1.1\r\nauthorization: Bearer {token}\r\ncontent-type: application/cbor");
    let record: shared::ids::RecordId = noted["record"].as_str().unwrap().parse().unwrap();
    let record = desk.store().records().held(record).unwrap().unwrap().bytes;
    seen.push(ask(&address, &exchange, &record));
    seen.push(ask(&address, &format!("{exchange}\r\ncontent-encoding: zstd"), &record));
    seen.push(ask(&address, &exchange, b"\xa1\x66secret\x01"));
    seen.push(ask(&address, &format!("GET /v1/due HTTP/1.1\r\nx-request-id: {token}"), b""));
    seen.push(ask(&address, &format!("GET /v1/machines/{second_code} HTTP/1.1\r\nauthorization: Bearer {token}"), b""));
    seen.push(ask(&address, &format!("NO REQUEST {token}"), b""));
    for status in ["200 ", "400 ", "401 ", "404 "] {
        assert!(seen.iter().any(|answer| answer.starts_with(&format!("HTTP/1.1 {status}"))), "{status}: {seen:#?}");
    }
    serving.stop();

    let shop = Book::open(&data.join("shop.db"), &mut chance).unwrap();
    let phone = Book::open(&phone_path, &mut chance).unwrap();
    let mut bytes = vec![("a record", record[record.len() - 64..].to_vec()), ("a record's text", b"4711-quince".to_vec())];
    for (whose, book) in [("the shop's", &shop), ("the desk's", &desk), ("the phone's", &phone)] {
        let keys = book.identity().unwrap().keys().unwrap();
        bytes.push((whose, keys.login().to_bytes().to_vec()));
        bytes.push((whose, keys.record().to_bytes().to_vec()));
    }
    secrets.extend(bytes.into_iter().flat_map(|(what, bytes)| forms(&bytes).into_iter().map(move |form| (what, form))));
    let log = std::fs::read(&log_path).unwrap();
    // It is a log, and of all this.
    for line in ["/v1/enrol", "/v1/token", "/v1/exchange", "refused", "TRACE"] {
        assert!(holds(&log, line.as_bytes()), "no {line} in {} bytes", log.len());
    }
    let told: Vec<&str> = secrets.iter().filter(|(_, secret)| holds(&log, secret)).map(|(what, _)| *what).collect();
    assert!(told.is_empty(), "the log tells {told:?}");
    assert!(secrets.len() > 60, "{}", secrets.len());
    println!("{} secrets in {} bytes of log, at its most talkative: none", secrets.len(), log.len());
}
