//! Readings so far off that something else is more likely wrong: asked about before anything is turned.

mod common;

use common::World;

fn lines(answers: &[&str]) -> String {
    answers.iter().map(|answer| format!("{answer}\n")).collect()
}

fn opened() -> World {
    let world = World::with_shop();
    assert_eq!(world.tappet("tove", &["visit", "open", "T-1", "--cold", "--cautions-read"]).code, 0);
    world
}

#[test]
fn a_gross_reading_is_asked_about_before_anything_is_turned() {
    let world = opened();
    for (leaves, gross, said) in [
        ("20/25", "far-loose", "Is the push rod straight, and seated at both ends?"),
        ("40/", "far-loose", "Are both rockers of this cylinder free?"),
        ("/1.5", "nothing-goes", "Then a leak-down or compression test tells. Put the machine on hold until it has."),
        ("/4", "none-went", "Try your thinnest leaf, and read again."),
    ] {
        let world = opened();
        let first = world.tappet("tove", &["read", "T-1", "1I", "found", leaves]).screen(0);
        let flat = first.replace('\n', " ");
        assert!(flat.contains(said) && flat.contains("do not turn the adjuster yet"), "{leaves}: {first}");
        for turning in ["Open it", "Close it", "Turn the adjuster", "clockwise"] {
            assert!(!flat.contains(turning), "{leaves}: {first}");
        }
        // Looked at, and read again as far off: now a loose one may be turned, and what it may be is still said.
        let again = world.tappet("tove", &["--json", "read", "T-1", "1I", "found", leaves]).json(0);
        assert_eq!(again["gross"], gross);
        let again = again["next"].to_string();
        // Where nothing goes, a test comes before any turning.
        let test_first = again.contains("eak-down or compression test") && !again.contains("Open it");
        assert!(again.contains("Still ") && (again.contains("Close it") || test_first), "{leaves}: {again}");
        assert_eq!(test_first, gross.starts_with("no"), "{leaves}: {again}");
    }
    // Off, and not far: turned at once, as ever.
    let near = world.tappet("tove", &["--json", "read", "T-1", "1I", "found", "7/8"]).json(0);
    assert_eq!((&near["gross"], near["turn"].is_object()), (&serde_json::Value::Null, true));
}

/// Off in another way than before, other things are to be looked at: stroke and release are asked for before a test is spoken of.
#[test]
fn off_in_another_way_is_asked_about_again() {
    for (first, then, said) in [
        ("/4", "/1.5", "Is this the compression stroke, and off the bump of the compression release?"),
        ("20/25", "/1.5", "Is this the compression stroke, and off the bump of the compression release?"),
        ("/1.5", "20/25", "Is the push rod straight, and seated at both ends?"),
    ] {
        let world = opened();
        assert_eq!(world.tappet("tove", &["read", "T-1", "1I", "found", first]).code, 0);
        let screen = world.tappet("tove", &["read", "T-1", "1I", "found", then]).screen(0).replace('\n', " ");
        assert!(screen.contains(said) && !screen.contains("Still ") && !screen.contains("Turn the adjuster"), "{first} {then}: {screen}");
    }
}

#[test]
fn the_guide_looks_first_and_offers_a_hold() {
    let world = World::with_shop();
    let answers = lines(&["y", "y", "n", "n", "0", "y", "n", "n", "0", "y", "q"]);
    let screen = world.answering("tove", &["guide", "T-1"], &answers).screen(0);
    insta::assert_snapshot!("guide_nothing_goes", screen);
    let view = world.tappet("tove", &["--json", "show", "T-1"]).json(0);
    assert_eq!(view["findings"][0]["what"], "1I: nothing goes; leak-down or compression test before it runs");
    // Taken up again where it was left: the questions come again before anything is turned.
    let other = World::with_shop();
    drop(other.answering("tove", &["guide", "T-1"], &lines(&["y", "y", "20/25", "q"])).screen(0));
    let taken_up = other.answering("tove", &["guide", "T-1"], &lines(&["y", "y", "20/25", "q"])).screen(0);
    let (look, turn) = (taken_up.find("Is the rocker stud tight?").unwrap(), taken_up.find("Turn the adjuster").unwrap());
    assert!(look < turn, "{taken_up}");
}

#[test]
fn a_turn_is_not_reckoned_from_a_gross_reading_and_every_screen_says_why() {
    let world = opened();
    assert_eq!(world.tappet("tove", &["read", "T-1", "1I", "found", "20/25"]).code, 0);
    let refused = world.tappet("tove", &["reckon", "turn", "T-1", "1I"]);
    assert!(refused.code == 1 && refused.err.contains("do not turn the adjuster yet"), "{refused:?}");
    assert!(world.tappet("tove", &["show", "T-1"]).screen(0).contains("loose, far off"));
    assert_eq!(world.tappet("tove", &["--json", "show", "T-1"]).json(0)["lash"][0]["gross"], "far-loose");
    assert_eq!(world.tappet("tove", &["read", "T-1", "1I", "found", "20/25"]).code, 0);
    let reckoned = world.tappet("tove", &["reckon", "turn", "T-1", "1I"]).screen(0);
    assert!(reckoned.starts_with("Still far outside") && reckoned.contains("Turn the adjuster"), "{reckoned}");
}

#[test]
fn a_card_says_how_far_is_far() {
    let world = World::with_shop();
    let card = ["--json", "office", "card", "add", "--name", "Invented twin", "--cylinders", "2", "--intake", "4-6", "--exhaust", "5-7"];
    let more = ["--hours", "100", "--source-manual", "Invented manual", "--source-page", "12", "--far-widths", "0.5"];
    assert_eq!(world.tappet("office", &[&card[..], &more].concat()).code, 0);
    world.exchange("office");
    world.exchange("tove");
    assert_eq!(world.tappet("tove", &["visit", "open", "T-1", "--cold", "--cautions-read"]).code, 0);
    assert_eq!(world.tappet("tove", &["--json", "read", "T-1", "1I", "found", "8/9"]).json(0)["gross"], "far-loose");
    let wrong = world.tappet("office", &[&card[..], &more[..6], &["--far-widths", "two"]].concat());
    assert!(wrong.code == 2 && wrong.err.contains("is not a number of widths"), "{wrong:?}");
}
