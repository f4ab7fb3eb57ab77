//! What others' programs say of ours: a browser, an accessibility checker, readers of calendars, tables and papers. What they
//! need is installed by `tests/all`.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use std::path::{Path, PathBuf};
use std::process::Command;

use fixtures::demo::{Options, Stage, play};

fn top() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_owned()
}

/// The demo's shop at five o'clock, its server up.
fn evening() -> Stage {
    let stage = play(&Options::default(), &mut std::io::sink()).unwrap();
    // From five o'clock on time passes by itself.
    stage.clock().run();
    stage
}

/// A one-time code of the invented office's.
fn code(stage: &Stage) -> String {
    let said = stage.tappet("office", 0, &["--json", "office", "device", "code", "Odile Marsh"]);
    let said: serde_json::Value = serde_json::from_str(&said.out).unwrap();
    said["code"].as_str().unwrap().to_owned()
}

/// A script of `tests/outside` with the evening's shop to look at.
fn on_the_evening(script: &str) {
    let stage = evening();
    let mut command = Command::new("bash");
    command.arg(top().join("tests/outside").join(script)).env("TAPPETBOOK_URL", stage.url()).env("TAPPETBOOK_CODE", code(&stage));
    went_well(&mut command);
    stage.close();
}

fn python(script: &str) -> Command {
    let mut command = Command::new(top().join("target/outside-venv/bin/python"));
    command.arg(top().join("tests/outside").join(script)).env_remove("PYTHONPATH");
    command
}

fn went_well(command: &mut Command) {
    let ran = command.output().unwrap();
    let (out, err) = (String::from_utf8_lossy(&ran.stdout), String::from_utf8_lossy(&ran.stderr));
    assert!(ran.status.success(), "{command:?}:\n{out}{err}");
}

#[test]
#[ignore = "needs Chromium, Selenium and axe-core: tests/all installs them"]
fn the_office_spends_its_evening_in_a_browser() {
    let stage = evening();
    let code = code(&stage);
    // The terminal's own program, on a phone's book: where the tests are, cargo has built it.
    let tappet = std::env::current_exe().unwrap().parent().unwrap().with_file_name("tappet");
    assert!(tappet.is_file(), "build the terminal first: cargo build -p cli-client");
    let tappet = format!("{} --book {}", tappet.display(), stage.book("pia").display());
    let news = format!("{tappet} note Q-101 'gate left open' && {tappet} exchange");
    let pictures = top().join("target/outside/pictures");
    let axe = top().join("target/outside/node_modules/axe-core/axe.min.js");
    went_well(python("evening.py").arg(stage.url()).arg(code).arg(news).arg(axe).arg(pictures));
    stage.close();
}

#[test]
#[ignore = "needs openapi-spec-validator and schemathesis: tests/all installs them"]
fn the_api_is_as_its_description_says() {
    on_the_evening("openapi");
}

#[test]
#[ignore = "needs Python's icalendar: tests/all installs it"]
fn the_calendar_and_the_tables_are_read_by_others() {
    on_the_evening("calendar");
}

#[test]
#[ignore = "needs Python's cbor2 and cryptography: tests/all installs them"]
fn the_vectors_hold_by_other_libraries() {
    went_well(&mut python("vectors.py"));
}

#[test]
#[ignore = "needs poppler: tests/all installs it, and has the server's tests write the papers first"]
fn the_papers_are_read_by_others() {
    let papers = Path::new(env!("CARGO_TARGET_TMPDIR")).join("paper");
    assert!(papers.join("visit-a4.pdf").is_file(), "write the papers first: cargo test -p server --test paper");
    let mut command = Command::new("bash");
    command.arg(top().join("tests/outside/pdf")).env("TAPPETBOOK_PAPERS", papers);
    went_well(&mut command);
}
