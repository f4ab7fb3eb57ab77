//! The whole day over real HTTP with a real server and a book file per device: the demonstration, held to what it claims.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use fixtures::demo::{Options, Stage, play};
use serde_json::Value;

/// 2026-06-08 22:00 UTC: five o'clock five hours west of Greenwich.
const FIVE: i64 = 1_780_956_000_000;
const JORY_AHEAD_MS: i64 = 300 * 60_000;

fn json(stage: &Stage, device: &str, args: &[&str]) -> Value {
    let off = if device == "jory" { JORY_AHEAD_MS } else { 0 };
    let ran = stage.tappet(device, off, &[&["--json"], args].concat());
    assert!([0, 3].contains(&ran.code), "{args:?} gave {}: {}{}", ran.code, ran.out, ran.err);
    serde_json::from_str(&ran.out).unwrap()
}

fn len(value: &Value) -> usize {
    value.as_array().unwrap().len()
}

#[test]
fn the_day_ends_as_the_design_says() {
    let mut out = Vec::new();
    let stage = play(&Options { folder: None, five_o_clock_ms: Some(FIVE) }, &mut out).unwrap();
    let printed = String::from_utf8(out).unwrap();
    for (n, line) in printed.lines().enumerate() {
        assert!(line.chars().count() <= 120, "line {n} of the demonstration is {} wide: {line}", line.chars().count());
    }

    // The disagreement, contested until somebody rules.
    let sheet = json(&stage, "office", &["office", "day-sheet"]);
    assert_eq!(len(&sheet["contested"]), 1, "{sheet:#}");
    let contested = &sheet["contested"][0];
    assert_eq!((contested["title"].as_str(), contested["slot"].as_str()), (Some("Q-102"), Some("lash/1I/found")));
    assert!(contested["reason"].as_str().unwrap().starts_with("lead over tech, "));
    let readings = contested["readings"].as_array().unwrap();
    let of = |who: &str| readings.iter().find(|r| r["by"] == who).unwrap();
    assert_eq!((&of("Bram Holloway")["stands"], &of("Pia Larkin")["stands"]), (&Value::Bool(true), &Value::Bool(false)));

    // The mistyped meter, the hold, the forged role, the clock.
    assert!(
        sheet["aside"]
            .as_array()
            .unwrap()
            .iter()
            .any(|a| a["title"] == "Q-104" && a["why"].as_str().unwrap().contains("1523.4 entered as 15234"))
    );
    assert_eq!((len(&sheet["holds"]), sheet["holds"][0]["tag"].as_str()), (1, Some("Q-111")));
    assert_eq!((len(&sheet["quarantine"]), sheet["quarantine"][0]["code"].as_str()), (1, Some("role-may-not")));
    let devices = sheet["devices"].as_array().unwrap();
    assert_eq!(devices.len(), 5);
    let jory = devices.iter().find(|d| d["name"] == "jory").unwrap();
    assert!((jory["skew_ms"].as_i64().unwrap() + JORY_AHEAD_MS).abs() < 60_000, "{jory}");

    // The agreement.
    let machine = json(&stage, "pia", &["show", "Q-103"]);
    let intake = machine["lash"].as_array().unwrap().iter().find(|l| l["valve"] == "1I").unwrap().clone();
    assert_eq!((intake["state"].as_str(), intake["words"].as_str()), (Some("corroborated"), Some("5 to 6 thou")));

    // Jory's wrong clock has moved nothing: his visit is of noon, not of five.
    let visits = sheet["visits"].as_array().unwrap();
    let noon = visits.iter().find(|v| v["by"] == "Jory Vann").unwrap()["at_ms"].as_i64().unwrap();
    assert!((FIVE - 6 * 3_600_000..FIVE - 4 * 3_600_000).contains(&noon), "{noon}");

    // Everyone may read the same of Q-102, and Tam is still a helper everywhere.
    for device in ["office", "bram", "pia", "jory", "tam"] {
        assert_eq!(json(&stage, device, &["verify"])["faults"], Value::Array(vec![]), "{device}");
        let people = json(&stage, device, &["office", "--offline", "people"]);
        let tam = people["people"].as_array().unwrap().iter().find(|p| p["name"] == "Tam Brisk").unwrap().clone();
        assert_eq!(tam["role"], "helper", "{device}");
    }

    // The office rules; the next exchange carries it to Pia's phone.
    let pias = of("Pia Larkin")["record"].as_str().unwrap();
    json(&stage, "office", &["office", "rule", "Q-102", "1I found", "--stands", pias, "--because", "Bram's leaf set was worn"]);
    json(&stage, "pia", &["exchange"]);
    let shown = json(&stage, "pia", &["show", "Q-102"]);
    let ruled = shown["lash"].as_array().unwrap().iter().find(|l| l["valve"] == "1I").unwrap().clone();
    assert_eq!((ruled["state"].as_str(), ruled["words"].as_str()), (Some("ruled"), Some("2 to 3 thou")));
    assert_eq!(len(&json(&stage, "office", &["office", "contested"])["contested"]), 0);

    // The service record of a finished visit.
    let record = stage.tappet("office", 0, &["office", "service-record", "Q-101"]);
    assert_eq!(record.code, 0, "{}", record.err);
    assert!(record.out.contains("Q-101") && record.out.contains("Pia Larkin") && record.out.contains("8 to 9 thou"), "{}", record.out);
    assert!(record.out.lines().all(|line| line.chars().count() <= 80), "{}", record.out);
    stage.close();
}

/// Every way in which a person can be told no, over the real programs: a sentence, a code, nothing lost.
#[test]
fn bad_input_gets_a_sentence() {
    let mut stage = play(&Options { folder: None, five_o_clock_ms: Some(FIVE) }, &mut std::io::sink()).unwrap();
    let before = json(&stage, "pia", &["status"])["records"].clone();
    let refused = |stage: &Stage, device: &str, args: &[&str], code: i32, sentence: &str| {
        let ran = stage.tappet(device, 0, args);
        assert_eq!(ran.code, code, "{args:?}: {}{}", ran.out, ran.err);
        assert!(ran.err.contains(sentence) || ran.out.contains(sentence), "{args:?} says: {}{}", ran.out, ran.err);
    };
    let no = |device: &str, args: &[&str], code: i32, sentence: &str| refused(&stage, device, args, code, sentence);
    no("pia", &["read", "Q-101", "3E", "found", "5/6"], 1, "Nothing was kept");
    no("pia", &["read", "Q-101", "9X", "found", "5/6"], 2, "is not a valve");
    no("pia", &["read", "Q-101", "1I", "found", "7/6"], 1, "is not thinner than");
    no("pia", &["read", "Q-101", "1I", "found", "--go", "5mm"], 2, "thicker than any feeler leaf");
    no("pia", &["read", "NOPE", "1I", "found", "5/6"], 1, "no machine \"NOPE\"");
    no("pia", &["hours", "Q-101", "12.34"], 2, "is not an hour-meter reading");
    no("pia", &["visit", "open", "Q-105"], 1, "cautions");
    assert_eq!(json(&stage, "pia", &["status"])["records"], before, "none of these kept anything");
    // Hours below the last are kept, and said to be in doubt.
    no("pia", &["hours", "Q-101", "12.0"], 3, "below");
    assert_eq!(json(&stage, "pia", &["status"])["records"].as_i64().unwrap(), before.as_i64().unwrap() + 1);
    // A code that has been used, a code that never was, a code that has expired.
    let code = json(&stage, "office", &["office", "device", "code", "Tam Brisk"])["code"].as_str().unwrap().to_owned();
    no("spare", &["enrol", "--server", stage.url(), "--code", "AAAAA-AAAAA"], 1, "not one of this shop's");
    no("spare", &["enrol", "--server", stage.url(), "--code", &code], 0, "Tam Brisk");
    no("other", &["enrol", "--server", stage.url(), "--code", &code], 1, "has been used");
    let late = json(&stage, "office", &["office", "device", "code", "Tam Brisk"])["code"].as_str().unwrap().to_owned();
    stage.clock().move_to(stage.clock().now_ms() + 25 * 3_600_000);
    no("other", &["enrol", "--server", stage.url(), "--code", &late], 1, "has expired");
    // A revoked device.
    json(&stage, "office", &["office", "device", "revoke", "tam", "--because", "lost"]);
    no("tam", &["exchange"], 5, "revoked");
    // A garbage file, a second program on the same book, a server that is gone.
    std::fs::write(stage.book("garbage"), b"this is no database, and never was one; it is longer than a header").unwrap();
    no("garbage", &["due"], 1, "not a Tappetbook database");
    let mut fill = |buffer: &mut [u8]| getrandom::fill(buffer).unwrap();
    let held = sync_core::book::Book::open(&stage.book("bram"), &mut fill).unwrap();
    no("bram", &["due"], 1, "nother program has this book open");
    drop(held);
    stage.stop_server();
    refused(&stage, "pia", &["exchange"], 4, "cannot be reached");
    refused(&stage, "pia", &["note", "Q-101", "still works with no server"], 0, "Kept");
}
