//! The phone's page has its list in its own language: it is held to the one in `shared/src/text.rs`.

use std::path::Path;

use shared::text::misleads;

fn page(path: &str) -> String {
    let place = Path::new(env!("CARGO_MANIFEST_DIR")).join("../server/phone/page").join(path);
    std::fs::read_to_string(place).unwrap()
}

/// One UTF-16 unit of a regular expression, as `\uXXXX`.
fn unit(text: &str) -> Option<(u16, &str)> {
    let rest = text.strip_prefix("\\u")?;
    let (digits, rest) = rest.split_at_checked(4)?;
    Some((u16::from_str_radix(digits, 16).ok()?, rest))
}

/// What stands between brackets: units, and ranges of them.
fn class(text: &str) -> (Vec<std::ops::RangeInclusive<u16>>, &str) {
    let (mut inside, after) = text.strip_prefix('[').unwrap().split_once(']').unwrap();
    let mut ranges = Vec::new();
    while !inside.is_empty() {
        let (first, rest) = unit(inside).unwrap_or_else(|| panic!("{inside} is no \\uXXXX"));
        let (last, rest) = rest.strip_prefix('-').map_or((first, rest), |rest| unit(rest).unwrap());
        ranges.push(first..=last);
        inside = rest;
    }
    (ranges, after)
}

#[test]
fn the_phones_page_spells_out_what_the_terminal_and_the_office_spell_out() {
    let source = page("ui.js");
    let list = source.split("const MISLEADS = /").nth(1).unwrap().split("/g;").next().unwrap();
    let (plain, rest) = class(list);
    let (high, rest) = unit(rest.strip_prefix('|').unwrap()).unwrap();
    let (low, rest) = class(rest);
    assert_eq!(rest, "", "the list is a class, and one of pairs");
    let has = |ranges: &[std::ops::RangeInclusive<u16>], unit: u16| ranges.iter().any(|range| range.contains(&unit));
    for c in (0..=0x10_ffff).filter_map(char::from_u32) {
        let there = match *c.encode_utf16(&mut [0; 2]) {
            [one] => has(&plain, one),
            [first, second] => first == high && has(&low, second),
            _ => unreachable!("a character is one unit or two"),
        };
        assert_eq!(there, misleads(c), "U+{:04X}", u32::from(c));
    }
}

/// Text reaches the page through these alone: what is put there otherwise would be as it came.
#[test]
fn every_text_of_the_phones_page_goes_through_its_one_door() {
    let source = page("ui.js");
    assert!(source.contains("typeof child === 'string' ? visible(child)"), "children");
    assert!(source.contains("name === 'value' ? String(value) : visible(String(value))"), "attributes");
    assert!(source.contains(".textContent = visible(text)"), "what is read aloud");
    for folder in ["", "screens", "steps", "parts"] {
        for entry in std::fs::read_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("../server/phone/page").join(folder)).unwrap() {
            let path = entry.unwrap().path();
            if path.extension().is_none_or(|ending| ending != "js") || path.ends_with("ui.js") {
                continue;
            }
            let text = std::fs::read_to_string(&path).unwrap();
            for way in ["innerHTML", "outerHTML", "insertAdjacent", "document.write", "createTextNode", ".innerText ="] {
                assert!(!text.contains(way), "{} writes {way}: use h() of ui.js", path.display());
            }
            for line in text.lines().filter(|line| line.contains(".textContent =") || line.contains("document.title =")) {
                assert!(line.contains("= visible("), "{} writes {line}", path.display());
            }
        }
    }
}
