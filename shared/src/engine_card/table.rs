//! The table of engine cards: the same cards as [`super::file`], as rows for a spreadsheet (CSV, RFC 4180), out and in; and a form of
//! one card, which has the same columns.
//!
//! Lengths stand in thou and in mm side by side. What comes in may fill either; where both are filled they must agree. A range
//! stands as its two ends, or as its manual says it, as in `5` or `5 ± 1`, in a column of its own.

use std::cell::RefCell;

use super::file::{CardFileError, LARGEST_FILE, ListedCard, proved};
use super::{Adjuster, EngineCard, Firing, IgnitionError, Interval, Range, Rocker, Said, Source, tenth_words};
use crate::entry::{labelled, past_tdc_tenth_deg, span};
use crate::ids::CardId;
use crate::length::{Length, LengthUnit};
use crate::sensible::{PAST_TDC, RANGE_LIMIT};
use crate::valve::Side;

/// The columns, in the order in which they are written. They may come in any order, and any but the name may be missing.
pub const COLUMNS: [&str; 33] = [
    "name",
    "cylinders",
    "intake_low_thou",
    "intake_high_thou",
    "intake_aim_thou",
    "exhaust_low_thou",
    "exhaust_high_thou",
    "exhaust_aim_thou",
    "past_tdc_thou",
    "intake_low_mm",
    "intake_high_mm",
    "intake_aim_mm",
    "exhaust_low_mm",
    "exhaust_high_mm",
    "exhaust_aim_mm",
    "past_tdc_mm",
    "commercial_h",
    "commercial_months",
    "homeowner_h",
    "homeowner_months",
    "thread",
    "rocker",
    "rocker_ratio",
    "manual",
    "page",
    "ignition",
    "far_widths",
    "lash",
    "intake",
    "exhaust",
    "past_tdc_degrees",
    "firing_order",
    "firing_degrees",
];
/// What stands in the column `lash`.
pub const LASH: [&str; 2] = ["adjusted", "hydraulic"];
/// The column of the card's id, after all others.
pub const ID_COLUMN: &str = "card_id";

/// Signs that a spreadsheet takes for the beginning of a formula, the wide forms that some read as the plain ones (U+FF1D,
/// U+FF0B, U+FF0D, U+FF20), and the apostrophe that keeps them from it.
const GUARDED: [char; 9] = ['=', '+', '-', '@', '\u{ff1d}', '\u{ff0b}', '\u{ff0d}', '\u{ff20}', '\''];
/// Breaks that end a cell for some spreadsheets, so that what follows begins another.
const BREAKS: [char; 3] = ['\t', '\r', '\n'];

/// Whether a spreadsheet may take a text for something else: programs skip blanks, and signs that cannot be seen, before a formula.
fn tempts(text: &str) -> bool {
    let unseen = |c: char| c.is_whitespace() || c.is_control() || matches!(c, '\u{200b}'..='\u{200f}' | '\u{2060}' | '\u{feff}');
    text.starts_with(BREAKS) || text.trim_start_matches(unseen).starts_with(GUARDED)
}

/// A text as a cell that no spreadsheet takes for a formula: an apostrophe before it (OWASP, CSV injection). Numbers of ours are
/// no texts, and stay numbers.
#[must_use]
pub fn guarded(text: &str) -> String {
    if tempts(text) { format!("'{text}") } else { text.to_owned() }
}

/// The text of such a cell.
fn unguarded(cell: &str) -> &str {
    cell.strip_prefix('\'').filter(|text| tempts(text)).unwrap_or(cell)
}

/// A card's row, under [`COLUMNS`] and [`ID_COLUMN`].
#[must_use]
pub fn row(card: &EngineCard) -> Vec<String> {
    let number = |n: Option<u32>| n.map(|n| n.to_string()).unwrap_or_default();
    let mut cells = vec![guarded(&card.name), card.cylinders.to_string()];
    for unit in [LengthUnit::Thou, LengthUnit::Mm] {
        let length = |length: Option<Length>| length.map(|length| length.show_bare(unit)).unwrap_or_default();
        for range in [card.intake, card.exhaust] {
            cells.extend([range.map(|r| r.low), range.map(|r| r.high), range.and_then(|r| r.aim)].map(length));
        }
        cells.push(length(card.past_tdc));
    }
    for interval in [card.commercial, card.homeowner] {
        cells.extend([number(interval.hours), number(interval.months)]);
    }
    let adjuster = card.adjuster.as_ref();
    cells.push(adjuster.map(|a| a.thread.words()).unwrap_or_default());
    cells.push(adjuster.map(|a| a.rocker.name().to_owned()).unwrap_or_default());
    cells.push(adjuster.map(|a| a.ratio_words()).unwrap_or_default());
    let source = card.source.as_ref();
    cells.extend([source.map(|s| guarded(&s.manual)).unwrap_or_default(), source.map(|s| guarded(&s.page)).unwrap_or_default()]);
    cells.push(card.ignition.map(|ignition| ignition.name().to_owned()).unwrap_or_default());
    cells.push(card.far_tenths.map(tenth_words).unwrap_or_default());
    cells.push(LASH[usize::from(card.hydraulic)].to_owned());
    for side in [Side::Intake, Side::Exhaust] {
        let said = card.range(side).zip(card.said(side));
        cells.push(said.map(|(range, said)| range.written(said)).unwrap_or_default());
    }
    cells.push(card.past_tdc_tenth_deg.map(tenth_words).unwrap_or_default());
    let firing = card.firing.as_ref();
    cells.extend([firing.map(Firing::order_text), firing.map(Firing::degrees_text)].map(Option::unwrap_or_default));
    cells.push(card.card.to_string());
    cells
}

/// The fields of a form of one card: the columns, each length once, in the form's own unit.
#[must_use]
pub fn fields() -> Vec<&'static str> {
    let mut fields: Vec<&str> = Vec::new();
    for column in COLUMNS {
        let field = column.strip_suffix("_thou").or_else(|| column.strip_suffix("_mm")).unwrap_or(column);
        if !fields.contains(&field) {
            fields.push(field);
        }
    }
    fields
}

/// The card of a form, its lengths in `unit`, with what was taken for inches; `filled` gives what stands in a field.
///
/// # Errors
/// [`CardFileError::Field`], naming the field. Whether the card can be as a whole is the card's own to say.
pub fn of_form<'a>(unit: LengthUnit, filled: impl Fn(&str) -> Option<&'a str>) -> Result<(ListedCard, Vec<String>), CardFileError> {
    let cells = fields().into_iter().filter_map(|field| Some((field, filled(field)?.trim()))).collect();
    let row = Row { place: Place::Form(unit), cells, inches: RefCell::default() };
    let card = row.card()?;
    Ok((card, row.inches.into_inner()))
}

/// Reads how far is far outside a range, in widths of the range: 2, 1.5.
///
/// # Errors
/// A sentence that says what can be written.
pub fn far_tenths(text: &str) -> Result<u32, String> {
    let (whole, tenth) = text.trim().split_once('.').unwrap_or((text.trim(), "0"));
    let digits = |part: &str, most: usize| (1..=most).contains(&part.len()) && part.bytes().all(|b| b.is_ascii_digit());
    let read = || if digits(whole, 3) && digits(tenth, 1) { format!("{whole}{tenth}").parse().ok() } else { None };
    read().ok_or_else(|| format!("\"{text}\" is not a number of widths of the range: write 2, or 1.5"))
}

/// Reads a table of cards: every one of them can be, or none is given. A column of another name is refused: a misspelt
/// one must not pass for one that is missing.
///
/// # Errors
/// [`CardFileError`], naming the line and column, or the card and field.
pub fn read(bytes: &[u8]) -> Result<Vec<ListedCard>, CardFileError> {
    read_noted(bytes).map(|(cards, _)| cards)
}

/// As [`read`], with what was taken for inches, as in "line 2, `intake_low_thou`: 0.004 in., 4 thou".
///
/// # Errors
/// As [`read`].
pub fn read_noted(bytes: &[u8]) -> Result<(Vec<ListedCard>, Vec<String>), CardFileError> {
    if bytes.len() > LARGEST_FILE {
        return Err(CardFileError::TooLarge);
    }
    // Spreadsheets like to begin a table with the mark of UTF-8.
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let mut reader = csv::ReaderBuilder::new().from_reader(bytes);
    let broken = |error: &csv::Error| CardFileError::Cell {
        line: error.position().map_or(1, csv::Position::line),
        column: "any".to_owned(),
        why: error.to_string(),
    };
    let headings: Vec<String> = reader.headers().map_err(|e| broken(&e))?.iter().map(|h| h.trim().to_lowercase()).collect();
    let here = |column: &str, why: &str| CardFileError::Cell { line: 1, column: column.to_owned(), why: why.to_owned() };
    for (n, heading) in headings.iter().enumerate() {
        if !COLUMNS.contains(&heading.as_str()) && heading != ID_COLUMN {
            return Err(here(heading, "there is no such column in a table of engine cards"));
        }
        if headings[..n].contains(heading) {
            return Err(here(heading, "the column comes twice"));
        }
    }
    let (mut cards, mut notes) = (Vec::new(), Vec::new());
    for record in reader.records() {
        let record = record.map_err(|e| broken(&e))?;
        let line = record.position().map_or(0, csv::Position::line);
        let cells = headings.iter().map(String::as_str).zip(record.iter().map(str::trim)).collect();
        let row = Row { place: Place::Line(line), cells, inches: RefCell::default() };
        cards.push(row.card()?);
        notes.extend(row.inches.into_inner());
    }
    Ok((proved(cards)?, notes))
}

/// Where a row stands.
#[derive(Clone, Copy)]
enum Place {
    /// On a line of a table.
    Line(u64),
    /// In a form, whose lengths are in this unit.
    Form(LengthUnit),
}

/// One row of a table, or a form.
struct Row<'a> {
    place: Place,
    cells: Vec<(&'a str, &'a str)>,
    /// What was taken for inches.
    inches: RefCell<Vec<String>>,
}

impl Row<'_> {
    /// What stands in a column; `None` where nothing does.
    fn cell(&self, column: &str) -> Option<&str> {
        self.cells.iter().find(|(name, _)| *name == column).map(|(_, cell)| *cell).filter(|cell| !cell.is_empty())
    }

    fn wrong(&self, column: &str, why: impl Into<String>) -> CardFileError {
        let (column, why) = (column.to_owned(), why.into());
        match self.place {
            Place::Line(line) => CardFileError::Cell { line, column, why },
            Place::Form(_) => CardFileError::Field { field: column.replace('_', " "), why },
        }
    }

    fn note(&self, column: &str, note: String) {
        self.inches.borrow_mut().push(match self.place {
            Place::Line(line) => format!("line {line}, {column}: {note}"),
            Place::Form(_) => note,
        });
    }

    fn needed<T>(&self, column: &str, found: Option<T>) -> Result<T, CardFileError> {
        found.ok_or_else(|| self.wrong(column, "it is empty, and a card needs it"))
    }

    fn number<T: std::str::FromStr>(&self, column: &str) -> Result<Option<T>, CardFileError> {
        let read = |cell: &str| cell.parse().map_err(|_| self.wrong(column, format!("\"{cell}\" is no whole number that can be")));
        self.cell(column).map(read).transpose()
    }

    /// A length, in thou or in mm; in a form in its unit.
    fn length(&self, name: &str) -> Result<Option<Length>, CardFileError> {
        let columns = match self.place {
            Place::Form(unit) => vec![(name.to_owned(), unit)],
            Place::Line(_) => [LengthUnit::Thou, LengthUnit::Mm].map(|unit| (format!("{name}_{}", unit.name()), unit)).to_vec(),
        };
        let mut found = None;
        for (column, unit) in columns {
            let Some(cell) = self.cell(&column) else { continue };
            let of = if name == "past_tdc" { &PAST_TDC } else { &RANGE_LIMIT };
            let read = labelled(cell, unit, of).map_err(|error| self.wrong(&column, error.to_string()))?;
            read.note().into_iter().for_each(|note| self.note(&column, note));
            let length = read.length;
            if found.replace(length).is_some_and(|other| other != length) {
                return Err(self.wrong(&column, "it says another length than the column in thou"));
            }
        }
        Ok(found)
    }

    /// The range of a side, and how its manual says it; `None` of hydraulic lash.
    fn range(&self, side: &str, hydraulic: bool) -> Result<Option<(Range, Option<Said>)>, CardFileError> {
        let end = |end: &str| self.length(&format!("{side}_{end}"));
        let (low, high, aim) = (end("low")?, end("high")?, end("aim")?);
        if hydraulic {
            let empty = low.or(high).or(aim).is_none() && self.cell(side).is_none();
            return if empty { Ok(None) } else { Err(self.wrong(side, "hydraulic lash has no range: leave it empty")) };
        }
        if let Some(cell) = self.cell(side) {
            let unit = if let Place::Form(unit) = self.place { unit } else { LengthUnit::Thou };
            // The field names its unit, as with every length of a form.
            let bare = unit == LengthUnit::Mm && !cell.contains(|c: char| c.is_alphabetic() || matches!(c, '"' | '″'));
            let text = if bare { format!("{cell}mm") } else { cell.to_owned() };
            let span = span(&text, unit).map_err(|error| self.wrong(side, error.to_string()))?;
            span.notes.into_iter().for_each(|note| self.note(side, note));
            if low.is_some_and(|low| low != span.low) || high.is_some_and(|high| high != span.high) {
                return Err(self.wrong(side, "it says another range than its least and greatest: leave one of the two empty"));
            }
            let range = Range { low: span.low, high: span.high, aim: aim.or(span.middle) };
            return Ok(Some((range, span.said)));
        }
        let suffix = if let Place::Form(_) = self.place { "" } else { "_thou" };
        let needed = |end: &str, found| self.needed(&format!("{side}_{end}{suffix}"), found);
        Ok(Some((Range { low: needed("low", low)?, high: needed("high", high)?, aim }, None)))
    }

    fn firing(&self) -> Result<Option<Firing>, CardFileError> {
        let (order, degrees) = (self.cell("firing_order"), self.cell("firing_degrees"));
        if order.is_none() && degrees.is_none() {
            return Ok(None);
        }
        let order = self.needed("firing_order", order)?;
        let degrees = self.needed("firing_degrees", degrees)?;
        Firing::read(order, degrees).map(Some).map_err(|error| self.wrong("firing_order", error.to_string()))
    }

    fn adjuster(&self) -> Result<Option<Adjuster>, CardFileError> {
        if ["thread", "rocker", "rocker_ratio"].iter().all(|column| self.cell(column).is_none()) {
            return Ok(None);
        }
        let thread = self.needed("thread", self.cell("thread"))?;
        let thread = crate::entry::thread(thread).map_err(|error| self.wrong("thread", error.to_string()))?;
        let rocker = self.needed("rocker", self.cell("rocker"))?;
        let rocker = Rocker::ALL.into_iter().find(|known| known.name() == rocker).ok_or_else(|| {
            let names = Rocker::ALL.map(Rocker::name).join(", ");
            self.wrong("rocker", format!("a rocker is one of {names}"))
        })?;
        let ratio = self.needed("rocker_ratio", self.cell("rocker_ratio"))?;
        let ratio_milli = crate::entry::ratio_milli(ratio).map_err(|error| self.wrong("rocker_ratio", error.to_string()))?;
        Ok(Some(Adjuster { thread, rocker, ratio_milli }))
    }

    fn card(&self) -> Result<ListedCard, CardFileError> {
        let form = matches!(self.place, Place::Form(_));
        let words = |column: &str| self.cell(column).map(|cell| if form { cell } else { unguarded(cell) }.to_owned());
        let source = match (words("manual"), words("page")) {
            (None, None) => None,
            (manual, page) => Some(Source { manual: self.needed("manual", manual)?, page: self.needed("page", page)? }),
        };
        let interval = |duty: &str| -> Result<Interval, CardFileError> {
            Ok(Interval { hours: self.number(&format!("{duty}_h"))?, months: self.number(&format!("{duty}_months"))? })
        };
        let read_id = |cell: &str| cell.parse::<CardId>().map_err(|error| self.wrong(ID_COLUMN, error.to_string()));
        let hydraulic = match self.cell("lash") {
            None | Some("adjusted") => false,
            Some("hydraulic") => true,
            Some(_) => return Err(self.wrong("lash", format!("lash is one of {}", LASH.join(", ")))),
        };
        let [intake, exhaust] = [self.range("intake", hydraulic)?, self.range("exhaust", hydraulic)?];
        let degrees = self.cell("past_tdc_degrees");
        let degrees = degrees.map(|cell| past_tdc_tenth_deg(cell).map_err(|error| self.wrong("past_tdc_degrees", error.to_string())));
        Ok(ListedCard {
            card: self.cell(ID_COLUMN).map(read_id).transpose()?,
            name: self.needed("name", words("name"))?,
            cylinders: self.needed("cylinders", self.number("cylinders")?)?,
            hydraulic,
            intake: intake.map(|(range, _)| range),
            exhaust: exhaust.map(|(range, _)| range),
            intake_said: intake.and_then(|(_, said)| said),
            exhaust_said: exhaust.and_then(|(_, said)| said),
            source,
            commercial: interval("commercial")?,
            homeowner: interval("homeowner")?,
            adjuster: self.adjuster()?,
            past_tdc: self.length("past_tdc")?,
            past_tdc_tenth_deg: degrees.transpose()?,
            firing: self.firing()?,
            ignition: self
                .cell("ignition")
                .map(|cell| cell.parse().map_err(|e: IgnitionError| self.wrong("ignition", e.to_string())))
                .transpose()?,
            far_tenths: self.cell("far_widths").map(|cell| far_tenths(cell).map_err(|why| self.wrong("far_widths", why))).transpose()?,
        })
    }
}

#[cfg(test)]
mod tests;
