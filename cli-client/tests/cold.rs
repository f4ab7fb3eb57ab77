//! Before a check goes on: what forbids running the machine, the cautions again, and a cold that still counts.

mod common;

use common::World;

const SIX_DAYS_MIN: i64 = 6 * 24 * 60;
const OPEN: [&str; 5] = ["visit", "open", "T-1", "--cold", "--cautions-read"];

#[test]
fn a_cold_of_six_days_ago_is_not_in_spec() {
    let world = World::with_shop();
    assert_eq!(world.tappet("tove", &OPEN).code, 0);
    assert_eq!(world.tappet("tove", &["--json", "read", "T-1", "1I", "found", "4/5"]).json(0)["judged"]["verdict"], "in-spec");
    world.pass_min(SIX_DAYS_MIN);
    let read = world.tappet("tove", &["read", "T-1", "1E", "found", "5/6"]).screen(0);
    assert!(read.starts_with("not judged\nThe engine was said to be cold 144 hours ago, which counts for 12."), "{read}");
    let read = world.tappet("tove", &["--json", "read", "T-1", "2I", "found", "4/5"]).json(0);
    assert_eq!((&read["judged"]["why"], &read["cold"]["engine"]), (&"not-cold".into(), &"too-long-ago".into()));
    // Said again, it counts again, in the same visit; what was said for one reading counts for that one.
    let said = world.tappet("tove", &["read", "T-1", "2I", "found", "4/5", "--cold"]).screen(0);
    assert!(said.starts_with("in spec\n"), "{said}");
    let resumed = world.tappet("tove", &["visit", "resume", "T-1", "--cold", "--cautions-read"]).screen(0);
    assert!(resumed.contains("to T-1 goes on."), "{resumed}");
    assert!(world.tappet("tove", &["read", "T-1", "1E", "found", "5/6"]).screen(0).starts_with("in spec\n"));
    let view = world.tappet("tove", &["--json", "show", "T-1"]).json(0);
    assert_eq!(view["visits"].as_array().unwrap().len(), 1, "going on opens no second visit");
    assert!(view["history"][1]["words"].as_str().unwrap().starts_with("visit gone on with, engine cold"), "{}", view["history"][1]);
    assert_eq!(world.tappet("tove", &["visit", "resume", "T-2", "--cold", "--cautions-read"]).code, 1, "nothing to go on with");
}

#[test]
fn an_engine_that_ran_since_is_asked_about_again() {
    let world = World::with_shop();
    assert_eq!(world.tappet("tove", &[&OPEN[..], &["--hours", "412.6"]].concat()).code, 0);
    world.pass_min(60);
    assert_eq!(world.tappet("tove", &["hours", "T-1", "413.4"]).code, 0);
    let read = world.tappet("tove", &["--json", "read", "T-1", "1I", "found", "4/5"]).json(0);
    assert_eq!((&read["judged"]["why"], &read["cold"]["engine"]), (&"not-cold".into(), &"ran-since".into()));
    assert_eq!(world.tappet("tove", &["visit", "resume", "T-1", "--cold", "--cautions-read"]).code, 0);
    assert_eq!(world.tappet("tove", &["--json", "read", "T-1", "1I", "found", "4/5"]).json(0)["judged"]["verdict"], "in-spec");
}

#[test]
fn the_guide_asks_again_and_names_the_hold_first() {
    let world = World::with_shop();
    let lines = |answers: &[&str]| answers.iter().map(|answer| format!("{answer}\n")).collect::<String>();
    assert_eq!(world.answering("tove", &["guide", "T-1"], &lines(&["y", "y", "4/5", "q"])).code, 0);
    assert_eq!(world.tappet("tove", &["hold", "T-1", "push rod of 1E bent"]).code, 0);
    // Half an hour later nothing has to be asked again but the cautions.
    world.pass_min(30);
    let soon = world.answering("tove", &["guide", "T-1"], &lines(&["y", "q"])).screen(0);
    assert!(!soon.contains("Is the engine cold?"), "{soon}");
    assert!(soon.starts_with("ON HOLD, do not run: Push rod of 1E bent."), "{soon}");
    world.pass_min(SIX_DAYS_MIN);
    let late = world.answering("tove", &["guide", "T-1"], &lines(&["y", "n", "5/6", "q"])).screen(0);
    assert!(late.starts_with("ON HOLD, do not run: Push rod of 1E bent."), "{late}");
    assert!(late.contains("144 hours ago") && late.contains("Is the engine cold? (y/n) n"), "{late}");
    assert!(!late.contains("in spec\n"), "{late}");
}

#[test]
fn a_hold_comes_first_wherever_a_visit_begins() {
    let world = World::with_shop();
    assert_eq!(world.tappet("tove", &["hold", "T-1", "push rod of 1E bent"]).code, 0);
    for screen in [
        world.tappet("tove", &OPEN).screen(0),
        world.tappet("tove", &["show", "T-1"]).screen(0),
        world.tappet("tove", &["visit", "resume", "T-1", "--cold", "--cautions-read"]).screen(0),
    ] {
        assert!(screen.starts_with("ON HOLD, do not run: Push rod of 1E bent."), "{screen}");
    }
    let unread = world.tappet("tove", &["visit", "open", "T-1"]);
    assert!(unread.out.find("ON HOLD").unwrap() < unread.out.find("1. ").unwrap(), "before the cautions: {}", unread.out);
    assert_eq!(world.tappet("tove", &[&["--json"], &OPEN[..]].concat()).json(0)["holds"][0]["what"], "push rod of 1E bent");
}
