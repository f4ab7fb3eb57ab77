//! The terminal killed with SIGKILL in the middle of 200 writes, over a real file: every record that it reported kept is
//! there, and what is derived is what a rebuild makes.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use shared::ids::RecordId;
use shared::record::ShopCard;
use sync_core::book::Book;
use sync_core::book::enrol::Founding;
use sync_core::commands::ActionContext;
use sync_core::sys::clock::ClockReading;

const WRITES: u64 = 200;

fn chance(buffer: &mut [u8]) {
    getrandom::fill(buffer).unwrap();
}

/// An enrolled book in a file, with a machine of its own.
fn enrolled(path: &Path) {
    let mut entropy = chance;
    let now = ClockReading::at(1_780_300_000_000);
    let mut shop = Book::open(&path.with_extension("shop"), &mut entropy).unwrap();
    let founding = Founding { shop: ShopCard::usual("Shop", "UTC"), office_name: "Office".into(), issuer: "http://127.0.0.1".into() };
    let code = shop.found_shop(&founding, &now, &mut entropy).unwrap();
    let mut book = Book::open(path, &mut entropy).unwrap();
    let request = book.enrol_request(&code, "terminal", &now, &mut entropy).unwrap();
    let answer = shop.admit_device(&request, &now, &mut entropy).unwrap();
    book.enrolled(&answer, "http://127.0.0.1:9").unwrap();
    let device = book.identity().unwrap().device;
    let reply = shop.peer().answer(device, &book.outgoing().offer(&now).unwrap(), &now, &mut entropy).unwrap();
    book.peer().take_answer(&now, &reply, &now, &mut entropy).unwrap();
    let mut hand = ActionContext { now, entropy: &mut entropy, measured_by: None };
    let yard = shared::record::PropertyCard { name: "Yard".into(), address: String::new(), access: String::new(), season: None };
    let property = book.author().add_property(yard, &mut hand).unwrap();
    let card = shared::record::MachineCard {
        tag: "K-9".into(),
        description: String::new(),
        property,
        engine_card: None,
        cylinders: Some(1),
        duty: shared::engine_card::Duty::Commercial,
        hours_per_week: None,
        provisional: false,
    };
    book.author().add_machine(card, &mut hand).unwrap();
}

#[test]
fn every_note_reported_kept_survives_the_kill() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.db");
    enrolled(&path);
    let mut reported: Vec<RecordId> = Vec::new();
    let mut killed = 0;
    // How long one undisturbed write takes here and now: kills are spread over that.
    let started = std::time::Instant::now();
    let whole = Command::new(env!("CARGO_BIN_EXE_tappet")).args(["--book"]).arg(&path).args(["note", "K-9", "first"]).output().unwrap();
    assert!(whole.status.success(), "{whole:?}");
    let span_us = u64::try_from(started.elapsed().as_micros()).unwrap();
    for n in 0..WRITES {
        let mut child = Command::new(env!("CARGO_BIN_EXE_tappet"))
            .args(["--json", "--book"])
            .arg(&path)
            .args(["note", "K-9", &format!("note {n}")])
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut byte = [0u8; 8];
        chance(&mut byte);
        std::thread::sleep(Duration::from_micros(u64::from_le_bytes(byte) % (span_us * 3 / 2)));
        child.kill().unwrap();
        let output = child.wait_with_output().unwrap();
        killed += usize::from(output.status.code().is_none());
        // Reported kept: a whole document with the record's id came out.
        if let Ok(said) = serde_json::from_slice::<serde_json::Value>(&output.stdout)
            && let Some(record) = said["record"].as_str()
        {
            reported.push(record.parse().unwrap());
        }
    }
    assert!(killed > 20 && reported.len() > 20, "{killed} killed, {} reported: the kills must fall both before and after", reported.len());
    let mut entropy = chance;
    let book = Book::open(&path, &mut entropy).unwrap();
    for record in &reported {
        assert!(book.store().records().held(*record).unwrap().is_some(), "{record} was reported kept");
    }
    let found = book.verify().unwrap();
    assert_eq!(found.faults, Vec::<String>::new());
    println!("{WRITES} writes, {killed} killed, {} reported kept and there, {} records held", reported.len(), found.records);
}
