//! Characters that a text of the book may hold, and what is shown of those that it may not; numbers with their nouns.
//!
//! A control character moves a terminal's cursor, begins a line of a file, or ends a field; a mark that turns the direction of writing
//! (UAX #9, section 2) shows a sentence in another order than it has; a character without width makes two different names look alike
//! (UTS #39, section 3.1). None of them says anything of an engine. Joiners (U+200C, U+200D) stay: some scripts need them.

use std::borrow::Cow;

/// A number with its noun, and with the verb that goes with it where there is one: the only place where singular and plural are chosen.
///
/// ```
/// use shared::text::count;
/// assert_eq!([count(1, "visit", "visits"), count(0, "visit is", "visits are")], ["1 visit", "0 visits are"]);
/// ```
#[must_use]
pub fn count(n: usize, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

/// Whether a text may not hold this character. A new line is for texts of several lines, and the only control that may stand.
#[must_use]
pub const fn misleads(c: char) -> bool {
    match c {
        '\n' => false,
        // C0, DEL and C1.
        '\0'..='\u{1f}' | '\u{7f}'..='\u{9f}' => true,
        // Marks, embeddings, overrides and isolates of direction.
        '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' => true,
        // Without width, or lines of another kind.
        '\u{ad}' | '\u{34f}' | '\u{115f}' | '\u{1160}' | '\u{17b4}' | '\u{17b5}' | '\u{180e}' | '\u{200b}' => true,
        '\u{2028}' | '\u{2029}' | '\u{2060}'..='\u{2065}' | '\u{206a}'..='\u{206f}' | '\u{3164}' | '\u{feff}' | '\u{ffa0}' => true,
        // Interlinear annotations, and tags that spell words nobody sees.
        '\u{fff9}'..='\u{fffb}' | '\u{e0000}'..='\u{e007f}' => true,
        _ => false,
    }
}

/// The first character of a text that it may not hold, as it is written in a sentence.
///
/// ```
/// use shared::text::fault;
/// assert_eq!(fault("ticks, 2 lines\nof it"), None);
/// assert_eq!(fault("\u{1b}[2J"), Some("U+001B".to_owned()));
/// ```
#[must_use]
pub fn fault(text: &str) -> Option<String> {
    text.chars().find(|c| misleads(*c)).map(|c| format!("U+{:04X}", u32::from(c)))
}

/// A text as it may be shown: what it may not hold is spelled out instead. All that is written to a terminal, a page or a file passes
/// through here, since a kind that this program does not know, or what another program says, was never looked at.
///
/// ```
/// use shared::text::visible;
/// assert_eq!(visible("all\u{202e}well"), "all<U+202E>well");
/// assert_eq!(visible("as it is"), "as it is");
/// ```
#[must_use]
pub fn visible(text: &str) -> Cow<'_, str> {
    replaced(text, |c, out| {
        out.push_str(&format!("<U+{:04X}>", u32::from(c)));
    })
}

/// As [`visible`], for a text that is markup: the signs around the number are references.
#[must_use]
pub fn visible_in_markup(markup: &str) -> Cow<'_, str> {
    replaced(markup, |c, out| {
        out.push_str(&format!("&lt;U+{:04X}&gt;", u32::from(c)));
    })
}

/// As [`visible`], for a text that is JSON (RFC 8259, section 7): the same string, with those characters escaped.
#[must_use]
pub fn visible_in_json(json: &str) -> Cow<'_, str> {
    replaced(json, |c, out| {
        for unit in c.encode_utf16(&mut [0; 2]) {
            out.push_str(&format!("\\u{unit:04x}"));
        }
    })
}

fn replaced(text: &str, replace: impl Fn(char, &mut String)) -> Cow<'_, str> {
    if !text.chars().any(misleads) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + 16);
    for c in text.chars() {
        if misleads(c) { replace(c, &mut out) } else { out.push(c) }
    }
    Cow::Owned(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whatever_is_shown_holds_nothing_that_misleads() {
        for c in (0..=0x10_ffff).filter_map(char::from_u32) {
            let text = format!("a{c}b");
            for shown in [visible(&text), visible_in_markup(&text), visible_in_json(&text)] {
                assert_eq!(fault(&shown), None, "{c:?}");
            }
            // Controls but the new line are all refused, and no letter, digit or sign is.
            assert!(!c.is_control() || c == '\n' || misleads(c), "{c:?}");
            assert!(!c.is_alphanumeric() || !misleads(c) || matches!(c, '\u{115f}' | '\u{1160}' | '\u{3164}' | '\u{ffa0}'), "{c:?}");
        }
    }

    #[test]
    fn json_stays_the_same_string() {
        let said = "tag\u{202e}\u{85}\u{e0041}";
        let json = serde_json::to_string(said).unwrap();
        let read: String = serde_json::from_str(&visible_in_json(&json)).unwrap();
        assert_eq!(read, said);
    }
}
