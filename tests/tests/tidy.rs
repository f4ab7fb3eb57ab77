//! House rules, as a test.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use std::fs;
use std::path::{Path, PathBuf};

const MOST_LINES: usize = 400;
const CRATES: [&str; 6] = ["shared", "sync-core", "server", "cli-client", "fixtures", "tests"];

fn top() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_owned()
}

fn sources() -> Vec<(String, String)> {
    fn walk(folder: &Path, found: &mut Vec<PathBuf>) {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                walk(&path, found);
            } else if path.extension().is_some_and(|e| e == "rs") {
                found.push(path);
            }
        }
    }
    let mut found = Vec::new();
    for name in CRATES {
        walk(&top().join(name), &mut found);
    }
    assert!(found.len() > 60, "the walk must find the sources: {}", found.len());
    let relative = |path: &PathBuf| path.strip_prefix(top()).unwrap().to_string_lossy().replace('\\', "/");
    found.iter().map(|path| (relative(path), fs::read_to_string(path).unwrap())).collect()
}

#[test]
fn every_file_says_its_purpose_and_is_short() {
    for (path, text) in sources() {
        let is_test_module = path.ends_with("/tests.rs");
        assert!(is_test_module || text.starts_with("//!"), "{path} does not open with its purpose");
        let lines = text.lines().count();
        assert!(lines <= MOST_LINES, "{path} has {lines} lines, over {MOST_LINES}");
    }
}

#[test]
fn only_the_rooms_meant_for_it_name_a_library() {
    let is_test = |path: &str| path.contains("/tests/") || path.ends_with("/tests.rs");
    for (path, text) in sources() {
        let code: String = text.lines().filter(|l| !l.trim_start().starts_with("//")).collect::<Vec<_>>().join("\n");
        if is_test(&path) {
            continue;
        }
        assert!(
            !code.contains("rusqlite") || path.starts_with("sync-core/src/store/") || path == "tests/src/fleet/bare.rs",
            "{path} names rusqlite"
        );
        assert!(!code.contains("automerge::") || path.starts_with("sync-core/src/change/"), "{path} names automerge");
        let opens_sockets = code.contains("ureq::") && path != "cli-client/src/transport.rs";
        assert!(!opens_sockets || path.starts_with("cli-client/src/transport/"), "{path} opens a socket");
        let reads_clock = ["SystemTime::now", "Instant::now", "Timestamp::now"].iter().any(|call| code.contains(call));
        let may = [
            "cli-client/src/environment",
            "server/src/system.rs",
            "fixtures/src/demo/clock.rs",
            "tests/src/fleet/stopwatch.rs",
            "sync-core/bindings/native/src/device.rs",
        ];
        assert!(!reads_clock || may.iter().any(|room| path.starts_with(room)), "{path} reads the clock");
    }
}

/// Guides, scripts and checks in other languages name our files by their paths; nothing else tells them when one moves.
#[test]
fn what_is_named_by_its_path_is_there() {
    const ENDINGS: [&str; 10] = ["rs", "bin", "py", "mjs", "js", "toml", "json", "tsv", "sh", "md"];
    fn walk(folder: &Path, found: &mut Vec<PathBuf>) {
        for path in fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()) {
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            if path.is_dir() {
                let made_elsewhere =
                    ["target", "node_modules", "generated", "pkg", "built"].contains(&name.as_str()) || name.starts_with('.');
                if !made_elsewhere {
                    walk(&path, found);
                }
            } else if name != "CHANGELOG.md" {
                found.push(path);
            }
        }
    }
    let mut files = Vec::new();
    walk(&top(), &mut files);
    let (mut gone, mut looked_at) = (Vec::new(), 0);
    for file in files {
        let Ok(text) = fs::read_to_string(&file) else { continue };
        for word in text.split(|c: char| !c.is_ascii_alphanumeric() && !"_./-".contains(c)) {
            let named = word.trim_end_matches(['.', '/']);
            let ours = CRATES.iter().any(|name| named.strip_prefix(name).is_some_and(|rest| rest.starts_with('/')));
            if ours && ENDINGS.iter().any(|ending| named.ends_with(&format!(".{ending}"))) {
                looked_at += 1;
                if !top().join(named).is_file() {
                    gone.push(format!("{} names {named}", file.strip_prefix(top()).unwrap().display()));
                }
            }
        }
    }
    assert!(looked_at > 100, "only {looked_at} paths were found");
    assert!(gone.is_empty(), "{gone:#?}");
}

#[test]
fn layers_point_one_way() {
    let depends = |name: &str| fs::read_to_string(top().join(name).join("Cargo.toml")).unwrap();
    let before_dev = |text: &str| text.split("[dev-dependencies]").next().unwrap().to_owned();
    for (layer, forbidden) in [
        ("shared", vec!["sync-core", "server", "cli-client", "fixtures", "rusqlite", "automerge", "tokio"]),
        ("sync-core", vec!["server", "cli-client", "fixtures", "tokio", "axum", "ureq"]),
        ("server", vec!["cli-client", "fixtures", "rusqlite", "automerge"]),
        ("cli-client", vec!["server", "fixtures", "rusqlite", "automerge", "tokio"]),
    ] {
        let text = before_dev(&depends(layer));
        for name in forbidden {
            assert!(
                !text.lines().any(|line| line.starts_with(&format!("{name}.")) || line.starts_with(&format!("{name} "))),
                "{layer} depends on {name}"
            );
        }
    }
}

#[test]
fn the_guide_names_files_that_exist() {
    let guide = fs::read_to_string(top().join("DEVELOPERS.md")).unwrap();
    let path_table = guide.split("## The path of a reading").nth(1).unwrap().split("## ").next().unwrap();
    let named: Vec<&str> = path_table.split('`').filter(|part| part.ends_with(".rs") && part.contains('/')).collect();
    assert!(named.len() > 20, "{named:?}");
    for path in named {
        assert!(top().join(path).is_file(), "the guide names {path}, which is not there");
    }
}

#[test]
fn ci_runs_the_readmes_test_command() {
    let readme = fs::read_to_string(top().join("README.md")).unwrap();
    let ci = fs::read_to_string(top().join(".ci/run")).unwrap();
    assert!(readme.contains("\ntests/all\n") && ci.contains("\ntests/all\n"));
    let all = fs::read_to_string(top().join("tests/all")).unwrap();
    assert!(all.contains("cargo test --workspace -- --include-ignored\n"), "all tests are all of them");
    assert!(all.contains("\ntests/deny\n"), "what we depend on is held to deny.toml");
    assert!(ci.contains("\ncargo fmt --check\n") && ci.contains("\ncargo clippy --workspace --all-targets -- -D warnings\n"));
}

/// A rule that moved would be one that no story is asked about any more.
#[test]
#[ignore = "needs Python: tests/all has it"]
fn each_rule_that_stories_go_without_stands_where_the_list_says() {
    let ran = std::process::Command::new("python3").arg(top().join("tests/taken-out")).arg("--list").output().unwrap();
    assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
    assert!(String::from_utf8_lossy(&ran.stdout).lines().count() > 15);
}
