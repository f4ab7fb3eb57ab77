//! Backup and restore with the real programs: made while the shop serves, put back after it was killed, and made whole
//! again by its devices' next exchange. A device goes back to its own backup, and nothing comes twice.

#![cfg(unix)]
#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "common/real.rs"]
mod real;
#[path = "common/world.rs"]
mod world;

use std::path::{Path, PathBuf};

use serde_json::Value;
use sync_core::book::Book;

use real::chance;
use world::{World, code_in};

impl World {
    /// One of the server's verbs: its exit code and its words.
    fn verb(&self, args: &[&str]) -> (i32, String) {
        let ran = self.program(args).output().unwrap();
        (ran.status.code().unwrap(), String::from_utf8([ran.stdout, ran.stderr].concat()).unwrap())
    }

    fn note(&self, device: &str, text: &str) -> String {
        self.done(device, &["note", "K-9", text])["record"].as_str().unwrap().to_owned()
    }

    fn held(&self, path: &Path, record: &str) -> Option<Option<i64>> {
        let book = Book::open(path, &mut chance).unwrap();
        book.store().records().held(record.parse().unwrap()).unwrap().map(|held| held.received_ms)
    }

    fn records(&self, device: &str) -> u64 {
        self.done(device, &["status"])["records"].as_u64().unwrap()
    }
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

#[test]
fn a_shop_killed_and_put_back_from_its_backup_has_everything_again() {
    let world = World::new();
    let serving = world.serve("start again");
    let code = code_in(&serving.1);
    let url = format!("http://{}", world.listen);
    world.done("office", &["enrol", "--server", &url, "--code", &code]);
    for args in [
        &["office", "property", "add", "Yard"][..],
        &["office", "machine", "add", "K-9", "--property", "Yard", "--cylinders", "1"],
        &["office", "person", "add", "Tove Ask", "--role", "tech"],
        &["office", "assign", "Tove Ask", "Yard"],
    ] {
        world.done("office", args);
    }
    let issue = |person: &str| world.done("office", &["office", "device", "code", person])["code"].as_str().unwrap().to_owned();
    world.done("tove", &["enrol", "--server", &url, "--code", &issue("Tove Ask")]);
    let first = world.note("tove", "before the backup");
    world.done("tove", &["exchange"]);

    assert_eq!(world.done("office", &["office", "backups"])["backups"], Value::Array(vec![]));
    let made = world.done("office", &["office", "backup"]);
    let name = made["name"].as_str().unwrap().to_owned();
    assert_eq!(world.done("office", &["office", "backups"])["backups"][0]["name"], made["name"]);
    let refused = world.tappet("tove", &["office", "backup"]);
    assert_eq!((refused.0, &refused.1["error"]["code"]), (5, &"role-may-not".into()), "{refused:?}");
    assert_eq!(world.tappet("office", &["office", "--offline", "backup"]).0, 4);
    let backup = world.path("shop").join("backups").join(&name);
    assert_eq!(std::fs::metadata(&backup).unwrap().len(), made["bytes"].as_u64().unwrap());
    for hidden in [&backup, backup.parent().unwrap()] {
        use std::os::unix::fs::PermissionsExt;
        assert_eq!(std::fs::metadata(hidden).unwrap().permissions().mode() & 0o077, 0, "{}", hidden.display());
    }

    // While it serves, nobody else copies or replaces its book.
    let (code, words) = world.verb(&["verify", "--file", text(&backup)]);
    assert_eq!(code, 0, "{words}");
    assert!(words.contains("No fault found."), "{words}");
    let (code, words) = world.verb(&["restore", "--from", text(&backup)]);
    assert_eq!(code, 3, "{words}");
    assert!(words.contains("Stop the server"), "{words}");
    assert_eq!(world.verb(&["backup", "--to", text(&world.path("other.db"))]).0, 3);
    assert!(!world.path("other.db").exists());

    // The day after the backup: from an old phone, from a phone that the backup does not know, and a new machine.
    let issued = issue("Tove Ask");
    world.done("spare", &["enrol", "--server", &url, "--code", &issued]);
    world.done("office", &["office", "machine", "add", "K-10", "--property", "Yard", "--cylinders", "1"]);
    let today = [world.note("tove", "of today"), world.note("spare", "of a new phone"), world.note("office", "of the office")];
    for device in ["tove", "spare", "office", "tove", "spare"] {
        world.done(device, &["exchange"]);
    }
    drop(serving);

    let (code, words) = world.verb(&["restore", "--from", text(&backup)]);
    assert_eq!(code, 0, "{words}");
    let aside = PathBuf::from(words.split("is kept as ").nth(1).unwrap().split(". ").next().unwrap());
    assert!(world.held(&aside, &today[0]).is_some(), "the book of before is kept: {words}");
    let shop = world.path("shop").join("shop.db");
    assert!(world.held(&shop, &today[0]).is_none());
    // The spare phone is a stranger until another has brought the roster.
    let serving = world.serve("listens on");
    let strange = world.tappet("spare", &["exchange"]);
    assert_eq!((strange.0, &strange.1["error"]["code"]), (5, &"device-unknown".into()), "{strange:?}");
    let back = world.done("tove", &["exchange"]);
    assert_eq!((&back["shop_restored"], &back["waiting"]), (&true.into(), &0.into()), "{back}");
    for device in ["office", "spare", "tove", "office"] {
        assert_eq!(world.done(device, &["exchange"])["waiting"], 0, "{device}");
    }
    assert_eq!(world.done("tove", &["show", "K-10"])["tag"], "K-10");
    drop(serving);
    let (code, words) = world.verb(&["verify"]);
    assert_eq!(code, 0, "{words}");
    for record in today.iter().chain([&first]) {
        assert!(world.held(&shop, record).is_some(), "{record} is not at the shop");
        for device in ["tove", "spare", "office"] {
            assert!(world.held(&world.path(device), record).unwrap().is_some(), "{record} has no receipt at {device}");
        }
    }
    // And with no server: a copy, and no second one over it.
    let other = world.path("other.db");
    assert_eq!(world.verb(&["backup", "--to", text(&other)]).0, 0);
    let (code, words) = world.verb(&["backup", "--to", text(&other)]);
    assert_eq!(code, 3);
    assert!(words.contains("exists already"), "{words}");
}

#[test]
fn a_device_goes_back_to_its_backup_and_nothing_comes_twice() {
    let world = World::new();
    let serving = world.serve("start again");
    let code = code_in(&serving.1);
    world.done("office", &["enrol", "--server", &format!("http://{}", world.listen), "--code", &code]);
    world.done("office", &["office", "property", "add", "Yard"]);
    world.done("office", &["office", "machine", "add", "K-9", "--property", "Yard", "--cylinders", "1"]);
    let unsent = world.note("office", "entered, and in the backup unsent");
    let copy = world.path("copy");
    world.done("office", &["backup", text(&copy)]);
    let again = world.tappet("office", &["backup", text(&copy)]);
    assert_eq!((again.0, &again.1["error"]["code"]), (1, &"could-not".into()), "{again:?}");
    world.done("office", &["exchange"]);
    let later = world.note("office", "after the backup, exchanged");
    world.done("office", &["exchange"]);
    let records = world.records("office");
    // The book breaks, and the backup takes its place.
    std::fs::rename(&copy, world.path("office")).unwrap();
    let back = world.done("office", &["exchange"]);
    assert_eq!((&back["waiting"], &back["level"]), (&0.into(), &true.into()), "{back}");
    assert_eq!(world.records("office"), records, "the same records, none twice");
    let new = world.note("office", "written afterwards");
    assert_eq!(world.done("office", &["exchange"])["waiting"], 0);
    assert_eq!(world.done("office", &["verify"])["faults"], Value::Array(vec![]));
    drop(serving);
    for record in [unsent, later, new] {
        assert!(world.held(&world.path("shop").join("shop.db"), &record).is_some());
        assert!(world.held(&world.path("office"), &record).unwrap().is_some());
    }
}
