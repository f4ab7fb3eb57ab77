//! What people see, as snapshots: fixed clock, repeatable randomness, at most 80 columns.

mod common;

use common::World;

/// A day's work of the tech on T-1: found, set and left on one valve, three in spec.
fn a_check(world: &World) {
    for (args, code) in [
        (&["visit", "open", "T-1", "--cold", "--cautions-read", "--hours", "412.6"][..], 0),
        (&["read", "T-1", "1I", "found", "5/6"], 0),
        (&["read", "T-1", "1E", "found", "8/9"], 0),
        (&["read", "T-1", "1E", "set", "6/7", "--adjusted"], 0),
        (&["read", "T-1", "1E", "left", "5/6"], 0),
        (&["read", "T-1", "2I", "found", "4/5"], 0),
        (&["read", "T-1", "2E", "found", "5/6"], 0),
        (&["visit", "finish", "T-1", "--remark", "2I near its low end"], 0),
    ] {
        let ran = world.tappet("tove", args);
        assert_eq!(ran.code, code, "{args:?}: {ran:?}");
    }
}

#[test]
fn due_before_and_after_a_check() {
    let world = World::with_shop();
    insta::assert_snapshot!("due_before", world.tappet("tove", &["due"]).screen(0));
    a_check(&world);
    assert_eq!(world.tappet("tove", &["hold", "T-2", "fuel line cracked, drips"]).code, 0);
    insta::assert_snapshot!("due_after", world.tappet("tove", &["due", "--property", "alder court"]).screen(0));
}

#[test]
fn a_machine_its_history_and_one_record() {
    let world = World::with_shop();
    a_check(&world);
    insta::assert_snapshot!("show", world.tappet("tove", &["show", "t-1"]).screen(0));
    insta::assert_snapshot!("show_in_mm", world.tappet("tove", &["--unit", "mm", "show", "T-1"]).screen(0));
    insta::assert_snapshot!("history", world.tappet("tove", &["history", "T-1", "--most", "4"]).screen(0));
    let history = world.tappet("tove", &["--json", "history", "T-1"]).json(0);
    let left = history["history"].as_array().unwrap().iter().find(|line| line["words"] == "1E left: 5 to 6 thou").unwrap();
    insta::assert_snapshot!("record", world.tappet("tove", &["record", left["short"].as_str().unwrap()]).screen(0));
}

#[test]
fn readings_say_their_verdict_first() {
    let world = World::with_shop();
    assert_eq!(world.tappet("tove", &["visit", "open", "T-1", "--cold", "--cautions-read"]).code, 0);
    let mut screens = String::new();
    for (leaves, word) in
        [("5/6", "in spec"), ("2/3", "tight"), ("3/5", "too close to call"), ("3+6/", "loose"), ("/5", "too close to call")]
    {
        let screen = world.tappet("tove", &["read", "T-1", "1I", "found", leaves]).screen(0);
        assert_eq!(screen.lines().next(), Some(word), "{leaves}");
        screens = format!("{screens}> {leaves}\n{screen}\n");
    }
    insta::assert_snapshot!("readings", screens);
    let warm = world.tappet("tove", &["read", "T-1", "1I", "found", "5/6", "--warm"]).screen(0);
    assert_eq!(warm.lines().next(), Some("not judged"));
    let without_card = world.tappet("tove", &["read", "T-2", "1I", "found", "--go", "5", "--no-go", "6", "--cold"]).screen(0);
    assert_eq!(without_card.lines().next(), Some("not judged"));
}

#[test]
fn a_day_sheet_with_everything_on_it() {
    let world = World::with_shop();
    assert_eq!(world.tappet("tove", &["hours", "T-1", "410.0"]).code, 0);
    world.exchange("tove");
    world.exchange("lars");
    world.pass_min(300);
    a_check(&world);
    world.exchange("tove");
    // Lars has not heard of Tove's readings, and disagrees about one of them.
    assert_eq!(world.tappet("lars", &["visit", "open", "T-1", "--cold", "--cautions-read", "--hours", "4126"]).code, 3);
    assert_eq!(world.tappet("lars", &["read", "T-1", "1I", "found", "7/8"]).code, 0);
    assert_eq!(world.tappet("lars", &["hold", "T-2", "fuel line cracked, drips"]).code, 0);
    world.exchange("lars");
    world.exchange("office");
    insta::assert_snapshot!("day_sheet", world.tappet("office", &["office", "--offline", "day-sheet"]).screen(0));
    insta::assert_snapshot!("contested", world.tappet("office", &["office", "--offline", "contested"]).screen(0));
    // The office rules for Tove's reading; the slot is settled.
    let contested = world.tappet("office", &["--json", "office", "--offline", "contested"]).json(0);
    let found =
        |contested: &serde_json::Value| contested["contested"].as_array().unwrap().iter().position(|s| s["slot"] == "lash/1I/found");
    let readings = contested["contested"][found(&contested).unwrap()]["readings"].as_array().unwrap();
    let tove = readings.iter().find(|r| r["by"] == "Tove Ask").unwrap()["short"].as_str().unwrap();
    let ruling = ["office", "--offline", "rule", "T-1", "1I", "found", "--stands", tove, "--because", "read twice"];
    insta::assert_snapshot!("ruling", world.tappet("office", &ruling).screen(0));
    assert_eq!(found(&world.tappet("office", &["--json", "office", "--offline", "contested"]).json(0)), None);
}

#[test]
fn a_service_record_names_no_dispute() {
    let world = World::with_shop();
    a_check(&world);
    world.exchange("tove");
    world.exchange("office");
    let page = world.tappet("office", &["office", "--offline", "service-record", "T-1"]).screen(0);
    insta::assert_snapshot!("service_record", page);
    // The card is changed afterwards: what was signed off keeps the one that was in force.
    world.pass_min(60);
    let changed = ["--cylinders", "2", "--intake", "20-22", "--exhaust", "20-22", "--hours", "100", "--months", "6"];
    let source = ["--source-manual", "Second edition", "--source-page", "3"];
    let add = ["office", "--offline", "card", "add", "--name", "Invented twin"];
    assert_eq!(world.tappet("office", &[&add[..], &changed, &source].concat()).code, 0);
    assert_eq!(world.tappet("office", &["office", "--offline", "service-record", "T-1"]).screen(0), page);
}

#[test]
fn status_offline() {
    let world = World::with_shop();
    a_check(&world);
    world.pass_min(200);
    insta::assert_snapshot!("status", world.tappet("tove", &["status"]).screen(0));
}

#[test]
fn lists_of_the_office() {
    let world = World::with_shop();
    let mut screens = String::new();
    for verb in ["people", "devices", "properties", "machines", "cards", "settings", "quarantine"] {
        screens = format!("{screens}> {verb}\n{}\n", world.tappet("office", &["office", "--offline", verb]).screen(0));
    }
    insta::assert_snapshot!("office_lists", screens);
}
