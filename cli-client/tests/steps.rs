//! One-line steps: what is kept, what is refused and with which exit code, and that every answer parses as JSON.

mod common;

use common::World;

#[test]
fn every_verb_prints_one_json_document() {
    let world = World::with_shop();
    let picture = world.folder().join("plate.JPG");
    std::fs::write(&picture, b"\xff\xd8\xff\xe0 not much of a picture").unwrap();
    let picture = picture.to_str().unwrap();
    let steps: &[(&str, &[&str], i32)] = &[
        ("tove", &["visit", "open", "T-1", "--cold", "--cautions-read", "--hours", "412.6", "--temp-c", "-3.5"], 0),
        ("tove", &["read", "T-1", "1I", "found", "5/6"], 0),
        ("tove", &["hours", "T-1", "4126"], 3),
        ("tove", &["meter-change", "T-1", "--old", "412.6", "--new", "0"], 0),
        ("tove", &["finding", "T-1", "belt frayed"], 0),
        ("tove", &["hold", "T-1", "brake does not hold"], 0),
        ("tove", &["note", "T-1", "gate sticks"], 0),
        ("tove", &["photo", "T-1", picture], 0),
        ("tove", &["machine", "add", "T-3", "--property", "Alder Court", "--cylinders", "1"], 0),
        ("tove", &["visit", "finish", "T-1"], 0),
        ("tove", &["due"], 0),
        ("tove", &["show", "T-1"], 0),
        ("tove", &["history", "T-1"], 0),
        ("tove", &["leaves"], 0),
        ("tove", &["status"], 0),
        ("tove", &["quarantine"], 0),
        ("tove", &["verify"], 0),
        ("tove", &["settings", "unit", "mm"], 0),
        ("office", &["office", "--offline", "people"], 0),
        ("office", &["office", "--offline", "person", "add", "Nina Berg", "--role", "tech"], 0),
        ("office", &["office", "--offline", "person", "role", "Nina Berg", "none"], 0),
        ("office", &["office", "--offline", "device", "revoke", "hans-device", "--because", "lost"], 0),
        ("office", &["office", "--offline", "unassign", "Hans Lind", "Alder Court"], 0),
        ("office", &["office", "--offline", "card", "export", "--card", "Invented twin"], 0),
        ("office", &["office", "--offline", "settings", "--conflict-window-min", "60"], 0),
        ("office", &["office", "--offline", "day-sheet", "--day", "2026-04-29"], 0),
        ("office", &["office", "--offline", "due"], 0),
    ];
    for (device, args, code) in steps {
        let mut argv = vec!["--json"];
        argv.extend_from_slice(args);
        assert!(world.tappet(device, &argv).json(*code).is_object(), "{args:?}");
    }
    let photo = world.tappet("tove", &["--json", "history", "T-1"]).json(0).to_string();
    assert!(photo.contains("image/jpeg"), "{photo}");
    assert_eq!(world.tappet("tove", &["--json", "settings", "unit", "thou"]).json(0)["unit"], "thou");
}

/// A new meter that was read before its change was noted: the cause is named, and a change dated to its day puts it right.
#[test]
fn a_new_meter_is_named_and_dated() {
    let world = World::with_shop();
    assert_eq!(world.tappet("tove", &["hours", "T-1", "1520"]).code, 0);
    world.pass_min(10 * 24 * 60);
    let doubted = world.tappet("tove", &["hours", "T-1", "3.2"]).screen(3);
    let doubted = doubted.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(doubted.contains("below the 1520.0 h") && doubted.contains("a new hour meter? If so, note the change"), "{doubted}");
    // A slip is still named first, and a jump that no new meter makes names none.
    let slipped = world.tappet("tove", &["hours", "T-1", "15200"]).screen(3);
    assert!(slipped.contains("1520.0 entered as 15200.0?") && !slipped.contains("new hour meter"), "{slipped}");
    for (day, code) in [("2027-01-01", 1), ("yesterday", 2), ("2026-05-05", 0)] {
        let args = ["meter-change", "T-1", "--old", "1520", "--new", "0", "--on", day];
        assert_eq!(world.tappet("tove", &args).code, code, "{day}");
    }
    let meter = world.tappet("tove", &["--json", "reckon", "meter", "T-1"]).json(0);
    let engine: Vec<_> = meter["facts"].as_array().unwrap().iter().map(|line| (&line["engine_tenth_h"], &line["doubt"])).collect();
    assert_eq!(engine[..2], [(&15_200.into(), &serde_json::Value::Null), (&15_232.into(), &serde_json::Value::Null)], "{meter}");
    let history = world.tappet("tove", &["history", "T-1"]).screen(0).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(history.contains("2026-05-05 00:00: old one at 1520.0 h, new one from 0.0 h"), "{history}");
}

/// A season is the property's, or else the shop's: over the winter no hours are counted on, and what has no meter is an estimate.
#[test]
fn a_season_is_kept_and_counted_with() {
    let world = World::with_shop();
    let office = |args: &[&str], code: i32| {
        let ran = world.tappet("office", args).screen(code);
        ran.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    let visit = |machine: &str, hours: &[&str]| {
        let open = ["visit", "open", machine, "--cold", "--cautions-read", "--measured-by", "Tove Ask"];
        office(&[&open, hours].concat(), 0);
        for valve in ["1I", "1E", "2I", "2E"] {
            office(&["read", machine, valve, "left", "5/6", "--measured-by", "Tove Ask"], 0);
        }
        office(&["visit", "finish", machine, "--measured-by", "Tove Ask"], 0);
    };
    office(&["hours", "T-1", "100", "--measured-by", "Tove Ask"], 0);
    world.pass_min(150 * 24 * 60);
    visit("T-1", &["--hours", "250"]);
    office(&["office", "--offline", "machine", "set", "T-2", "--card", "Invented twin", "--hours-per-week", "5"], 0);
    visit("T-2", &[]);
    // An hour a day since 29 April. On 31 October 65 h are left of the card's 100; then 10 March.
    world.pass_min(35 * 24 * 60);
    office(&["hours", "T-1", "285", "--measured-by", "Tove Ask"], 0);
    world.pass_min(130 * 24 * 60);
    let all_year = office(&["due"], 0);
    assert!(all_year.contains("Overdue by hours, going by its use"), "{all_year}");
    assert!(all_year.contains("an estimate of its use, as it has no hour reading"), "{all_year}");
    assert_eq!(world.tappet("office", &["office", "--offline", "settings", "--season", "11..13"]).code, 2);
    assert!(office(&["office", "--offline", "settings", "--season", "1..1"], 0).contains("In use January to January"));
    // The property's own season counts more than the shop's.
    office(&["office", "--offline", "property", "set", "Alder Court", "--season", "4..10"], 0);
    assert!(office(&["office", "--offline", "properties"], 0).contains("April to October"));
    let seasonal = office(&["due"], 0);
    assert!(!seasonal.contains("Overdue by hours"), "{seasonal}");
    let words = office(&["reckon", "due", "T-1"], 0);
    assert!(words.contains("In use April to October."), "{words}");
    assert!(office(&["reckon", "due", "T-1", "--season", "1..12"], 0).contains("In use all year."));
}

#[test]
fn a_reading_in_json_has_its_verdict_and_record_on_top() {
    let world = World::with_shop();
    let done = world.tappet("tove", &["--json", "read", "T-1", "2E", "found", "8/9", "--cold"]).json(0);
    assert_eq!((&done["verdict"], &done["valve"], &done["bracket"]["go_tenth_um"]), (&"loose".into(), &"2E".into(), &2032.into()));
    assert_eq!(done["turn"]["most"]["closes"], true);
    let record = world.tappet("tove", &["--json", "record", done["record"].as_str().unwrap()]).json(0);
    assert_eq!(
        (&record["fate"], &record["body"]["no_go_tenth_um"], &record["received_ms"]),
        (&"stands".into(), &2286.into(), &serde_json::Value::Null)
    );
}

/// Manuals and leaves say inches: each entry of the terminal takes them as such, and says so.
#[test]
fn decimal_inches_are_inches_and_the_answer_says_so() {
    let world = World::with_shop();
    let said = |device: &str, args: &[&str]| world.tappet(device, args).screen(0);
    let read = said("tove", &["read", "T-1", "1I", "found", ".005/.006", "--cold"]);
    assert!(read.contains("Kept: 1I found, 5 to 6 thou"), "{read}");
    assert!(read.contains("Read as inches: 0.005 in., 5 thou; 0.006 in., 6 thou."), "{read}");
    let apart = world.tappet("tove", &["--json", "read", "T-1", "1E", "found", "--go", "0.005", "--cold"]).json(0);
    assert_eq!((&apart["bracket"]["go_tenth_um"], &apart["read_as_inches"]), (&1270.into(), &"Read as inches: 0.005 in., 5 thou.".into()));
    let leaves = said("tove", &["leaves", ".004,.005,.006"]);
    assert!(leaves.contains("Your leaves: 4, 5, 6 thou."), "{leaves}");
    let flags = ["--cylinders", "1", "--intake", ".004-.006", "--exhaust", ".006 ± .001", "--hours", "100", "--past-tdc", ".25"];
    let card = said("office", &[&["office", "--offline", "card", "add", "--name", "By inches"][..], &flags].concat());
    assert!(card.contains("intake 4 to 6 thou") && card.contains("exhaust 6 ± 1 thou (5 to 7 thou)"), "{card}");
    assert!(card.contains("0.25 in., 250\nthou") || card.contains("0.25 in., 250 thou"), "{card}");
    let table = world.folder().join("cards.csv");
    let rows = "name,cylinders,intake_low_thou,intake_high_thou,exhaust_low_thou,exhaust_high_thou,commercial_h,homeowner_h\nTable,1,.004,.006,5,7,100,100\n";
    std::fs::write(&table, rows).unwrap();
    let taken = said("office", &["office", "--offline", "card", "import", table.to_str().unwrap()]);
    assert!(taken.contains("intake_low_thou: 0.004 in., 4 thou"), "{taken}");
    let drop = said("tove", &["reckon", "crank", "--stroke", "2.5in", "--rod", "4in", "--drop", ".25"]);
    assert!(drop.contains(".250 in down") && drop.contains("0.25 in., 250 thou"), "{drop}");
    // A guided check takes both leaves at once, too.
    let guided = world.answering("tove", &["guide", "T-1"], "y\ny\n.005/.006\nq\n");
    assert!(guided.out.contains("Read as inches: 0.005 in., 5 thou; 0.006 in., 6 thou."), "{guided:?}");
}

#[test]
fn what_cannot_be_read_keeps_nothing() {
    let world = World::with_shop();
    // A text stays a text under whatever name.
    let plate = world.folder().join("plate.jpg");
    std::fs::write(&plate, b"the name plate says 412").unwrap();
    let plate = plate.to_str().unwrap();
    for (args, said) in [
        (&["read", "T-1", "1X", "found", "5/6"][..], "\"1X\" is not a valve"),
        (&["read", "T-1", "1I", "before", "5/6"], "\"before\" is not a stage"),
        (&["read", "T-1", "1I", "found", "5"], "\"5\" does not say which leaf goes"),
        (&["read", "T-1", "1I", "found", "five/6"], "\"five\" is not a length"),
        (&["read", "T-1", "1I", "found", "50/90"], "90 thou is thicker than any feeler leaf"),
        (&["read", "T-1", "1I", "found", "0.15/0.2"], "\"0.15\" can be 0.15 thou, 0.15 in. or 0.15 mm: write its unit"),
        (&["read", "T-1", "1I", "found", "--go=0.5"], "\"0.5\" can be 0.5 thou, 0.5 in. or 0.5 mm"),
        (&["leaves", "0.1,0.2"], "\"0.1\" can be 0.1 thou, 0.1 in. or 0.1 mm"),
        (&["hours", "T-1", "12.34"], "\"12.34\" is not an hour-meter reading"),
        (&["photo", "T-1", plate], "is no picture that the shop takes"),
        (&["leaves", "5-2"], "\"5-2\" is not a range of leaves"),
    ] {
        let mut argv = vec!["--json"];
        argv.extend_from_slice(args);
        let error = world.tappet("tove", &argv).error(2);
        let sentence = error["sentence"].as_str().unwrap();
        assert!(sentence.contains(said), "{args:?}: {sentence}");
        assert!(sentence.ends_with("; nothing was kept."), "{sentence}");
        assert_eq!(error["code"], "unreadable");
    }
    assert_eq!(world.tappet("tove", &["--json", "status"]).json(0)["waiting"], 0);
}

#[test]
fn what_the_book_refuses_keeps_nothing() {
    let world = World::with_shop();
    for (device, args, code, word) in [
        ("tove", &["read", "T-1", "3I", "found", "5/6"][..], 1, "entry-invalid"),
        ("tove", &["read", "T-1", "1I", "found", "6/5"], 1, "entry-invalid"),
        ("tove", &["read", "T-1", "1I", "found"], 1, "entry-invalid"),
        ("tove", &["show", "T-9"], 1, "not-found"),
        ("tove", &["record", "12"], 1, "not-found"),
        ("tove", &["visit", "finish", "T-1"], 1, "not-found"),
        ("tove", &["machine", "add", "T-1", "--property", "Alder Court"], 1, "entry-invalid"),
        ("tove", &["office", "--offline", "person", "add", "Nina Berg", "--role", "lead"], 5, "role-may-not"),
        ("office", &["hours", "T-1", "12.3"], 5, "role-may-not"),
        ("lars", &["read", "T-1", "1I", "found", "5/6", "--measured-by", "Tove Ask"], 5, "role-may-not"),
        ("tove", &["exchange"], 4, "shop-away"),
        ("office", &["office", "device", "code", "Tove Ask"], 4, "shop-away"),
    ] {
        let mut argv = vec!["--json"];
        argv.extend_from_slice(args);
        let error = world.tappet(device, &argv).error(code);
        assert_eq!(error["code"], word, "{args:?}: {error}");
    }
    assert_eq!(world.tappet("tove", &["--json", "status"]).json(0)["waiting"], 0);
}

#[test]
fn a_visit_is_not_opened_before_its_cautions_are_read() {
    let world = World::with_shop();
    let script = world.tappet("tove", &["visit", "open", "T-1"]);
    assert!(script.out.contains("then the plugs out"), "{script:?}");
    assert_eq!(script.code, 1);
    let refused = world.answering("tove", &["visit", "open", "T-1"], "n\n");
    assert_eq!(refused.code, 1, "{refused:?}");
    assert_eq!(world.tappet("tove", &["--json", "status"]).json(0)["waiting"], 0);
    let opened = world.answering("tove", &["visit", "open", "T-1"], "y\nn\n");
    assert!(opened.out.contains("The engine was not said to be cold"), "{opened:?}");
    assert_eq!((opened.code, &world.tappet("tove", &["--json", "status"]).json(0)["waiting"]), (0, &1.into()));
}

#[test]
fn the_office_goes_on_without_the_shop_and_says_so() {
    let world = World::with_shop();
    let ran = world.tappet("office", &["office", "property", "add", "Elm Terrace"]).screen(0);
    assert!(ran.contains("No exchange: The shop cannot be reached (nothing answers at http://127.0.0.1:9)"), "{ran}");
    assert!(ran.contains("kept here, and goes to the shop with the next exchange"), "{ran}");
    let listed = world.tappet("office", &["--json", "office", "properties"]).json(0);
    assert_eq!(listed["properties"].as_array().unwrap().len(), 2);
    assert_eq!(listed["exchange"]["before"]["state"], "failed");
}

#[test]
fn the_office_confirms_and_writes_paper_sheets_down() {
    let world = World::with_shop();
    assert_eq!(world.tappet("tove", &["machine", "add", "T-3", "--property", "Alder Court", "--cylinders", "2"]).code, 0);
    assert!(world.tappet("tove", &["show", "T-3"]).screen(0).contains("provisional"));
    world.exchange("tove");
    world.exchange("office");
    let set = world.tappet("office", &["--json", "office", "--offline", "machine", "set", "T-3", "--card", "invented twin"]).json(0);
    assert_eq!(set["confirmed"], true);
    assert!(!world.tappet("office", &["show", "T-3"]).screen(0).contains("provisional"));
    let read = ["--json", "read", "T-3", "1I", "found", "5/6", "--cold", "--measured-by", "Tove Ask"];
    let read = world.tappet("office", &read).json(0);
    let record = world.tappet("office", &["record", read["record"].as_str().unwrap()]).screen(0);
    assert!(record.contains("Measured by  Tove Ask"), "{record}");
}

#[test]
fn a_card_from_flags_without_a_source_says_so() {
    let world = World::with_shop();
    let flags = [
        "office",
        "--offline",
        "card",
        "add",
        "--name",
        "Single",
        "--cylinders",
        "1",
        "--intake",
        "0.10-0.15mm",
        "--exhaust",
        "5-7",
        "--months",
        "6",
        "--thread",
        "M6x1",
        "--rocker",
        "rocker-stud-nut",
        "--ratio",
        "1.3",
    ];
    let screen = world.tappet("office", &flags).screen(0);
    assert!(screen.contains("It names no manual and page, so nothing is judged against it."), "{screen}");
}

#[test]
fn a_void_and_a_clearing_by_their_short_names() {
    let world = World::with_shop();
    let read = world.tappet("tove", &["--json", "read", "T-1", "1I", "found", "9/10", "--cold"]).json(0);
    let id = read["record"].as_str().unwrap();
    let short = &id[id.len() - 8..];
    assert_eq!(world.tappet("tove", &["void", short, "--because", "wrong leaf"]).code, 0);
    assert_eq!(world.tappet("tove", &["--json", "record", short]).json(0)["fate"], "undone");
    let hold = world.tappet("tove", &["--json", "hold", "T-1", "drips"]).json(0);
    assert!(world.tappet("tove", &["due"]).screen(0).contains("ON HOLD: do not run."));
    let finding = hold["record"].as_str().unwrap();
    assert_eq!(world.tappet("tove", &["clear", finding, "line replaced"]).code, 0);
    assert!(!world.tappet("tove", &["due"]).screen(0).contains("ON HOLD"));
}

#[test]
fn own_leaves_decide_what_is_offered() {
    let world = World::with_shop();
    assert_eq!(world.tappet("tove", &["leaves", "2-12"]).code, 0);
    let read = world.tappet("tove", &["--json", "read", "T-1", "1I", "found", "3/8", "--cold"]).json(0);
    assert_eq!(read["verdict"], "too close to call");
    let offered = read["next_leaf"]["feeler"]["thickness_tenth_um"].as_i64().unwrap();
    assert_eq!(offered, 5 * 254, "the aim: {read}");
    assert_eq!(world.tappet("tove", &["leaves", "4", "6"]).code, 0);
    assert_eq!(world.tappet("tove", &["--json", "leaves"]).json(0)["set"]["leaves_tenth_um"], serde_json::json!([1016, 1524]));
}

/// Lists are found in by words, and one in which nothing is found does not say that it is empty.
#[test]
fn lists_are_found_in_by_words_and_say_where_nothing_is_found() {
    let world = World::with_shop();
    let office = |args: &[&str]| world.tappet("office", &[&["office", "--offline"], args].concat()).screen(0);
    assert!(office(&["closed-days"]).contains("No day has been closed."));
    for day in ["2026-04-28", "2026-04-29"] {
        office(&["close-day", "--day", day]);
    }
    let days = |sought: &[&str]| {
        let listed = world.tappet("office", &[&["--json", "office", "--offline", "closed-days"], sought].concat()).json(0);
        listed["days"].as_array().unwrap().iter().map(|day| day["day"].as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    assert_eq!(days(&[]), ["2026-04-29", "2026-04-28"]);
    assert_eq!(days(&["wednesday"]), ["2026-04-29"]);
    assert_eq!(days(&["2026", "TUESDAY"]), ["2026-04-28"]);
    for list in ["closed-days", "properties", "machines", "cards"] {
        let none = office(&[list, "no", "such", "thing"]);
        assert!(none.contains("Nothing is found by that."), "{list}: {none}");
    }
}
