//! Everything that the terminal lists or shows, as text and as JSON.

use std::cell::Cell;
use std::ffi::OsString;
use std::path::Path;

use cli_client::Environment;
use sync_core::sys::clock::ClockReading;
use sync_core::sys::rng::CryptoRng as _;
use tests::Dice;

use crate::ground::{Ground, hostile};
use crate::{all_were_shown, holds_nothing_that_misleads};

/// Verbs that write, hand over or take in: what they say is their own. `guide`, `read` and `visit` have their say in `cli-client/tests`.
const WRITE: [&str; 37] = [
    "enrol",
    "bundle",
    "guide",
    "visit",
    "read",
    "hours",
    "meter-change",
    "finding",
    "hold",
    "clear",
    "note",
    "photo",
    "machine",
    "void",
    "settings",
    "backup",
    "completions",
    "help",
    "office person",
    "office device",
    "office property",
    "office machine",
    "office card",
    "office assign",
    "office unassign",
    "office rule",
    "office close-day",
    "office backup",
    "office help",
    "reckon help",
    "reckon crank",
    "reckon tdc",
    "reckon turn",
    "reckon warm",
    "reckon sure",
    "reckon leaves",
    "leaves",
];

struct Terminal<'g> {
    book: std::path::PathBuf,
    now_ms: &'g Cell<i64>,
}

impl Terminal<'_> {
    fn says(&self, args: &[&str]) -> (i32, String) {
        let mut argv: Vec<OsString> = vec!["tappet".into(), "--book".into(), self.book.clone().into()];
        argv.extend(args.iter().map(OsString::from));
        let (mut out, mut err) = (Vec::new(), Vec::new());
        let mut dice = Dice::new(9);
        let code = {
            let clock = || {
                self.now_ms.set(self.now_ms.get() + 1_000);
                ClockReading::at(self.now_ms.get())
            };
            let mut env = Environment::simulated(clock, move |buffer: &mut [u8]| dice.fill(buffer));
            env.stdout = Box::new(&mut out);
            env.stderr = Box::new(&mut err);
            cli_client::run(argv, &mut env)
        };
        (code, String::from_utf8(out).unwrap() + &String::from_utf8(err).unwrap())
    }

    /// The verbs that a help page lists, each behind its group.
    fn verbs(&self, group: &str) -> Vec<String> {
        let args: Vec<&str> = group.split_whitespace().chain(["--help"]).collect();
        let (_, help) = self.says(&args);
        let list = help.split("Commands:\n").nth(1).unwrap().split("\n\n").next().unwrap().to_owned();
        let named = list.lines().filter(|line| line.starts_with("  ") && !line.starts_with("   "));
        named.map(|line| format!("{group} {}", line.split_whitespace().next().unwrap()).trim().to_owned()).collect()
    }
}

fn walk(ground: &Ground) -> Vec<Vec<String>> {
    let short = |id: String| id[id.len() - 6..].to_owned();
    let machine = short(ground.machine.to_string());
    let mut asked: Vec<String> = [
        "status",
        "due",
        "exchange",
        "quarantine",
        "verify",
        "office people",
        "office devices",
        "office properties",
        "office machines",
        "office cards",
        "office contested",
        "office day-sheet",
        "office closed-days",
        "office due",
        "office quarantine",
        "office backups",
        "office settings",
        "reckon agreement",
        "reckon round",
    ]
    .map(str::to_owned)
    .to_vec();
    for of_one in [
        "show",
        "teach tdc --machine",
        "history",
        "office service-record",
        "office evening 2026-06-01",
        "reckon meter",
        "reckon usage",
        "reckon due",
    ] {
        asked.push(format!("{of_one} {machine}"));
    }
    asked.push(format!("symptom {machine} clatters"));
    asked.push(format!("reckon drift {machine} 1I"));
    asked.push(format!("reckon carry {}", short(ground.tech.to_string())));
    asked.extend(ground.records.iter().map(|id| format!("record {}", short(id.to_string()))));
    let offline = |line: &String| line.starts_with("office ").then(|| "--offline".to_owned());
    asked.iter().map(|line| line.split(' ').map(str::to_owned).chain(offline(line)).collect()).collect()
}

#[test]
fn nothing_that_the_terminal_shows_misleads() {
    let ground = Ground::lay();
    let now_ms = Cell::new(ground.now_ms);
    let terminal = Terminal { book: ground.path("office.db"), now_ms: &now_ms };
    let asked = walk(&ground);
    // A new verb is walked, or written down as one that writes.
    for verb in ["", "office", "reckon"].into_iter().flat_map(|group| terminal.verbs(group)) {
        let walked = asked.iter().any(|args| args.join(" ").starts_with(&verb));
        assert!(walked || WRITE.contains(&verb.as_str()), "`{verb}` is walked by nothing here");
    }
    let mut shown = String::new();
    for args in &asked {
        for form in [&["--json"][..], &[]] {
            let args: Vec<&str> = form.iter().copied().chain(args.iter().map(String::as_str)).collect();
            let (code, said) = terminal.says(&args);
            assert_ne!(code, 70, "{args:?}: {said}");
            holds_nothing_that_misleads(&format!("tappet {}", args.join(" ")), &said, false);
            shown.push_str(&said);
        }
    }
    // Wrapped to the width of a terminal, a text may be broken anywhere.
    let shown: String = shown.chars().filter(|c| !c.is_whitespace()).collect();
    all_were_shown(
        &[
            "shop",
            "person",
            "device",
            "property",
            "tag",
            "description",
            "engine",
            "manual",
            "page",
            "purpose",
            "watch",
            "hold",
            "over",
            "note",
            "taken-back",
            "caption",
            "ruling",
            "cleared",
            "void",
            "remark",
            "left-open",
            "kind",
            "strange",
        ],
        &shown,
    );
}

#[test]
fn what_is_typed_or_answered_is_not_said_back_as_it_came() {
    let ground = Ground::lay();
    let now_ms = Cell::new(ground.now_ms);
    let terminal = Terminal { book: ground.path("office.db"), now_ms: &now_ms };
    let typed = hostile("typed");
    for args in [
        vec!["show", &typed],
        vec!["record", &typed],
        vec!["history", &typed],
        vec!["office", "--offline", "evening", "2026-06-01", &typed],
        vec!["reckon", "carry", &typed],
        vec!["reckon", "drift", &typed, &typed],
        vec![&typed],
    ] {
        for form in [&["--json"][..], &[]] {
            let args: Vec<&str> = form.iter().copied().chain(args.iter().copied()).collect();
            let (code, said) = terminal.says(&args);
            assert_ne!(code, 0, "{said}");
            holds_nothing_that_misleads(&format!("{args:?}"), &said, false);
        }
    }
    assert!(Path::new(&terminal.book).exists());
}
