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
    play(&Options::default(), &mut std::io::sink()).unwrap()
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
    println!("{out}");
}

#[test]
#[ignore = "needs Chromium, Selenium and axe-core: tests/all installs them"]
fn the_office_spends_its_evening_in_a_browser() {
    let stage = evening();
    let code = stage.tappet("office", 0, &["--json", "office", "device", "code", "Odile Marsh"]);
    let code: serde_json::Value = serde_json::from_str(&code.out).unwrap();
    // The terminal's own program, on a phone's book: where the tests are, cargo has built it.
    let tappet = std::env::current_exe().unwrap().parent().unwrap().with_file_name("tappet");
    assert!(tappet.is_file(), "build the terminal first: cargo build -p cli-client");
    let tappet = format!("{} --book {}", tappet.display(), stage.book("pia").display());
    let news = format!("{tappet} note Q-101 'gate left open' && {tappet} exchange");
    let pictures = top().join("target/outside/pictures");
    let axe = top().join("target/outside/node_modules/axe-core/axe.min.js");
    went_well(python("evening.py").arg(stage.url()).arg(code["code"].as_str().unwrap()).arg(news).arg(axe).arg(pictures));
    stage.close();
}
