//! The due list on a screen.

use sync_core::queries::DueLine;

use super::Table;

/// The due list, the most pressing first.
pub(crate) fn table(lines: &[DueLine], width: usize) -> String {
    if lines.is_empty() {
        return "No machines here yet. They come with the next exchange, or with tappet machine add.".to_owned();
    }
    let mut table = Table::new(&["Machine", "Where", "Meter", "Due"]);
    for line in lines {
        let meter = line.meter.map_or_else(|| "-".to_owned(), |meter| format!("{meter} h"));
        table.row([line.tag.clone(), line.property_name.clone(), meter, words(line)]);
    }
    table.text(width)
}

/// What is due, with what else must be known before driving there.
fn words(line: &DueLine) -> String {
    let mut words = Vec::new();
    if line.hold {
        words.push("ON HOLD: do not run.".to_owned());
    }
    if line.recheck {
        words.push("To be measured again.".to_owned());
    }
    words.push(super::sentence(&line.words));
    if line.contested {
        words.push("Contested.".to_owned());
    }
    if line.open_visit {
        words.push("A visit is open.".to_owned());
    }
    words.join(" ")
}
