//! Characters that mislead: every list of them is the same one, and nothing that is shown holds one, wherever it comes from.
//!
//! A record with such a text is refused since `shared::text`; here it stands in a book all the same, as an older program may have left it.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

mod alike;
mod ground;
mod line;
mod office;
mod terminal;

use shared::text::{fault, misleads};

/// Fails where what is shown holds a character that misleads. `lines_end_so`: of a format whose lines end with CR and LF.
#[track_caller]
fn holds_nothing_that_misleads(surface: &str, shown: &str, lines_end_so: bool) {
    let plain = if lines_end_so { shown.replace("\r\n", "\n") } else { shown.to_owned() };
    if let Some(found) = fault(&plain) {
        let around = plain.lines().find(|line| line.chars().any(misleads)).unwrap_or_default();
        panic!("{surface} shows {found} as it is: {around:?}");
    }
}

/// Fails where a text that was put into the book was seen nowhere, or only without what was in it: the walk went past it.
#[track_caller]
fn all_were_shown(texts: &[&str], shown: &str) {
    // JSON keeps the very text, its characters escaped.
    let shown = shown.replace("\\u001b", "<U+001B>");
    let unseen: Vec<&&str> = texts.iter().filter(|text| !shown.contains(&format!("{text}-<U+001B>"))).collect();
    assert!(unseen.is_empty(), "the walk has not come past {unseen:?}");
}
