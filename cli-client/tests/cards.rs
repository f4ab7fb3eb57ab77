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

/// The twin's card said otherwise, on every device.
fn restated(world: &World, flags: &[&str]) -> common::Ran {
    let usual = ["--json", "office", "card", "add", "--name", "Invented twin", "--cylinders", "2", "--hours", "100", "--months", "6"];
    let source = ["--source-manual", "Invented manual", "--source-page", "14"];
    let ran = world.tappet("office", &[&usual[..], &source[..], flags].concat());
    world.exchange("office");
    world.exchange("tove");
    ran
}

#[test]
fn a_card_is_written_as_its_manual_says_it() {
    let world = World::with_shop();
    let flags = ["--intake", ".005", "--exhaust", "6 +/- 1", "--past-tdc", "1/4 in.", "--past-tdc-degrees", "31"];
    let firing = ["--firing-order", "1-2", "--firing-degrees", "270-450"];
    let ran = restated(&world, &[&flags[..], &firing[..]].concat()).json(0);
    let card = &ran["engine_card"];
    assert_eq!(
        (&card["intake"]["low_tenth_um"], &card["intake_said"], &card["exhaust_said"]),
        (&json!(1_016), &json!("figure"), &json!("tolerance"))
    );
    assert_eq!((&card["past_tdc_tenth_um"], &card["past_tdc_tenth_deg"]), (&json!(63_500), &json!(310)));
    let shown = world.tappet("tove", &["show", "T-1"]).screen(0).replace('\n', " ");
    assert!(shown.contains("intake 5 thou (the manual names no tolerance: taken as 4 to 6 thou,"), "{shown}");
    assert!(shown.contains("exhaust 6 ± 1 thou (5 to 7 thou)"), "{shown}");
    let guide = world.answering("tove", &["guide", "T-1"], "y\ny\nq\n").screen(0).replace('\n', " ");
    assert!(guide.contains("31° of the crank past it, the piston down .250 in") && guide.contains("can hold its valve open"), "{guide}");
    assert!(guide.contains("It fires 450° of the crank after cylinder 2"), "{guide}");
    // As a file and as a table it comes back as it went.
    let path = file(&world);
    assert_eq!(card_file_changes(&world, &path), (0, 0));
    for (flag, value) in [("--firing-degrees", "100"), ("--past-tdc-degrees", "100"), ("--intake", "1")] {
        let bad: Vec<&str> = flags.into_iter().chain(firing).collect();
        let at = bad.iter().position(|word| *word == flag).unwrap();
        let bad: Vec<&str> = bad.iter().enumerate().map(|(n, word)| if n == at + 1 { value } else { word }).collect();
        assert_ne!(restated(&world, &bad).code, 0, "{flag} {value}");
    }
}

/// How many cards the exported file would add and change.
fn card_file_changes(world: &World, path: &str) -> (u64, u64) {
    assert_eq!(card(world, &["export", path]).code, 0);
    let done = world.tappet("office", &["--json", "office", "--offline", "card", "import", path]).json(0);
    (done["new"].as_u64().unwrap_or(0), done["restated"].as_u64().unwrap_or(0))
}

#[test]
fn hydraulic_lash_is_listened_to_and_due_like_any_check() {
    let world = World::with_shop();
    assert_ne!(restated(&world, &[]).code, 0, "ranges, or hydraulic");
    assert_ne!(restated(&world, &["--hydraulic", "--intake", "4-6"]).code, 0);
    assert_eq!(restated(&world, &["--hydraulic"]).code, 0);
    assert!(world.tappet("tove", &["show", "T-1"]).screen(0).contains("hydraulic lash, nothing to set"));
    // The guide asks for no leaf; without a word on what was heard the check is not whole.
    let silent = world.answering("tove", &["guide", "T-1"], "y\ny\n1500\n\ny\n\n").screen(0);
    assert!(!silent.contains("Does it go?") && !silent.contains("piston at"), "{silent}");
    assert!(silent.replace('\n', " ").contains("Listen to it run: outdoors"), "{silent}");
    let due = |world: &World| world.tappet("tove", &["--json", "show", "T-1"]).json(0)["due"].clone();
    assert_eq!(due(&world)["state"], "left-open");
    world.pass_min(24 * 60);
    let heard = world.answering("tove", &["guide", "T-1"], "y\ny\n1501\n\ny\nno tick once warm\n").screen(0);
    assert!(heard.contains("What was heard is kept."), "{heard}");
    let due = due(&world);
    assert!(due["by_tenth_h"] == 16_010 && due["state"] == "later", "{due}");
    // A leaf that is read all the same is kept, and nothing is judged by it.
    let read = world.tappet("tove", &["--json", "read", "T-1", "1I", "found", "5/6"]).json(0);
    assert_eq!((&read["judged"]["why"], &read["verdict"], &read["next_leaf"]), (&json!("hydraulic"), &json!("not judged"), &Value::Null));
    assert_ne!(world.tappet("tove", &["reckon", "leaves", "T-1", "1I"]).code, 0);
}
