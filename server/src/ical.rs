//! iCalendar as text (RFC 5545): all-day events in one calendar, escaped, folded, with CRLF.
//!
//! Written here because the crate `icalendar` (0.17.17, tried) folds some lines at 76 octets, and brings a calendar library
//! for what is a dozen lines; `tests/outside/calendar` has an independent library read the result back.

use jiff::civil::Date;

/// The most octets of a line, its break not counted (RFC 5545 section 3.1).
const LONGEST: usize = 75;

/// One whole day with something on it.
#[derive(Debug)]
pub(crate) struct AllDay {
    /// The same for the same thing, for ever.
    pub(crate) uid: String,
    pub(crate) day: Date,
    pub(crate) summary: String,
    pub(crate) description: String,
    pub(crate) place: String,
}

/// A calendar, as of a day.
pub(crate) fn calendar(name: &str, made_on: Date, events: &[AllDay]) -> String {
    let mut out = Lines::default();
    out.line("BEGIN", "VCALENDAR");
    out.line("VERSION", "2.0");
    out.line("PRODID", "-//Tappetbook//due dates//EN");
    // RFC 7986 sections 5.1 and 5.7.
    out.text("NAME", name);
    out.line("REFRESH-INTERVAL;VALUE=DURATION", "PT6H");
    for event in events {
        out.line("BEGIN", "VEVENT");
        out.text("UID", &event.uid);
        out.line("DTSTAMP", &made_on.strftime("%Y%m%dT000000Z").to_string());
        out.line("DTSTART;VALUE=DATE", &event.day.strftime("%Y%m%d").to_string());
        out.text("SUMMARY", &event.summary);
        out.text("DESCRIPTION", &event.description);
        if !event.place.is_empty() {
            out.text("LOCATION", &event.place);
        }
        // Whoever looks is not busy all day with it.
        out.line("TRANSP", "TRANSPARENT");
        out.line("END", "VEVENT");
    }
    out.line("END", "VCALENDAR");
    out.0
}

#[derive(Default)]
struct Lines(String);

impl Lines {
    fn text(&mut self, name: &str, text: &str) {
        self.line(name, &escaped(text));
    }

    /// A content line, folded between characters: a continuation begins with a space, which counts.
    fn line(&mut self, name: &str, value: &str) {
        let mut octets = 0;
        for character in name.chars().chain([':']).chain(value.chars()) {
            if octets + character.len_utf8() > LONGEST {
                self.0.push_str("\r\n ");
                octets = 1;
            }
            self.0.push(character);
            octets += character.len_utf8();
        }
        self.0.push_str("\r\n");
    }
}

/// TEXT (RFC 5545 section 3.3.11). A control character is no text, and none may come through: it could begin a line.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for character in shared::text::visible(&text.replace("\r\n", "\n")).chars() {
        match character {
            '\\' | ';' | ',' => out.extend(['\\', character]),
            '\n' => out.push_str("\\n"),
            control if control.is_control() => out.push(' '),
            other => out.push(other),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn unfolded(text: &str) -> String {
        text.replace("\r\n ", "")
    }

    /// RFC 5545 section 3.1: no line over 75 octets, breaks only between characters, and nothing lost by unfolding.
    #[test]
    fn lines_of_any_length_and_alphabet_are_folded_and_come_back_whole() {
        for alphabet in ["x", "ü", "€", "𝛼", "xü€𝛼 "] {
            for count in 0..260 {
                let value: String = alphabet.chars().cycle().take(count).collect();
                let mut lines = Lines::default();
                lines.line("SUMMARY", &value);
                assert!(lines.0.split("\r\n").all(|line| line.len() <= LONGEST), "{alphabet} {count}");
                assert_eq!(unfolded(&lines.0), format!("SUMMARY:{value}\r\n"));
            }
        }
    }

    #[test]
    fn text_is_escaped_and_cannot_begin_a_line_of_its_own() {
        assert_eq!(escaped("a;b,c\\d\r\ne\nf"), "a\\;b\\,c\\\\d\\ne\\nf");
        let event = AllDay {
            uid: "one".to_owned(),
            day: jiff::civil::date(2026, 6, 9),
            summary: "x\r\nEND:VEVENT\rBEGIN:VALARM".to_owned(),
            description: String::new(),
            place: String::new(),
        };
        let text = calendar("due", jiff::civil::date(2026, 6, 1), &[event]);
        assert_eq!(text.matches("\r\nEND:VEVENT\r\n").count(), 1, "{text}");
        assert!(!text.replace("\r\n", "").contains(['\r', '\n']), "{text}");
        assert!(text.contains("\r\nDTSTART;VALUE=DATE:20260609\r\n") && text.contains("\r\nDTSTAMP:20260601T000000Z\r\n"), "{text}");
    }
}
