//! The floors of `sync-core/src`: each room imports only from rooms above it, so that a reading goes down through the house once.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// The rooms, from the top. `lib.rs` says what each is for.
const ROOMS: [&str; 11] = ["sys", "judge", "crypto", "change", "store", "engine", "book", "sync", "queries", "commands", "server"];

/// So many methods one can know of a type.
const MOST_METHODS: usize = 45;

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

/// Each file of the engine: its room's floor, its path from the root, and what it runs.
#[expect(clippy::unwrap_used, reason = "a source that cannot be read is a failed test")]
fn files() -> Vec<(usize, String, String)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../sync-core/src");
    let mut files = Vec::new();
    for path in sources(&root).unwrap() {
        let below = path.strip_prefix(&root).unwrap();
        let room = below.components().next().unwrap().as_os_str().to_str().unwrap().trim_end_matches(".rs");
        if room == "lib" {
            continue;
        }
        let floor = ROOMS.iter().position(|known| *known == room);
        let floor = floor.unwrap_or_else(|| panic!("{} is in no room: give it one, and its place in the list", below.display()));
        files.push((floor, below.display().to_string(), code(&fs::read_to_string(&path).unwrap())));
    }
    files
}

/// The methods that a text gives to the book, wherever it stands.
fn given_to_book(code: &str) -> Vec<&str> {
    let blocks = code.split("impl Book {\n").skip(1).map(|rest| rest.split("\n}").next().unwrap_or_default());
    let lines = blocks.flat_map(str::lines).filter(|line| line.starts_with("    ") && !line.starts_with("     "));
    lines.filter_map(|line| line.split_once("fn ")).filter_map(|(_, rest)| rest.split(['(', '<']).next()).collect()
}

/// The methods of a book that a text calls, on one that it holds or is.
fn called_on_book(code: &str) -> Vec<&str> {
    let on_one = |before: &str| {
        let holder = before.rsplit(|c: char| !c.is_ascii_alphanumeric() && c != '_' && c != '.').next().unwrap_or_default();
        matches!(holder, "self" | "book" | "self.book")
    };
    let dots = code.match_indices('.').filter(|(at, _)| on_one(&code[..*at]));
    let called = dots.filter_map(|(at, _)| code[at + 1..].split_once('(')).map(|(name, _)| name);
    called.filter(|name| name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_')).collect()
}

#[test]
fn each_room_imports_only_from_rooms_above_it() {
    let (mut climbs, mut looked_at) = (Vec::new(), 0);
    for (floor, path, code) in files() {
        for name in named(&code) {
            looked_at += 1;
            match ROOMS.iter().position(|known| *known == name) {
                Some(other) if other <= floor => {}
                Some(_) => climbs.push(format!("{path} imports from {name}")),
                None => climbs.push(format!("{path} names \"crate::{name}\", which is no room")),
            }
        }
    }
    assert!(looked_at > 500, "only {looked_at} paths were looked at");
    assert!(climbs.is_empty(), "{climbs:#?}");
}

/// A method stands in no `use`: what a lower room gives to the book would be a way back up that nobody sees.
#[test]
fn no_room_calls_what_a_room_below_it_gives_to_the_book() {
    let files = files();
    let given: BTreeMap<&str, usize> =
        files.iter().flat_map(|(floor, _, code)| given_to_book(code).into_iter().map(|name| (name, *floor))).collect();
    assert!(given.len() > 30, "{given:?}");
    let of_book = ROOMS.iter().position(|room| *room == "book").unwrap();
    let mut climbs = Vec::new();
    for (floor, path, code) in files.iter().filter(|(floor, ..)| *floor >= of_book) {
        for name in called_on_book(code) {
            if let Some(below) = given.get(name).filter(|below| *below > floor) {
                climbs.push(format!("{path} calls {name} of {}", ROOMS[*below]));
            }
        }
    }
    assert!(climbs.is_empty(), "{climbs:#?}");
}

/// The types that a text defines, or gives methods to.
fn after<'a>(code: &'a str, words: &[&str]) -> Vec<&'a str> {
    let lines = code.lines().filter_map(|line| words.iter().find_map(|word| line.strip_prefix(word)));
    lines.filter_map(|rest| rest.split(|c: char| !c.is_ascii_alphanumeric() && c != '_').next()).collect()
}

/// Methods beside their type stand in no `use` of those who call them, as the book's do; and what has one name is one thing.
#[test]
fn a_type_has_one_home_and_its_methods_live_there() {
    let defines = [
        "pub struct ",
        "pub enum ",
        "pub(crate) struct ",
        "pub(crate) enum ",
        "pub(super) struct ",
        "pub(super) enum ",
        "struct ",
        "enum ",
    ];
    let (files, mut homes) = (files(), BTreeMap::new());
    let mut strays = Vec::new();
    for (floor, path, code) in &files {
        for name in after(code, &defines) {
            if homes.insert(name, *floor).is_some_and(|other| other != *floor) {
                strays.push(format!("{name} of {path} is also another room's"));
            }
        }
    }
    for (floor, path, code) in &files {
        for name in after(code, &["impl "]).into_iter().filter(|name| *name != "Book") {
            if homes.get(name).is_some_and(|home| home != floor) {
                strays.push(format!("{path} gives methods to {name}"));
            }
        }
    }
    assert!(strays.is_empty(), "{strays:#?}");
}

/// No type that every file can reach does everything: helpers are functions with arguments.
#[test]
fn no_type_has_more_methods_than_one_can_know() {
    let mut methods: BTreeMap<String, usize> = BTreeMap::new();
    for (_, _, code) in files() {
        for (at, _) in code.match_indices("\nimpl") {
            let Some((head, rest)) = code[at + 1..].split_once(" {\n") else { continue };
            if head.contains(" for ") || head.contains('\n') {
                continue;
            }
            let of_type = head.rsplit_once(' ').map_or(head, |(_, name)| name);
            let name = of_type.split('<').next().unwrap_or_default().to_owned();
            let block = rest.split("\n}").next().unwrap_or_default();
            let own = block.lines().filter(|line| line.starts_with("    ") && !line.starts_with("     ") && line.contains("fn ")).count();
            *methods.entry(name).or_default() += own;
        }
    }
    assert!(methods.len() > 100 && methods["Book"] > 20, "{methods:?}");
    let over: Vec<_> = methods.iter().filter(|(_, count)| **count > MOST_METHODS).collect();
    assert!(over.is_empty(), "{over:?}");
}

#[test]
fn a_climb_is_seen_wherever_it_stands() {
    let text = "use crate::judge::roster::Roster; // crate::server\nfn f() { crate::book::Book::open() }\n#[cfg(test)]\nmod tests { use crate::server::Shop; }";
    assert_eq!(named(&code(text)), ["judge", "book"]);
    assert_eq!(named("use crate::{book, store};"), [""], "a group without a room before it is no room");
    let text = "impl Book {\n    pub(crate) const fn reader(&self) -> Reader<'_> {\n        fn inner() {}\n    }\n}\n";
    assert_eq!(given_to_book(text), ["reader"]);
    assert_eq!(called_on_book("self.book.reader().today(); book.find(1); self.store.machines(); xbook.f(); (self.g)"), ["reader", "find"]);
}
