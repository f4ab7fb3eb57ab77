//! Plain text: wrapping, sentences, and tables without lines.

use comfy_table::{ContentArrangement, presets};

use crate::environment::Environment;

/// The widest that anything is shown.
const WIDEST: usize = 80;
/// Narrower than this nothing useful fits.
const NARROWEST: usize = 40;

/// Columns to use.
pub(crate) fn width(env: &Environment<'_>) -> usize {
    env.width.clamp(NARROWEST, WIDEST)
}

/// A text as a sentence: its first letter large, a full stop where none is.
pub(crate) fn sentence(text: &str) -> String {
    let text = text.trim();
    let mut letters = text.chars();
    let first: String = letters.next().map(|c| c.to_uppercase().collect()).unwrap_or_default();
    let end = if text.ends_with(['.', '?', '!', ':']) { "" } else { "." };
    format!("{first}{}{end}", letters.as_str())
}

/// A text broken at blanks to a width; its own line ends stay, and each line's indent (and number) is kept clear below it.
pub(crate) fn wrapped(text: &str, width: usize) -> String {
    let lines: Vec<String> = text.trim_end().lines().map(|line| wrapped_line(line, width)).collect();
    lines.join("\n")
}

/// As [`wrapped`], two columns in.
pub(crate) fn indented(text: &str, width: usize) -> String {
    let inset: Vec<String> = text.lines().map(|line| format!("  {line}")).collect();
    wrapped(&inset.join("\n"), width)
}

/// A line broken at blanks where it is wider than this, and left as it is where not: for text that was laid out elsewhere.
pub(crate) fn narrowed(line: &str, width: usize) -> String {
    if line.chars().count() > width { wrapped_line(line, width) } else { line.to_owned() }
}

fn wrapped_line(line: &str, width: usize) -> String {
    let indent = line.chars().take_while(|c| *c == ' ').count().min(width / 2);
    let first = line.split_whitespace().next().unwrap_or_default();
    let numbered = first.ends_with('.') && first.trim_end_matches('.').bytes().all(|b| b.is_ascii_digit());
    let hanging = " ".repeat(if numbered { (indent + first.len() + 1).min(width / 2) } else { indent });
    let mut out = " ".repeat(indent);
    let (mut used, mut begins) = (indent, true);
    for word in line.split_whitespace().flat_map(|word| pieces(word, width - hanging.len())) {
        let length = word.chars().count();
        if !begins && used + 1 + length > width {
            out.push('\n');
            out.push_str(&hanging);
            used = hanging.len();
        } else if !begins {
            out.push(' ');
            used += 1;
        }
        out.push_str(&word);
        used += length;
        begins = false;
    }
    out
}

/// A word cut to a width, for ids and addresses that are longer than a line.
fn pieces(word: &str, width: usize) -> Vec<String> {
    let letters: Vec<char> = word.chars().collect();
    letters.chunks(width).map(|piece| piece.iter().collect()).collect()
}

/// A table without lines: columns two blanks apart, wrapped to a width.
#[derive(Debug)]
pub(crate) struct Table {
    inner: comfy_table::Table,
    rows: usize,
}

impl Table {
    /// An empty table under these headings; without a head where there are none.
    pub(crate) fn new(headings: &[&str]) -> Self {
        let mut inner = comfy_table::Table::new();
        inner.load_style(presets::NOTHING).set_content_arrangement(ContentArrangement::Dynamic);
        if !headings.is_empty() {
            inner.set_header(headings.to_vec());
        }
        Self { inner, rows: 0 }
    }

    /// Adds a row.
    pub(crate) fn row<T: ToString>(&mut self, cells: impl IntoIterator<Item = T>) {
        self.inner.add_row(cells.into_iter().map(|cell| cell.to_string()).collect::<Vec<_>>());
        self.rows += 1;
    }

    /// Whether it has no rows.
    pub(crate) const fn is_empty(&self) -> bool {
        self.rows == 0
    }

    /// The table as text.
    pub(crate) fn text(&mut self, width: usize) -> String {
        self.inner.set_width(u16::try_from(width).unwrap_or(80));
        for column in self.inner.column_iter_mut() {
            column.set_padding((0, 2));
        }
        self.inner.lines().map(|line| line.trim_end().to_owned()).collect::<Vec<_>>().join("\n")
    }
}

/// A number of things: "1 change", "3 changes".
pub(crate) fn count(number: usize, thing: &str) -> String {
    shared::text::count(number, thing, &format!("{thing}s"))
}

/// A span of time in words: "3 h 5 min", "2 days".
pub(crate) fn ms_span(ms: i64) -> String {
    let minutes = ms.unsigned_abs() / 60_000;
    match (minutes / 1440, minutes / 60, minutes) {
        (0, 0, 0) => "under a minute".to_owned(),
        (0, 0, minutes) => format!("{minutes} min"),
        (0, hours, minutes) => format!("{hours} h {} min", minutes % 60),
        (1, ..) => "a day".to_owned(),
        (days, ..) => format!("{days} days"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wraps_and_keeps_the_indent() {
        assert_eq!(wrapped("  one two three\nfour", 10), "  one two\n  three\nfour");
        assert_eq!(wrapped("abcdefghijkl m", 5), "abcde\nfghij\nkl m");
        assert_eq!(wrapped("  12. one two three", 14), "  12. one two\n      three");
        assert_eq!(wrapped("", 10), "");
        assert_eq!([narrowed("  a  b", 6), narrowed("  a  b", 5)], ["  a  b", "  a b"]);
    }

    #[test]
    fn sentences() {
        assert_eq!(sentence("this book has no machine; nothing was kept"), "This book has no machine; nothing was kept.");
        assert_eq!(sentence("Did you mean 5?"), "Did you mean 5?");
        assert_eq!(sentence(""), ".");
    }

    #[test]
    fn no_table_is_wider_than_asked() {
        let mut table = Table::new(&["tag", "words"]);
        table.row(["M-1", &"long words ".repeat(30)]);
        table.row(["M-2", &"x".repeat(200)]);
        assert!(table.text(60).lines().all(|line| line.chars().count() <= 60));
    }

    #[test]
    fn spans() {
        assert_eq!(
            [0, 61_000, 3_700_000, 90_000_000, -200_000_000].map(ms_span),
            ["under a minute", "1 min", "1 h 1 min", "a day", "2 days"]
        );
    }
}
