//! The floors of `sync-core/src`: each room imports only from rooms above it, so that a reading goes down through the house once.

use std::fs;
use std::path::{Path, PathBuf};

/// The rooms, from the top. `lib.rs` says what each is for.
const ROOMS: [&str; 11] = ["sys", "judge", "crypto", "change", "store", "engine", "book", "sync", "queries", "commands", "server"];

fn sources(folder: &Path) -> std::io::Result<Vec<PathBuf>> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_dir() {
            found.extend(sources(&path)?);
        } else if path.extension().is_some_and(|ext| ext == "rs") && !path.ends_with("tests.rs") {
            found.push(path);
        }
    }
    Ok(found)
}

/// What a file runs: without its comments, and without its tests, which may build what they judge.
fn code(text: &str) -> String {
    let program = text.split("#[cfg(test)]\nmod tests {").next().unwrap_or_default();
    program.lines().map(|line| line.split("//").next().unwrap_or_default()).collect::<Vec<_>>().join("\n")
}

/// The rooms that a file names, by their paths from the crate's root.
fn named(code: &str) -> Vec<&str> {
    code.split("crate::").skip(1).map(|rest| rest.split(|c: char| !c.is_ascii_lowercase() && c != '_').next().unwrap_or_default()).collect()
}

#[test]
fn each_room_imports_only_from_rooms_above_it() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../sync-core/src");
    let (mut climbs, mut looked_at) = (Vec::new(), 0);
    for path in sources(&root).unwrap() {
        let below = path.strip_prefix(&root).unwrap();
        let room = below.components().next().unwrap().as_os_str().to_str().unwrap().trim_end_matches(".rs");
        if room == "lib" {
            continue;
        }
        let floor = ROOMS.iter().position(|known| *known == room);
        let floor = floor.unwrap_or_else(|| panic!("{} is in no room: give it one, and its place in the list", below.display()));
        for name in named(&code(&fs::read_to_string(&path).unwrap())) {
            looked_at += 1;
            match ROOMS.iter().position(|known| *known == name) {
                Some(other) if other <= floor => {}
                Some(_) => climbs.push(format!("{} imports from {name}", below.display())),
                None => climbs.push(format!("{} names \"crate::{name}\", which is no room", below.display())),
            }
        }
    }
    assert!(looked_at > 500, "only {looked_at} paths were looked at");
    assert!(climbs.is_empty(), "{climbs:#?}");
}

#[test]
fn a_climb_is_seen_wherever_it_stands() {
    let text = "use crate::judge::roster::Roster; // crate::server\nfn f() { crate::book::Book::open() }\n#[cfg(test)]\nmod tests { use crate::server::Shop; }";
    assert_eq!(named(&code(text)), ["judge", "book"]);
    assert_eq!(named("use crate::{book, store};"), [""], "a group without a room before it is no room");
}
