//! What the terminal reckons, over months of history: every verb's answer as a snapshot, and what has no answer.

mod common;

use common::World;
use serde_json::Value;

const SPREAD: [&str; 6] = ["--leaf-u", "0.1thou", "--feel-u", "0.2thou", "--source", "two hands, one gap"];
const TRAIN: [&str; 18] = [
    "--barrel",
    "110mm",
    "--rod",
    "130mm",
    "--barrel-material",
    "die-cast-a380",
    "--rod-material",
    "steel-1020",
    "--barrel-warmer",
    "60",
    "--rod-warmer",
    "55.5",
    "--stem",
    "90mm",
    "--stem-material",
    "steel-4140",
    "--stem-warmer",
    "60",
];
const CRANK: [&str; 4] = ["--stroke", "70mm", "--rod", "110mm"];

/// Arguments of `tappet reckon`, with some that many questions share.
fn reckon<'a>(args: &[&'a str], more: &[&'a str]) -> Vec<&'a str> {
    ["reckon"].iter().chain(args).chain(more).copied().collect()
}

/// Every verb, with arguments that have an answer.
fn questions() -> Vec<Vec<&'static str>> {
    vec![
        reckon(&["sure", "T-1", "1I"], &SPREAD),
        reckon(&["leaves", "T-1", "1E"], &[]),
        reckon(&["turn", "T-1", "2E"], &[]),
        reckon(&["crank", "--angle", "31"], &CRANK),
        reckon(&["crank", "--drop", "0.25in"], &CRANK),
        reckon(&["tdc", "--before", "-20", "--after", "23.5"], &[]),
        reckon(&["tdc", "--before", "340", "--after", "22", "--drop-before", "2.7mm", "--drop-after", "3mm"], &CRANK),
        reckon(&["warm", "T-1", "2I"], &TRAIN),
        reckon(&["meter", "T-1"], &[]),
        reckon(&["usage", "T-1", "--season", "12-1..6-30"], &[]),
        reckon(&["due", "T-1", "--days", "200"], &[]),
        reckon(&["drift", "T-1", "1I"], &[]),
        reckon(&["carry", "tove ask"], &[]),
        reckon(&["agreement", "--day", "2026-04-19"], &[]),
        reckon(&["round", "--days", "150"], &[]),
    ]
}

#[test]
fn every_question_on_a_screen() {
    let world = World::with_history();
    let mut screens = String::new();
    for args in questions() {
        screens = format!("{screens}> {}\n{}\n", args.join(" "), world.tappet("tove", &args).screen(0));
    }
    insta::assert_snapshot!("screens", screens);
}

#[test]
fn every_question_in_millimetres() {
    let world = World::with_history();
    assert_eq!(world.tappet("tove", &["settings", "unit", "mm"]).code, 0);
    let mut screens = String::new();
    for args in questions() {
        let screen = world.tappet("tove", &args).screen(0);
        assert!(!screen.contains(" thou"), "{args:?}: {screen}");
        screens.push_str(&screen);
    }
    for said in
        ["with 91 % probability", "try 0.13 mm (0.06 and 0.07 mm stacked)", "the piston is 6.486 mm down", "Closes by about 0.063 mm"]
    {
        assert!(screens.contains(said), "{said}: {screens}");
    }
}

#[test]
fn every_answer_is_facts_and_words_and_nothing_is_written() {
    let world = World::with_history();
    for mut args in questions() {
        args.insert(0, "--json");
        let answer = world.tappet("tove", &args).json(0);
        let words = answer["words"].as_array().unwrap();
        assert!(!words.is_empty() && words.iter().all(|said| said.as_str().is_some_and(|said| !said.is_empty())), "{args:?}: {answer}");
        assert!(answer["facts"].is_object() || answer["facts"].is_array(), "{args:?}: {answer}");
    }
    assert_eq!(world.tappet("tove", &["--json", "status"]).json(0)["waiting"], 0);
}

#[test]
fn the_numbers_that_were_typed_are_those_that_are_reckoned_with() {
    let world = World::with_history();
    let facts = |args: &[&str], more: &[&str]| {
        let mut args = reckon(args, more);
        args.insert(0, "--json");
        world.tappet("tove", &args).json(0)["facts"].clone()
    };
    let near = |value: &Value, wanted: f64| assert!((value.as_f64().unwrap() - wanted).abs() < 1e-3 * wanted.abs(), "{value} {wanted}");
    let sure = facts(&["sure", "T-1", "1I", "--level", "90"], &SPREAD);
    assert_eq!((&sure["decision"], &sure["level"]), (&"accept".into(), &0.9.into()));
    // A thou of the bracket, blurred by √(0.1² + 0.2²) thou: all but 0.0892 of it lies under 6 thou.
    near(&sure["probability"], 0.9108);
    // 1.4 · (110 mm · 21.8 · 60 − 130 mm · 11.7 · 55.5) · 1e-6.
    near(&facts(&["warm", "T-1", "2I"], &TRAIN)["change_tenth_um"], 832.5 + 513.0);
    near(&facts(&["warm", "T-1", "2I", "--ratio", "1.0"], &TRAIN)["change_tenth_um"], 594.7 + 513.0);
    near(&facts(&["crank", "--angle", "-31"], &CRANK)["drop_tenth_um"], 64_863.0);
    near(&facts(&["crank", "--drop", "6.4863mm"], &CRANK)["degrees"], 31.0);
    assert_eq!(facts(&["tdc", "--before", "350", "--after", "15"], &[])["degrees"], 2.5);
    assert_eq!(facts(&["usage", "T-1", "--days", "90"], &[])["readings"], 4);
    assert_eq!(facts(&["usage", "T-1"], &[])["readings"], 6);
    let due = facts(&["due", "T-1", "--season", "12-1..6-30"], &[]);
    assert_eq!(due["usage"]["season"]["between"]["to"], serde_json::json!({ "month": 6, "day": 30 }));
    assert_eq!(facts(&["round", "--days", "150", "--minutes", "30"], &[])["put_off"].as_array().unwrap().len(), 1);
    let put_off = world.tappet("tove", &["reckon", "round", "--days", "150", "--minutes", "30"]).screen(0);
    assert!(put_off.contains("T-1 due soon (2026-08-05) at Alder Court: takes longer than the whole round"), "{put_off}");
    assert_eq!(facts(&["round"], &[])["stops"], serde_json::json!([]));
}

#[test]
fn the_reading_meant_is_the_last_of_left_and_found() {
    let world = World::with_history();
    for (valve, stage, meant) in [
        ("1I", None, "left"),
        ("1I", Some("found"), "found"),
        // Never left at all.
        ("2E", None, "found"),
        ("1E", Some("set"), "set"),
    ] {
        let mut args = vec!["--json", "reckon", "turn", "T-1", valve];
        args.extend(stage);
        let answer = world.tappet("tove", &args).json(0);
        assert_eq!((&answer["stage"], &answer["valve"]), (&meant.into(), &valve.into()), "{stage:?}");
    }
    // Left in December and found since, on a warm engine: no adjuster is turned by that. What it goes by is said.
    assert!(world.tappet("tove", &["reckon", "turn", "T-1", "2I"]).err.contains("was read without an engine said to be cold"));
    let warm = world.tappet("tove", &reckon(&["warm", "T-1", "2I"], &TRAIN)).screen(0);
    assert!(warm.contains("Goes by 2I found, 7 to 8 thou, cold not confirmed, read 2026-04-28 08:02."), "{warm}");
}

#[test]
fn your_own_leaves_are_planned_with() {
    let world = World::with_history();
    assert_eq!(world.tappet("tove", &["leaves", "5", "8"]).code, 0);
    let screen = world.tappet("tove", &["reckon", "leaves", "T-1", "1E"]).screen(0);
    assert!(screen.contains("try 5 thou") && !screen.contains("try 7 thou") && !screen.contains("plain set"), "{screen}");
}

#[test]
fn what_has_no_answer_is_a_sentence() {
    let world = World::with_history();
    let cases: Vec<(Vec<&str>, i32, &str, &str)> = vec![
        (reckon(&["sure", "T-2", "1I"], &SPREAD), 1, "no-answer", "no engine card with a source"),
        (reckon(&["sure", "T-1", "2E", "left"], &SPREAD), 1, "no-answer", "No reading of 2E left stands."),
        (reckon(&["sure", "T-1", "2I"], &SPREAD), 1, "no-answer", "read without an engine said to be cold"),
        (reckon(&["sure", "T-1", "1I", "--leaf-u", "80", "--feel-u", "0", "--source", "x"], &[]), 1, "no-answer", "at most 1.5 mm"),
        (reckon(&["sure", "T-1", "1I", "--leaf-u", "1", "--feel-u", "0", "--source", " "], &[]), 1, "no-answer", "needs its source"),
        (reckon(&["sure", "T-1", "1I", "--leaf-u", "x", "--feel-u", "0", "--source", "x"], &[]), 2, "unreadable", "\"x\" is not a length"),
        (reckon(&["sure", "T-1", "1I", "--level", "0.95"], &SPREAD), 2, "unreadable", "write percent from 50 to below 100"),
        (reckon(&["sure", "T-1", "1X"], &SPREAD), 2, "unreadable", "\"1X\" is not a valve"),
        (reckon(&["sure", "T-1", "1I", "--leaf-u", "1"], &[]), 2, "unreadable", "--feel-u <L> --source <TEXT>"),
        (reckon(&["leaves", "T-2", "1I"], &[]), 1, "no-answer", "no engine card with a source"),
        (reckon(&["turn", "T-2", "1I"], &[]), 1, "no-answer", "no engine card with a source"),
        (reckon(&["turn", "T-1", "1I", "before"], &[]), 2, "unreadable", "\"before\" is not a stage"),
        (reckon(&["crank", "--angle", "31", "--stroke", "70mm", "--rod", "30mm"], &[]), 1, "no-answer", "cannot turn a crank"),
        (reckon(&["crank", "--drop", "71mm"], &CRANK), 1, "no-answer", "The piston is never 71.00 mm down"),
        (reckon(&["crank", "--angle", "steep"], &CRANK), 2, "unreadable", "\"steep\" is not an angle"),
        (reckon(&["crank", "--angle", "nan"], &CRANK), 2, "unreadable", "\"nan\" is not an angle"),
        (reckon(&["crank"], &CRANK), 2, "unreadable", "--angle <DEG>"),
        (reckon(&["tdc", "--before", "20", "--after", "20"], &[]), 1, "no-answer", "no way over top dead center"),
        (reckon(&["tdc", "--before", "1", "--after", "2", "--drop-before", "1mm"], &[]), 2, "unreadable", "--drop-after <L>"),
        (reckon(&["warm", "T-1", "2E", "set"], &TRAIN), 1, "no-answer", "No reading of 2E set stands."),
        (reckon(&["warm", "T-2", "1I"], &TRAIN), 1, "no-answer", "give it with --ratio"),
        (reckon(&["meter", "T-9"], &[]), 1, "not-found", "T-9"),
        (reckon(&["usage", "T-2"], &[]), 1, "no-answer", "hours per day need two"),
        (reckon(&["usage", "T-1", "--days", "0"], &[]), 2, "unreadable", "A season looks back 1 to 3653 days"),
        (reckon(&["due", "T-1", "--season", "2-30..3-1"], &[]), 2, "unreadable", "\"2-30..3-1\" is not a season"),
        (reckon(&["due", "T-1", "--season", "spring"], &[]), 2, "unreadable", "\"spring\" is not a season"),
        (reckon(&["due", "T-2"], &[]), 1, "no-answer", "there is no interval"),
        (reckon(&["drift", "T-1", "2E", "x"], &[]), 2, "unreadable", "Unexpected argument 'x'"),
        (reckon(&["drift", "T-2", "1I"], &[]), 1, "no-answer", "No valve was read as left and found again"),
        (reckon(&["carry", "Hans Lind"], &[]), 1, "no-answer", "No valve was read both as set and as left"),
        (reckon(&["carry", "Nina Berg"], &[]), 1, "not-found", "Nina Berg"),
        (reckon(&["agreement", "--day", "2026-04-20"], &[]), 1, "no-answer", "No two people read the same two parts"),
        (reckon(&["agreement", "--day", "yesterday"], &[]), 2, "unreadable", "\"yesterday\" is not a day"),
        (reckon(&["round", "--days", "soon"], &[]), 2, "unreadable", "'soon'"),
    ];
    for (args, code, word, said) in &cases {
        let told = world.tappet("tove", args).screen(*code);
        assert!(told.starts_with("--- on standard error"), "{args:?}: {told}");
        let mut args = args.clone();
        args.insert(0, "--json");
        let error = world.tappet("tove", &args).error(*code);
        let sentence = error["sentence"].as_str().unwrap();
        assert!(sentence.contains(said) && sentence.ends_with('.'), "{args:?}: {sentence}");
        assert_eq!(error["code"], *word, "{args:?}");
        // Nothing was to be kept, and nothing else is to be done.
        assert!(*word != "no-answer" || (!sentence.contains("kept") && error["hint"].is_null()), "{error}");
    }
}

#[test]
fn a_part_is_of_a_known_material_or_of_a_stated_one() {
    let world = World::with_history();
    let warm = |barrel: &'static str| {
        let mut args = reckon(&["warm", "T-1", "2I"], &TRAIN);
        *args.iter_mut().find(|arg| **arg == "die-cast-a380").unwrap() = barrel;
        args
    };
    assert_eq!(world.tappet("tove", &warm("21.8: data sheet, page 2")).screen(0), world.tappet("tove", &warm("Die-cast A380")).screen(0));
    assert!(world.tappet("tove", &warm("21.8")).screen(1).contains("needs its source"));
    assert!(world.tappet("tove", &warm("wood")).screen(2).contains("\"wood\" is no material"));
    let mut hot = warm("aluminium-356");
    *hot.iter_mut().find(|arg| **arg == "60").unwrap() = "600";
    assert!(world.tappet("tove", &hot).screen(2).contains("6000 is not a difference"));
}
