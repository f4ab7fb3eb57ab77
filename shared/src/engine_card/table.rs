//! The table of engine cards: the same cards as [`super::file`], as rows for a spreadsheet (CSV, RFC 4180), out and in.
//!
//! Lengths stand in thou and in mm side by side. What comes in may fill either; where both are filled they must agree.

use std::cell::RefCell;

use super::file::{CardFileError, LARGEST_FILE, ListedCard, proved};
use super::{Adjuster, EngineCard, IgnitionError, Interval, Range, Rocker, Source};
use crate::entry::labelled;
use crate::ids::CardId;
use crate::length::{Length, LengthUnit};
use crate::sensible::{PAST_TDC, RANGE_LIMIT};

/// The columns, in the order in which they are written. They may come in any order, and any but the name may be missing.
pub const COLUMNS: [&str; 27] = [
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
];
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
            cells.extend([length(Some(range.low)), length(Some(range.high)), length(range.aim)]);
        }
        cells.push(length(card.past_tdc));
    }
    for interval in [card.commercial, card.homeowner] {
        cells.extend([number(interval.hours), number(interval.months)]);
    }
    let adjuster = card.adjuster.as_ref();
    cells.push(adjuster.map(|a| a.thread.words()).unwrap_or_default());
    cells.push(adjuster.map(|a| a.rocker.name().to_owned()).unwrap_or_default());
    cells.push(adjuster.map(|a| format!("{}.{:03}", a.ratio_milli / 1000, a.ratio_milli % 1000)).unwrap_or_default());
    let source = card.source.as_ref();
    cells.extend([source.map(|s| guarded(&s.manual)).unwrap_or_default(), source.map(|s| guarded(&s.page)).unwrap_or_default()]);
    cells.push(card.ignition.map(|ignition| ignition.name().to_owned()).unwrap_or_default());
    cells.push(card.far_tenths.map(widths).unwrap_or_default());
    cells.push(card.card.to_string());
    cells
}

/// Tenths of a range's width as people write them: 20 are 2, 15 are 1.5.
#[must_use]
pub fn widths(far_tenths: u32) -> String {
    if far_tenths.is_multiple_of(10) { (far_tenths / 10).to_string() } else { format!("{}.{}", far_tenths / 10, far_tenths % 10) }
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
        let row = Row { line, cells, inches: RefCell::default() };
        cards.push(row.card()?);
        notes.extend(row.inches.into_inner());
    }
    Ok((proved(cards)?, notes))
}

/// One row of a table.
struct Row<'a> {
    line: u64,
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
        CardFileError::Cell { line: self.line, column: column.to_owned(), why: why.into() }
    }

    fn needed<T>(&self, column: &str, found: Option<T>) -> Result<T, CardFileError> {
        found.ok_or_else(|| self.wrong(column, "it is empty, and a card needs it"))
    }

    fn number<T: std::str::FromStr>(&self, column: &str) -> Result<Option<T>, CardFileError> {
        let read = |cell: &str| cell.parse().map_err(|_| self.wrong(column, format!("\"{cell}\" is no whole number that can be")));
        self.cell(column).map(read).transpose()
    }

    /// A length, in thou or in mm.
    fn length(&self, name: &str) -> Result<Option<Length>, CardFileError> {
        let mut found = None;
        for unit in [LengthUnit::Thou, LengthUnit::Mm] {
            let column = format!("{name}_{}", unit.name());
            let Some(cell) = self.cell(&column) else { continue };
            let of = if name == "past_tdc" { &PAST_TDC } else { &RANGE_LIMIT };
            let read = labelled(cell, unit, of).map_err(|error| self.wrong(&column, error.to_string()))?;
            self.inches.borrow_mut().extend(read.note().map(|note| format!("line {}, {column}: {note}", self.line)));
            let length = read.length;
            if found.replace(length).is_some_and(|other| other != length) {
                return Err(self.wrong(&column, "it says another length than the column in thou"));
            }
        }
        Ok(found)
    }

    fn range(&self, side: &str) -> Result<Range, CardFileError> {
        let end = |end: &str| {
            let name = format!("{side}_{end}");
            self.needed(&format!("{name}_thou"), self.length(&name)?)
        };
        Ok(Range { low: end("low")?, high: end("high")?, aim: self.length(&format!("{side}_aim"))? })
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
        let words = |column: &str| self.cell(column).map(|cell| unguarded(cell).to_owned());
        let source = match (words("manual"), words("page")) {
            (None, None) => None,
            (manual, page) => Some(Source { manual: self.needed("manual", manual)?, page: self.needed("page", page)? }),
        };
        let interval = |duty: &str| -> Result<Interval, CardFileError> {
            Ok(Interval { hours: self.number(&format!("{duty}_h"))?, months: self.number(&format!("{duty}_months"))? })
        };
        let read_id = |cell: &str| cell.parse::<CardId>().map_err(|error| self.wrong(ID_COLUMN, error.to_string()));
        Ok(ListedCard {
            card: self.cell(ID_COLUMN).map(read_id).transpose()?,
            name: self.needed("name", words("name"))?,
            cylinders: self.needed("cylinders", self.number("cylinders")?)?,
            intake: self.range("intake")?,
            exhaust: self.range("exhaust")?,
            source,
            commercial: interval("commercial")?,
            homeowner: interval("homeowner")?,
            adjuster: self.adjuster()?,
            past_tdc: self.length("past_tdc")?,
            ignition: self
                .cell("ignition")
                .map(|cell| cell.parse().map_err(|e: IgnitionError| self.wrong("ignition", e.to_string())))
                .transpose()?,
            far_tenths: self.cell("far_widths").map(|cell| far_tenths(cell).map_err(|why| self.wrong("far_widths", why))).transpose()?,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine_card::{Ignition, Thread};
    use proptest::prelude::*;

    /// The table as a program would write it.
    fn written(cards: &[EngineCard]) -> Vec<u8> {
        let mut writer = csv::Writer::from_writer(Vec::new());
        writer.write_record(COLUMNS.iter().chain([&ID_COLUMN])).unwrap();
        for card in cards {
            writer.write_record(row(card)).unwrap();
        }
        writer.into_inner().unwrap()
    }

    fn cards() -> impl Strategy<Value = EngineCard> {
        let range = (254i64..3_000, 1i64..3_000, any::<bool>()).prop_map(|(low, width, aimed)| {
            let of = Length::from_tenth_um;
            Range { low: of(low), high: of(low + width), aim: aimed.then(|| of(low + width / 2)) }
        });
        let interval = (1u32..5_000, prop::option::of(1u32..60)).prop_map(|(hours, months)| Interval { hours: Some(hours), months });
        let thread = prop_oneof![(250u32..=2_500).prop_map(Thread::PitchUm), (10u32..=80).prop_map(Thread::PerInch)];
        let adjuster = (thread, 0usize..3, 300u32..=3_000).prop_map(|(thread, rocker, ratio_milli)| Adjuster {
            thread,
            rocker: Rocker::ALL[rocker],
            ratio_milli,
        });
        let words = "[=+@\"', a-zA-Z0-9é-]{0,20}[a-z]";
        let source = (words, words).prop_map(|(manual, page)| Source { manual: manual.trim().to_owned(), page: page.trim().to_owned() });
        let name = words.prop_map(|name: String| name.trim().to_owned());
        (
            name,
            1u8..=4,
            range.clone(),
            range,
            interval.clone(),
            interval,
            prop::option::of(adjuster),
            prop::option::of(source),
            0i64..200_000,
        )
            .prop_map(|(name, cylinders, intake, exhaust, commercial, homeowner, adjuster, source, past)| EngineCard {
                card: CardId::from_bytes([7; 16]),
                name,
                cylinders,
                intake,
                exhaust,
                source,
                commercial,
                homeowner,
                adjuster,
                past_tdc: (past >= 1_000).then(|| Length::from_tenth_um(past)),
                ignition: if past % 2 == 0 { None } else { Some(if past % 3 == 0 { Ignition::Compression } else { Ignition::Spark }) },
                far_tenths: (past >= 5_000).then(|| 5 + u32::try_from(past % 96).unwrap()),
            })
    }

    proptest! {
        /// What is written is read back, to the tenth of a micrometre, whatever the name begins with.
        #[test]
        fn a_table_comes_back_as_it_went(card in cards()) {
            prop_assume!(card.check().is_ok());
            let read = read(&written(std::slice::from_ref(&card))).unwrap();
            prop_assert_eq!(read, vec![ListedCard::from(card)]);
        }

        #[test]
        fn any_bytes_are_a_table_or_none(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            let _ = read(&bytes);
        }
    }

    const LEAST: &str = "name,cylinders,intake_low_thou,intake_high_thou,exhaust_low_mm,exhaust_high_mm,commercial_h,homeowner_months\n";

    #[test]
    fn a_table_made_by_hand_is_read() {
        let table = format!("\u{feff}{LEAST}\"Twin, old\",2,4,6,0.13,0.18,100,12\r\n");
        let read = read(table.as_bytes()).unwrap();
        assert_eq!((read[0].name.as_str(), read[0].card, read[0].source.clone()), ("Twin, old", None, None));
        assert_eq!((read[0].intake.low.tenth_um(), read[0].exhaust.high.tenth_um()), (1_016, 1_800));
    }

    /// Manuals say inches, and spreadsheets add the nought: neither is a thousandth of a thou.
    #[test]
    fn decimal_inches_in_a_column_of_thou_are_inches_and_said_to_be() {
        let (cards, notes) = read_noted(format!("{LEAST}A,2,.004,0.006,0.13,0.18,100,12").as_bytes()).unwrap();
        assert_eq!((cards[0].intake.low, cards[0].intake.high), (Length::from_thou(4), Length::from_thou(6)));
        assert_eq!(notes, ["line 2, intake_low_thou: 0.004 in., 4 thou", "line 2, intake_high_thou: 0.006 in., 6 thou"]);
        let said = |rows: &str| read(format!("{LEAST}{rows}").as_bytes()).unwrap_err().to_string();
        assert!(said("A,2,0.4,6,0.13,0.18,100,12").contains("column intake_low_thou: \"0.4\" can be 0.4 thou, 0.4 in. or 0.4 mm"));
        assert!(said("A,2,4,600,0.13,0.18,100,12").contains("600 thou is not a limit of a clearance range"));
        assert!(said("A,2,4,6,.005,0.18,100,12").contains("0.005 mm is not a limit of a clearance range"));
        assert!(said("A,2,4,6,0.13,0.18,100,1200").contains("1200 is not a number of months between checks: 1 to 120 is"));
    }

    #[test]
    fn what_is_wrong_is_named_by_line_and_column() {
        let said = |rows: &str| read(format!("{LEAST}{rows}").as_bytes()).unwrap_err().to_string();
        assert_eq!(
            said("A,2,4,six,0.13,0.18,100,12"),
            "line 2, column intake_high_thou: \"six\" is not a length: write 5 (in your own unit), 5thou, 0.005in, 0.13mm or 130um"
        );
        assert_eq!(said("A,,4,6,0.13,0.18,100,12"), "line 2, column cylinders: it is empty, and a card needs it");
        assert_eq!(said("A,2,4,6,0.13,,100,12"), "line 2, column exhaust_high_thou: it is empty, and a card needs it");
        assert!(said("A,2,4,6,0.13,0.18,100").starts_with("line 2, column any: "), "a row that is too short");
        assert!(said("").contains("1 to 500 engine cards"), "a table without a row");
        assert!(said("A,2,6,4,0.13,0.18,100,12").starts_with("card 1, \"A\": "), "a range that is none");
        let headed = |heading: &str| read(heading.as_bytes()).unwrap_err().to_string();
        assert_eq!(headed("name,colour\nA,red"), "line 1, column colour: there is no such column in a table of engine cards");
        assert_eq!(headed("name,name\nA,B"), "line 1, column name: the column comes twice");
        let both = "name,cylinders,intake_low_thou,intake_low_mm,intake_high_thou,exhaust_low_thou,exhaust_high_thou,commercial_h\nA,1,4,0.2,6,5,7,100";
        assert_eq!(headed(both), "line 2, column intake_low_mm: it says another length than the column in thou");
    }
}
