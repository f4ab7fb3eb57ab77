//! The server killed with SIGKILL in the middle of 50 exchanges, over a real file: what it said it took is there, what it
//! did not say comes again, and what is derived is what a rebuild makes.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

#[path = "common/real.rs"]
mod real;

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use shared::ids::RecordId;
use sync_core::book::Book;

use real::{chance, tappet};

const EXCHANGES: usize = 50;
const NOTES_EACH: usize = 4;

fn below(most: u64) -> u64 {
    let mut bytes = [0u8; 8];
    chance(&mut bytes);
    u64::from_le_bytes(bytes) % most
}

/// A server process, and the first code where it founded the shop.
fn serve(data: &Path, listen: &str) -> (Child, String) {
    let mut child = Command::new(env!("CARGO_BIN_EXE_tappetbook-server"))
        .arg("--data")
        .arg(data)
        .args(["--listen", listen])
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut printed = String::new();
    let mut lines = BufReader::new(child.stdout.take().unwrap());
    // It listens once it has printed where.
    while !printed.contains("http://") {
        assert!(lines.read_line(&mut printed).unwrap() > 0, "the server ended: {printed}");
    }
    std::thread::spawn(move || std::io::copy(&mut lines, &mut std::io::sink()));
    (child, printed)
}

fn free_port() -> u16 {
    std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

fn first_code(data: &Path, listen: &str) -> String {
    let mut child = Command::new(env!("CARGO_BIN_EXE_tappetbook-server"))
        .arg("--data")
        .arg(data)
        .args(["--listen", listen, "--shop-name", "Shop", "--office-name", "Office", "--time-zone", "UTC"])
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap());
    let mut printed = String::new();
    let code = loop {
        assert!(lines.read_line(&mut printed).unwrap() > 0, "no code was printed: {printed}");
        let found = printed
            .split_whitespace()
            .find(|w| w.len() == 11 && w.as_bytes()[5] == b'-' && w.bytes().all(|b| b == b'-' || b.is_ascii_alphanumeric()));
        if let Some(code) = found {
            break code.to_owned();
        }
    };
    child.kill().unwrap();
    child.wait().unwrap();
    code
}

#[test]
fn what_the_server_said_it_took_survives_the_kill() {
    let folder = tempfile::tempdir().unwrap();
    let (data, book): (PathBuf, PathBuf) = (folder.path().join("shop"), folder.path().join("office.db"));
    let listen = format!("127.0.0.1:{}", free_port());
    let code = first_code(&data, &listen);
    let (mut server, _) = serve(&data, &listen);
    let (exit, said) = tappet(&book, &["enrol", "--server", &format!("http://{listen}"), "--code", &code]);
    assert_eq!(exit, 0, "{said}");
    assert_eq!(tappet(&book, &["office", "--offline", "property", "add", "Yard"]).0, 0);
    assert_eq!(tappet(&book, &["office", "--offline", "machine", "add", "K-9", "--property", "Yard", "--cylinders", "1"]).0, 0);
    // How long an undisturbed exchange takes here and now: the kills are spread over that.
    let started = std::time::Instant::now();
    assert_eq!(tappet(&book, &["exchange"]).0, 0);
    let span_us = u64::try_from(started.elapsed().as_micros()).unwrap();
    let mut written: Vec<RecordId> = Vec::new();
    let (mut went, mut cut) = (0, 0);
    for n in 0..EXCHANGES {
        for note in 0..NOTES_EACH {
            let (exit, said) = tappet(&book, &["note", "K-9", &format!("{n}.{note}")]);
            assert_eq!(exit, 0, "{said}");
            let said: serde_json::Value = serde_json::from_str(&said).unwrap();
            written.push(said["record"].as_str().unwrap().parse().unwrap());
        }
        // The knife falls while the exchange is under way, or just before or after.
        let delay = Duration::from_micros(below(span_us * 3));
        let pid = server.id();
        let knife = std::thread::spawn(move || {
            std::thread::sleep(delay);
            Command::new("kill").args(["-9", &pid.to_string()]).status().unwrap();
        });
        match tappet(&book, &["exchange"]).0 {
            0 => went += 1,
            4 => cut += 1,
            other => panic!("exit code {other} of an exchange that was cut off"),
        }
        knife.join().unwrap();
        server.wait().unwrap();
        // Between two lives of the server, its file alone: everything receipted to the device is there.
        if n % 10 == 9 {
            let mut entropy = chance;
            let device = Book::open(&book, &mut entropy).unwrap();
            let shop = Book::open(&data.join("shop.db"), &mut entropy).unwrap();
            for record in &written {
                if device.store().records().held(*record).unwrap().unwrap().received_ms.is_some() {
                    assert!(shop.store().records().held(*record).unwrap().is_some(), "{record} was receipted and is not there");
                }
            }
            assert_eq!(shop.verify().unwrap().faults, Vec::<String>::new());
        }
        server = serve(&data, &listen).0;
    }
    assert!(went > 2 && cut > 2, "{went} went through, {cut} cut: the kills must fall on both sides");
    assert_eq!(tappet(&book, &["exchange"]).0, 0);
    server.kill().unwrap();
    server.wait().unwrap();
    let mut entropy = chance;
    let shop = Book::open(&data.join("shop.db"), &mut entropy).unwrap();
    let device = Book::open(&book, &mut entropy).unwrap();
    for record in &written {
        assert!(shop.store().records().held(*record).unwrap().is_some(), "{record} never reached the shop");
        assert!(device.store().records().held(*record).unwrap().unwrap().received_ms.is_some(), "{record} has no receipt");
    }
    for book in [&shop, &device] {
        assert_eq!(book.verify().unwrap().faults, Vec::<String>::new());
    }
    println!("{EXCHANGES} exchanges, {went} went through, {cut} cut; {} records written, all at the shop", written.len());
}
