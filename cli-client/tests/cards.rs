//! Engine cards as files: what is written is taken in again, and a file that cannot be taken leaves the book as it was.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

mod common;

use std::fs;

use common::World;
use serde_json::{Value, json};

/// Runs `office card` on the office's book, without an exchange.
fn card(world: &World, args: &[&str]) -> common::Ran {
    world.tappet("office", &[&["office", "--offline", "card"], args].concat())
}

fn cards(world: &World) -> Vec<Value> {
    let listed = world.tappet("office", &["--json", "office", "--offline", "cards"]).json(0);
    listed["engine_cards"].as_array().unwrap().clone()
}

fn records(world: &World) -> Value {
    world.tappet("office", &["--json", "status"]).json(0)["records"].clone()
}

/// A file's path for a command; what is there from before is taken away.
fn file(world: &World) -> String {
    let path = world.folder().join("cards.json");
    if path.exists() {
        fs::remove_file(&path).unwrap();
    }
    path.to_str().unwrap().to_owned()
}

/// The exported file of the test shop, edited.
fn edited(world: &World, edit: impl FnOnce(&mut Vec<Value>)) -> String {
    let path = file(world);
    assert_eq!(card(world, &["export", &path]).code, 0);
    let mut whole: Value = serde_json::from_str(&fs::read_to_string(&path).unwrap()).unwrap();
    edit(whole["cards"].as_array_mut().unwrap());
    fs::write(&path, whole.to_string()).unwrap();
    path
}

/// Another card like the first, known by its name alone.
fn another(cards: &mut Vec<Value>, name: &str) {
    let mut card = cards[0].clone();
    card.as_object_mut().unwrap().remove("card");
    card["name"] = json!(name);
    cards.push(card);
}

#[test]
fn what_is_exported_is_imported_and_changes_nothing() {
    let world = World::with_shop();
    let path = file(&world);
    let before = (cards(&world), records(&world));
    assert_eq!(card(&world, &["export", &path]).code, 0);
    let shown = card(&world, &["export"]).screen(0);
    assert!(shown.starts_with(fs::read_to_string(&path).unwrap().trim_end()), "the screen is the file: {shown}");
    let imported = card(&world, &["import", &path, "--json"]).json(0);
    assert_eq!((&imported["records"], &imported["imported"][0]["change"]), (&json!([]), &json!("same")));
    assert_eq!((cards(&world), records(&world)), before);
}

#[test]
fn cards_without_ids_go_by_their_names() {
    let world = World::with_shop();
    let path = edited(&world, |cards| another(cards, "Invented twin, later"));
    let changes = |ran: common::Ran| ran.json(0)["imported"].as_array().unwrap().iter().map(|c| c["change"].clone()).collect::<Vec<_>>();
    assert_eq!(changes(card(&world, &["import", &path, "--json"])), ["same", "new"]);
    // The second time it is the same card, not another one.
    assert_eq!(changes(card(&world, &["import", &path, "--json"])), ["same", "same"]);
    assert_eq!(cards(&world).len(), 2);
    let one = card(&world, &["export", "--card", "invented twin, later", "--json"]).json(0);
    assert_eq!(one["engine_cards"].as_array().unwrap().len(), 1);
}

#[test]
fn a_file_is_taken_whole_or_not_at_all() {
    let world = World::with_shop();
    let before = (cards(&world), records(&world));
    let path = edited(&world, |cards| {
        another(cards, "Good");
        another(cards, "Bad");
        cards[2]["cylinders"] = json!(0);
    });
    let error = card(&world, &["import", &path, "--json"]).error(1);
    let sentence = error["sentence"].as_str().unwrap();
    assert!(sentence.contains("(card 3, \"Bad\": an engine card is for 1 to 4 cylinders, not 0); nothing was kept."), "{sentence}");
    // A name that another known card has is found out only beside the book.
    let path = edited(&world, |cards| {
        another(cards, "Good");
        another(cards, "invented TWIN");
        cards.remove(0);
        cards[1]["card"] = json!("00000000-0000-4000-8000-000000000000");
    });
    let error = card(&world, &["import", &path, "--json"]).error(1);
    assert!(error["sentence"].as_str().unwrap().contains("card 2: another engine card is named \"invented TWIN\" already"), "{error}");
    assert_eq!((cards(&world), records(&world)), before);
}

#[test]
fn only_who_may_keep_cards_imports_them_and_no_file_is_overwritten() {
    let world = World::with_shop();
    let path = edited(&world, |cards| another(cards, "Single"));
    let denied = world.tappet("tove", &["--json", "office", "--offline", "card", "import", &path]).error(5);
    assert_eq!(denied["code"], "role-may-not");
    let before = fs::read(&path).unwrap();
    let error = card(&world, &["export", &path, "--json"]).error(1);
    assert!(error["sentence"].as_str().unwrap().ends_with("what was there is untouched."), "{error}");
    assert_eq!(fs::read(&path).unwrap(), before);
    // A directory, a file that is not there, and one that is far too long.
    let folder = world.folder().to_str().unwrap();
    for (given, why) in [(folder, "directory"), ("nowhere.json", "No such file")] {
        let error = card(&world, &["import", given, "--json"]).error(1);
        assert!(error["sentence"].as_str().unwrap().contains(why), "{error}");
    }
    fs::write(&path, vec![b' '; 2_000_000]).unwrap();
    let error = card(&world, &["import", &path, "--json"]).error(1);
    assert!(error["sentence"].as_str().unwrap().contains("at most 1048576 bytes"), "{error}");
}

#[test]
fn screens() {
    let world = World::with_shop();
    let mut screens = String::new();
    let mut shown = |what: &str, ran: common::Ran, code: i32| {
        screens.push_str(&format!("> {what}\n{}\n", ran.screen(code)));
    };
    shown("export", card(&world, &["export"]), 0);
    let path = edited(&world, |cards| {
        another(cards, "Invented twin, later");
        another(cards, "Unsourced");
        cards[2].as_object_mut().unwrap().remove("source");
    });
    shown("import", card(&world, &["import", &path]), 0);
    shown("import, again", card(&world, &["import", &path]), 0);
    insta::assert_snapshot!("cards", screens);
}
