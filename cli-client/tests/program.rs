//! The real program in a sealed environment: its own usage, books that are none, and the variables it honours.

#![allow(clippy::unwrap_used, reason = "a test's own world fails by panicking")]

mod common;

use assert_cmd::Command;
use common::World;

/// The program with nothing of this machine's environment but its own folder.
fn tappet(world: &World) -> Command {
    let mut command = Command::cargo_bin("tappet").unwrap();
    command.env_clear().current_dir(world.folder()).env("HOME", world.folder());
    command
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

#[test]
fn help_names_every_verb_and_exit_code() {
    let world = World::new();
    let output = tappet(&world).arg("--help").output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    insta::assert_snapshot!("help", text(&output.stdout));
    let output = tappet(&world).args(["office", "--help"]).output().unwrap();
    insta::assert_snapshot!("help_office", text(&output.stdout));
    let output = tappet(&world).args(["read", "--help"]).output().unwrap();
    insta::assert_snapshot!("help_read", text(&output.stdout));
    let output = tappet(&world).args(["reckon", "--help"]).output().unwrap();
    insta::assert_snapshot!("help_reckon", text(&output.stdout));
    let output = tappet(&world).args(["reckon", "sure", "--help"]).output().unwrap();
    insta::assert_snapshot!("help_reckon_sure", text(&output.stdout));
}

#[test]
fn help_and_wrong_usage_fit_on_a_screen() {
    let world = World::new();
    for verb in ["sure", "leaves", "turn", "crank", "tdc", "warm", "meter", "usage", "due", "drift", "carry", "agreement", "round"] {
        for args in [&["reckon", verb, "--help"][..], &["reckon", verb, "--day", "the day before the one before yesterday, or so"]] {
            let output = tappet(&world).args(args).output().unwrap();
            let said = format!("{}{}", text(&output.stdout), text(&output.stderr));
            assert!(said.lines().all(|line| line.chars().count() <= 80), "{args:?}: {said}");
        }
    }
}

#[test]
fn wrong_usage_is_exit_code_2_and_json_where_asked() {
    let world = World::new();
    let output = tappet(&world).args(["read"]).output().unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(text(&output.stderr).contains("<MACHINE>"));
    let output = tappet(&world).args(["--json", "due", "--nonsense"]).output().unwrap();
    assert_eq!((output.status.code(), output.stdout.len()), (Some(2), 0));
    let error: serde_json::Value = serde_json::from_slice(&output.stderr).unwrap();
    assert_eq!(error["error"]["code"], "unreadable");
    assert!(error["error"]["sentence"].as_str().unwrap().contains("--nonsense"));
}

#[test]
fn without_a_book_nothing_is_made() {
    let world = World::new();
    let output = tappet(&world).arg("due").output().unwrap();
    assert_eq!(output.status.code(), Some(1));
    let said = text(&output.stderr);
    assert!(said.starts_with("There is no book at"), "{said}");
    assert!(said.contains("tappet enrol --server URL --code CODE"), "{said}");
    assert!(!world.folder().join(".local").exists());
}

#[test]
fn a_shop_that_does_not_answer_leaves_a_book_to_try_again_with() {
    let world = World::new();
    for _ in 0..2 {
        let output = tappet(&world).args(["enrol", "--server", common::NOWHERE, "--code", "AAAAA-AAAAA"]).output().unwrap();
        assert_eq!(output.status.code(), Some(4), "{output:?}");
        assert!(text(&output.stderr).contains("nothing answers at http://127.0.0.1:9"));
    }
    let book = world.folder().join(".local/share/tappetbook/book.db");
    assert!(book.exists());
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        assert_eq!(std::fs::metadata(book.parent().unwrap()).unwrap().permissions().mode() & 0o777, 0o700);
    }
    let output = tappet(&world).arg("due").output().unwrap();
    assert_eq!(output.status.code(), Some(1));
    assert!(text(&output.stderr).contains("This device is not enrolled in a shop yet"), "{output:?}");
}

#[test]
fn plain_http_to_elsewhere_is_refused() {
    let world = World::new();
    let output = tappet(&world).args(["enrol", "--server", "http://shop.invalid", "--code", "AAAAA-AAAAA"]).output().unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(text(&output.stderr).contains("--allow-plain-http"));
}

#[test]
fn a_file_that_is_no_book_is_left_alone() {
    let world = World::new();
    let file = world.folder().join("notes.txt");
    std::fs::write(&file, "shopping list: belts, plugs, a longer feeler gauge than this line is short").unwrap();
    let before = std::fs::read(&file).unwrap();
    let output = tappet(&world).args(["--json", "--book", "notes.txt", "due"]).output().unwrap();
    assert_eq!(output.status.code(), Some(1));
    let error: serde_json::Value = serde_json::from_slice(&output.stderr).unwrap();
    assert_eq!(error["error"]["code"], "not-a-book");
    assert_eq!(std::fs::read(&file).unwrap(), before);
}

#[test]
fn a_second_program_on_the_same_book_is_told() {
    let world = World::with_shop();
    let held = sync_core::store::Store::open(&world.path("tove")).unwrap();
    let output = tappet(&world).args(["--json", "due", "--book"]).arg(world.path("tove")).output().unwrap();
    drop(held);
    assert_eq!(output.status.code(), Some(1));
    let error: serde_json::Value = serde_json::from_slice(&output.stderr).unwrap();
    assert_eq!(error["error"]["code"], "book-in-use");
    let output = tappet(&world).args(["due", "--book"]).arg(world.path("tove")).output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{output:?}");
}

#[test]
fn variables_name_the_book_and_the_unit() {
    let world = World::with_shop();
    let run =
        |unit: &str| tappet(&world).env("TAPPET_BOOK", world.path("tove")).env("TAPPET_UNIT", unit).args(["show", "T-1"]).output().unwrap();
    assert!(text(&run("mm").stdout).contains("intake 0.1016 to 0.1524 mm"), "{:?}", run("mm"));
    assert!(text(&run("thou").stdout).contains("intake 4 to 6 thou"));
    assert_eq!(run("furlong").status.code(), Some(2));
}

#[test]
fn the_real_clock_and_randomness_write_a_book_that_verifies() {
    let world = World::with_shop();
    let book = world.path("tove");
    for args in [&["visit", "open", "T-1", "--cold", "--cautions-read"][..], &["read", "T-1", "1I", "found", "5/6"], &["verify"]] {
        let output = tappet(&world).arg("--book").arg(&book).args(args).output().unwrap();
        assert_eq!(output.status.code(), Some(0), "{args:?}: {output:?}");
    }
}

#[test]
fn completions_for_every_shell() {
    let world = World::new();
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let output = tappet(&world).args(["completions", shell]).output().unwrap();
        assert_eq!(output.status.code(), Some(0));
        assert!(text(&output.stdout).contains("tappet"), "{shell}");
    }
}
