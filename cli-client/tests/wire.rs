//! Enrolment and exchange over HTTP: what travels, and what is said and kept where it does not.

#![allow(clippy::unwrap_used, reason = "a test's own world fails by panicking")]

#[path = "common/shop.rs"]
mod shop;

use std::ffi::OsString;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use cli_client::Environment;
use serde_json::Value;
use shop::{Fault, TestShop};
use sync_core::sys::clock::ClockReading;

/// 2026-04-29 08:00 UTC.
const MORNING_MS: i64 = 1_777_449_600_000;

struct World {
    folder: tempfile::TempDir,
    clock_ms: Arc<AtomicI64>,
    shop: TestShop,
}

impl World {
    /// A shop with an enrolled office, a property, a machine, and a tech who has a one-time code.
    fn new() -> (Self, String) {
        let folder = tempfile::tempdir().unwrap();
        let clock_ms = Arc::new(AtomicI64::new(MORNING_MS));
        let shop = TestShop::start(folder.path(), Arc::clone(&clock_ms));
        let world = Self { folder, clock_ms, shop };
        let code = world.shop.first_code.clone();
        let enrolled = world.tappet("office", 0, &["enrol", "--server", &world.shop.url, "--code", &code, "--name", "desk"]);
        assert_eq!((enrolled.0, &enrolled.1["enrolled"]["person_name"]), (0, &"Olga Voss".into()), "{enrolled:?}");
        for args in [
            &["office", "property", "add", "Alder Court"][..],
            &["office", "machine", "add", "T-1", "--property", "Alder Court", "--cylinders", "1"],
            &["office", "person", "add", "Tove Ask", "--role", "tech"],
            &["office", "assign", "Tove Ask", "Alder Court"],
        ] {
            let done = world.tappet("office", 0, args);
            assert_eq!((done.0, &done.1["exchange"]["after"]["waiting"]), (0, &0.into()), "{args:?}: {done:?}");
        }
        let issued = world.tappet("office", 0, &["office", "device", "code", "tove ask"]).1;
        let code = issued["code"].as_str().unwrap().to_owned();
        (world, code)
    }

    /// One with Tove's phone enrolled.
    fn with_phone() -> Self {
        let (world, code) = Self::new();
        let enrolled = world.tappet("tove", 0, &["enrol", "--server", &world.shop.url, "--code", &code]);
        assert_eq!(enrolled.0, 0, "{enrolled:?}");
        world
    }

    /// Runs a command with `--json` on a device whose clock is off; gives the exit code and what it printed.
    fn tappet(&self, device: &str, off_ms: i64, args: &[&str]) -> (i32, Value) {
        let book = self.folder.path().join(format!("{device}.db"));
        let mut argv: Vec<OsString> = vec!["tappet".into(), "--json".into(), "--book".into(), book.into()];
        argv.extend(args.iter().map(OsString::from));
        let (mut out, mut err) = (Vec::new(), Vec::new());
        let code = {
            let clock_ms = Arc::clone(&self.clock_ms);
            let clock = move || ClockReading::at(clock_ms.fetch_add(100, Ordering::SeqCst) + off_ms);
            let mut env = Environment::simulated(clock, |buffer: &mut [u8]| getrandom::fill(buffer).unwrap());
            env.stdout = Box::new(&mut out);
            env.stderr = Box::new(&mut err);
            cli_client::run(argv, &mut env)
        };
        let printed = if out.is_empty() { err } else { out };
        (code, serde_json::from_slice(&printed).unwrap())
    }
}

#[test]
fn a_day_travels_and_a_kept_token_is_used_again() {
    let world = World::with_phone();
    assert_eq!(world.tappet("tove", 0, &["visit", "open", "T-1", "--cold", "--cautions-read"]).0, 0);
    let first = world.tappet("tove", 0, &["exchange"]).1;
    assert_eq!((&first["taken"], &first["waiting"], &first["level"], &first["requests"]), (&1.into(), &0.into(), &true.into(), &1.into()));
    assert!(first["bytes_sent"].as_u64().unwrap() > 100 && first["bytes_received"].as_u64().unwrap() > 100, "{first}");
    let sheet = world.tappet("office", 0, &["office", "day-sheet"]).1;
    assert_eq!((&sheet["from"], &sheet["visits"][0]["by"]), (&"the shop".into(), &"Tove Ask".into()));
    assert!(sheet["devices"].as_array().unwrap().iter().all(|device| device["here_today"] == true), "{sheet}");
}

#[test]
fn a_phone_five_hours_ahead_is_told_the_time_and_gets_in() {
    let (world, code) = World::new();
    let five_hours_ms = 5 * 3_600_000;
    let enrolled = world.tappet("tove", five_hours_ms, &["enrol", "--server", &world.shop.url, "--code", &code]);
    assert_eq!((enrolled.0, &enrolled.1["exchange"]["level"]), (0, &true.into()), "{enrolled:?}");
    assert_eq!(enrolled.1["exchange"]["requests"], 3, "a log-in refused, one by the shop's time, the exchange");
    let offset_ms = world.tappet("tove", five_hours_ms, &["status"]).1["clock_offset_ms"].as_i64().unwrap();
    assert!((offset_ms + five_hours_ms).abs() < 10_000, "{offset_ms}");
    // A new token once the old one has ended: the offset is known now, and one log-in is enough.
    world.clock_ms.fetch_add(20 * 60_000, Ordering::SeqCst);
    assert_eq!(world.tappet("tove", five_hours_ms, &["exchange"]).1["requests"], 2);
}

#[test]
fn a_token_that_holds_no_longer_is_replaced() {
    let world = World::with_phone();
    world.shop.fail_next(&[Fault::TokenLapsed]);
    let done = world.tappet("tove", 0, &["exchange"]);
    assert_eq!((done.0, &done.1["requests"]), (0, &3.into()), "{done:?}");
    // Once, and not for ever.
    world.shop.fail_next(&[Fault::TokenLapsed, Fault::TokenLapsed]);
    let refused = world.tappet("tove", 0, &["exchange"]);
    assert_eq!((refused.0, &refused.1["error"]["code"]), (1, &"token-invalid".into()), "{refused:?}");
}

#[test]
fn whatever_fails_on_the_way_loses_nothing() {
    for (fault, code, word) in [
        (Fault::Gateway, 4, "shop-away"),
        (Fault::Cut, 4, "shop-away"),
        (Fault::Garbage, 1, "answer-unreadable"),
        (Fault::Elsewhere, 1, "answer-unreadable"),
    ] {
        let world = World::with_phone();
        assert_eq!(world.tappet("tove", 0, &["note", "T-1", "gate sticks"]).0, 0);
        world.shop.fail_next(&[fault]);
        let failed = world.tappet("tove", 0, &["exchange"]);
        assert_eq!((failed.0, &failed.1["error"]["code"]), (code, &word.into()), "{fault:?}: {failed:?}");
        assert!(failed.1["error"]["sentence"].as_str().unwrap().contains("everything kept is still here"), "{failed:?}");
        assert_eq!(world.tappet("tove", 0, &["status"]).1["waiting"], 1, "{fault:?}");
        assert_eq!(world.tappet("tove", 0, &["exchange"]).1["waiting"], 0, "{fault:?}");
    }
}

#[test]
fn an_enrolment_whose_answer_is_lost_is_made_again() {
    let (world, code) = World::new();
    let enrol = ["enrol", "--server", &world.shop.url, "--code", &code];
    world.shop.fail_next(&[Fault::Cut]);
    assert_eq!(world.tappet("tove", 0, &enrol).0, 4);
    assert_eq!(world.tappet("tove", 0, &enrol).0, 0);
    let again = world.tappet("tove", 0, &enrol);
    assert_eq!((again.0, &again.1["error"]["code"]), (1, &"enrolled-already".into()));
    // The code is used up: nobody else gets in with it.
    let other = world.tappet("other", 0, &enrol);
    assert_eq!((other.0, &other.1["error"]["code"]), (1, &"code-invalid".into()), "{other:?}");
}

#[test]
fn enrolled_stays_enrolled_where_the_first_exchange_fails() {
    let (world, code) = World::new();
    // The enrolment itself goes through; the log-in after it does not.
    let between = FailingAfter::one(&world.shop.url);
    let enrol = ["enrol", "--server", between.url.as_str(), "--code", &code];
    let enrolled = world.tappet("tove", 0, &enrol);
    assert_eq!((enrolled.0, &enrolled.1["enrolled"]["person_name"]), (3, &"Tove Ask".into()), "{enrolled:?}");
    assert_eq!(world.tappet("tove", 0, &enrol).1["error"]["code"], "enrolled-already");
}

#[test]
fn a_revoked_device_and_a_tech_at_the_office_verbs_are_told_so() {
    let world = World::with_phone();
    let code = world.tappet("tove", 0, &["office", "device", "code", "Tove Ask"]);
    assert_eq!((code.0, &code.1["error"]["code"]), (5, &"role-may-not".into()), "{code:?}");
    let revoke = world.tappet("office", 0, &["office", "device", "revoke", "terminal", "--because", "lost"]);
    assert_eq!(revoke.0, 0, "{revoke:?}");
    let refused = world.tappet("tove", 0, &["exchange"]);
    assert_eq!((refused.0, &refused.1["error"]["code"]), (5, &"device-revoked".into()), "{refused:?}");
}

/// Something in the way that lets one request through and then nothing more.
struct FailingAfter {
    url: String,
}

impl FailingAfter {
    fn one(to: &str) -> Self {
        use std::io::{Read, Write};
        let to = to.trim_start_matches("http://").to_owned();
        let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        let url = format!("http://{}", listener.local_addr().unwrap());
        std::thread::spawn(move || {
            let (mut inside, _) = listener.accept().unwrap();
            drop(listener);
            let mut outside = std::net::TcpStream::connect(to).unwrap();
            let (mut from, mut into) = (inside.try_clone().unwrap(), outside.try_clone().unwrap());
            std::thread::spawn(move || std::io::copy(&mut from, &mut into));
            let mut answer = Vec::new();
            outside.read_to_end(&mut answer).unwrap();
            inside.write_all(&answer).unwrap();
        });
        Self { url }
    }
}

#[test]
fn a_bundle_goes_from_phone_to_phone_and_from_there_to_the_shop() {
    let world = World::with_phone();
    let added = world.tappet("office", 0, &["office", "person", "add", "Hale Ness", "--role", "helper"]);
    assert_eq!(added.0, 0, "{added:?}");
    let issued = world.tappet("office", 0, &["office", "device", "code", "hale ness"]).1;
    let code = issued["code"].as_str().unwrap().to_owned();
    assert_eq!(world.tappet("hale", 0, &["enrol", "--server", &world.shop.url, "--code", &code]).0, 0);
    let noted = world.tappet("tove", 0, &["note", "T-1", "no signal behind the barn"]);
    assert_eq!(noted.0, 0, "{noted:?}");
    let file = world.folder.path().join("from-tove.bundle");
    let file = file.to_str().unwrap();
    let made = world.tappet("tove", 0, &["bundle", "make", file]);
    assert_eq!((made.0, &made.1["documents"], &made.1["unsent"]), (0, &1.into(), &1.into()), "{made:?}");
    let again = world.tappet("tove", 0, &["bundle", "make", file]);
    assert_eq!(again.1["error"]["code"], "file", "an existing file is never written over: {again:?}");
    let taken = world.tappet("hale", 0, &["bundle", "take", file]);
    assert_eq!((taken.0, &taken.1["refused"]), (0, &serde_json::json!([])), "{taken:?}");
    assert!(taken.1["taken"].as_u64().unwrap() > 1, "the machine is new to this phone: {taken:?}");
    let carried = world.tappet("hale", 0, &["exchange"]);
    // All of the machine, which is new to this phone, is offered: the shop may have been put back from a backup.
    assert_eq!((carried.0, &carried.1["taken"], &carried.1["waiting"]), (0, &taken.1["taken"], &0.into()), "{carried:?}");
    let sheet = world.tappet("office", 0, &["office", "day-sheet"]);
    assert!(sheet.1.to_string().contains("no signal behind the barn") || sheet.1.to_string().contains("Tove Ask"), "{sheet:?}");
    let writer = world.tappet("tove", 0, &["exchange"]);
    assert_eq!((writer.0, &writer.1["taken"], &writer.1["waiting"]), (0, &1.into(), &0.into()), "{writer:?}");
    std::fs::write(file, b"a shopping list").unwrap();
    let wrong = world.tappet("hale", 0, &["bundle", "take", file]);
    assert_eq!(wrong.1["error"]["code"], "unreadable", "{wrong:?}");
}
