//! Tables for a spreadsheet: CSV (RFC 4180), with CRLF and a header row.
//!
//! A text that a spreadsheet would take for a formula (it begins with = + - @, wide or after blanks) gets an apostrophe before it
//! (common practice, no source). Numbers are our own and go as they are.

use axum::extract::{OriginalUri, State};
use axum::http::{Uri, header};
use axum::response::{IntoResponse, Response};
use csv::{Terminator, Writer, WriterBuilder};
use serde::Deserialize;
use shared::engine_card::table::{COLUMNS, ID_COLUMN, guarded as text, row};
use shared::engine_card::{Duty, EngineCard};
use shared::length::{Length, LengthUnit};
use shared::text::visible;
use sync_core::queries::{DueLine, Fate, HoursRow, MachineLine, ReadingRow, RowOrigin, RowPlace, Rows};
use utoipa::IntoParams;

use super::given::Given;
use super::page::{self, Paging};
use crate::bearer::Caller;
use crate::problem_response::ApiError;
use crate::state::ServerState;

/// The machines open to the caller, as CSV
#[utoipa::path(
    get,
    path = "/v1/machines.csv",
    tag = "any device",
    responses((status = 200, description = "The table.", body = String, content_type = "text/csv")),
)]
pub(crate) async fn machines(State(state): State<ServerState>, caller: Caller) -> Result<Response, ApiError> {
    let lines = state.read(move |book| book.read_by(caller.person).machines()).await?;
    table("machines", &MACHINES, lines.iter().map(machine))
}

/// The due list of the machines open to the caller, as CSV
#[utoipa::path(
    get,
    path = "/v1/due.csv",
    tag = "any device",
    responses((status = 200, description = "The table.", body = String, content_type = "text/csv")),
)]
pub(crate) async fn due(State(state): State<ServerState>, caller: Caller) -> Result<Response, ApiError> {
    let now = state.now();
    let lines = state.read(move |book| book.read_by(caller.person).due(&now)).await?;
    table("due", &DUE, lines.iter().map(due_line))
}

/// Every clearance reading in the machines open to the caller, and what became of it, as CSV
///
/// The table has what was read and no verdict: which range was in force, and what is far off, the machine's page and its service
/// records say.
#[utoipa::path(
    get,
    path = "/v1/readings.csv",
    tag = "any device",
    params(OfTable),
    responses((status = 200, description = "The table; a Link to the next one where this is not all.", body = String, content_type = "text/csv")),
)]
pub(crate) async fn readings(
    State(state): State<ServerState>,
    OriginalUri(uri): OriginalUri,
    caller: Caller,
    Given(asked): Given<OfTable>,
) -> Result<Response, ApiError> {
    let after = asked.place()?;
    let rows = state.ask(move |shop| shop.readings(caller.person, after)).await?;
    in_tables(&state, &uri, rows, |rows| table("readings", &[&ORIGIN[..], &READING].concat(), rows.iter().map(reading))).await
}

/// Every hour-meter reading in the machines open to the caller, and what became of it, as CSV
#[utoipa::path(
    get,
    path = "/v1/hours.csv",
    tag = "any device",
    params(OfTable),
    responses((status = 200, description = "The table; a Link to the next one where this is not all.", body = String, content_type = "text/csv")),
)]
pub(crate) async fn hours(
    State(state): State<ServerState>,
    OriginalUri(uri): OriginalUri,
    caller: Caller,
    Given(asked): Given<OfTable>,
) -> Result<Response, ApiError> {
    let after = asked.place()?;
    let rows = state.ask(move |shop| shop.hours(caller.person, after)).await?;
    in_tables(&state, &uri, rows, |rows| table("hours", &[&ORIGIN[..], &["meter_h"]].concat(), rows.iter().map(hour))).await
}

/// Where a long table goes on.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct OfTable {
    /// Where the table begins: as the Link of the one before it says.
    after: Option<String>,
}

impl OfTable {
    fn place(self) -> Result<Option<RowPlace>, ApiError> {
        Paging { limit: None, after: self.after }.place()
    }
}

/// Writes rows as a table, away from the threads that serve and without the book, and says where the rest begins.
async fn in_tables<T: Send + 'static>(
    state: &ServerState,
    uri: &Uri,
    rows: Rows<T>,
    write: fn(&[T]) -> Result<Response, ApiError>,
) -> Result<Response, ApiError> {
    let next = rows.next.as_ref().and_then(|next| page::link(uri, &page::cursor(next)).ok());
    let mut response = state.work("Nothing was changed. Ask again.", move || write(&rows.rows)).await?;
    if let Some(next) = next {
        response.headers_mut().insert(header::LINK, next);
    }
    Ok(response)
}

/// Every engine card that stands, as CSV
#[utoipa::path(
    get,
    path = "/v1/engine-cards.csv",
    tag = "any device",
    responses((status = 200, description = "The table.", body = String, content_type = "text/csv")),
)]
pub(crate) async fn engine_cards(State(state): State<ServerState>, _: Caller) -> Result<Response, ApiError> {
    let cards = state.read(|book| book.reader().engine_cards()).await?;
    of_cards(&cards)
}

/// Engine cards as a table.
pub(crate) fn of_cards(cards: &[EngineCard]) -> Result<Response, ApiError> {
    let columns: Vec<&str> = COLUMNS.into_iter().chain([ID_COLUMN]).collect();
    table("engine-cards", &columns, cards.iter().map(row))
}

type Row = Vec<String>;

const MACHINES: [&str; 13] = [
    "tag",
    "description",
    "property",
    "duty",
    "meter_h",
    "provisional",
    "hold",
    "contested",
    "hours_per_week",
    "season",
    "machine_id",
    "property_id",
    "engine_card_id",
];
const DUE: [&str; 12] =
    ["tag", "description", "property", "state", "date", "by_h", "left_h", "meter_h", "words", "hold", "recheck", "machine_id"];
const ORIGIN: [&str; 9] = ["tag", "property", "by", "when", "at_ms", "fate", "stands", "record_id", "machine_id"];
const READING: [&str; 8] = ["valve", "stage", "go_thou", "no_go_thou", "go_mm", "no_go_mm", "cold", "adjusted"];
fn machine(line: &MachineLine) -> Row {
    vec![
        text(&line.tag),
        text(&line.description),
        text(&line.property_name),
        duty(line.duty).to_owned(),
        number(line.meter),
        yes(line.provisional),
        yes(line.hold),
        yes(line.contested),
        number(line.hours_per_week),
        line.season.map(|season| season.form()).unwrap_or_default(),
        line.machine.to_string(),
        number(line.property),
        number(line.engine_card),
    ]
}

fn due_line(line: &DueLine) -> Row {
    let due = line.due.as_ref();
    vec![
        text(&line.tag),
        text(&line.description),
        text(&line.property_name),
        due.map(|due| word(&due.state)).unwrap_or_default(),
        number(due.and_then(|due| due.date)),
        number(due.and_then(|due| due.by_hours)),
        number(due.and_then(|due| due.hours_left)),
        number(line.meter),
        text(&line.words),
        yes(line.hold),
        yes(line.recheck),
        line.machine.to_string(),
    ]
}

fn origin(row: &RowOrigin) -> Row {
    vec![
        text(&row.tag),
        text(&row.property_name),
        text(&row.by),
        row.when.clone(),
        row.at_ms.to_string(),
        word(&row.fate),
        yes(row.fate == Fate::Stands),
        row.record.to_string(),
        row.machine.to_string(),
    ]
}

fn reading(row: &ReadingRow) -> Row {
    let length = |length: Option<Length>, unit| length.map(|length| length.show_bare(unit)).unwrap_or_default();
    let (thou, mm) = (LengthUnit::Thou, LengthUnit::Mm);
    let mut cells = origin(&row.origin);
    cells.extend([row.valve.to_string(), row.stage.to_string()]);
    cells.extend([length(row.go, thou), length(row.no_go, thou), length(row.go, mm), length(row.no_go, mm)]);
    cells.extend([yes(row.cold), yes(row.adjusted)]);
    cells
}

fn hour(row: &HoursRow) -> Row {
    let mut cells = origin(&row.origin);
    cells.push(row.meter.to_string());
    cells
}

fn number(number: Option<impl ToString>) -> String {
    number.map(|number| number.to_string()).unwrap_or_default()
}

/// The word that stands for a value on the wire.
fn word<T: serde::Serialize>(value: &T) -> String {
    serde_json::to_value(value).ok().and_then(|value| value.as_str().map(str::to_owned)).unwrap_or_default()
}

fn duty(duty: Duty) -> &'static str {
    match duty {
        Duty::Commercial => "commercial",
        Duty::Homeowner => "homeowner",
    }
}

fn yes(yes: bool) -> String {
    if yes { "yes" } else { "no" }.to_owned()
}

fn table(name: &str, header_row: &[&str], rows: impl Iterator<Item = Row>) -> Result<Response, ApiError> {
    let bytes = written(header_row, rows).map_err(|error| {
        tracing::error!(%error, "a table could not be written");
        ApiError::broke("Nothing was changed.")
    })?;
    let headers = [
        (header::CONTENT_TYPE, "text/csv; charset=utf-8; header=present".to_owned()),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"{name}.csv\"")),
    ];
    Ok((headers, bytes).into_response())
}

fn written(header_row: &[&str], rows: impl Iterator<Item = Row>) -> Result<Vec<u8>, String> {
    let mut writer: Writer<Vec<u8>> = WriterBuilder::new().terminator(Terminator::CRLF).from_writer(Vec::new());
    writer.write_record(header_row).map_err(|e| e.to_string())?;
    for row in rows {
        // The end of a line within a cell is the table's own (RFC 4180 section 2), and nothing that misleads.
        let shown = |cell: &String| cell.split("\r\n").map(visible).collect::<Vec<_>>().join("\r\n");
        writer.write_record(row.iter().map(shown)).map_err(|e| e.to_string())?;
    }
    writer.into_inner().map_err(|e| e.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4180 section 2: lines end in CRLF, and what has a comma, a quote or a break is quoted, with quotes doubled.
    #[test]
    fn cells_are_quoted_as_the_rfc_says_and_formulas_are_none() {
        let row = vec![text("=1+1"), text("a,\"b\"\r\nc"), text("-x"), text("plain"), number(Some(-3))];
        let bytes = written(&["a", "b", "c", "d", "e"], std::iter::once(row)).unwrap();
        assert_eq!(String::from_utf8(bytes).unwrap(), "a,b,c,d,e\r\n'=1+1,\"a,\"\"b\"\"\r\nc\",'-x,plain,-3\r\n");
        for before in ["", " ", "\u{a0} ", "\t", "\r\n", "\n", "\u{feff}", "\u{200b}"] {
            for sign in ["=", "+", "-", "@", "\u{ff1d}", "\u{ff0b}", "\u{ff0d}", "\u{ff20}"] {
                let formula = format!("{before}{sign}x");
                assert_eq!(text(&formula), format!("'{formula}"));
            }
        }
        for broken in ["\tx", "\rx", "\nx"] {
            assert_eq!(text(broken), format!("'{broken}"));
        }
        for plain in ["x=1", " x", "3-4", "a@b", ""] {
            assert_eq!(text(plain), plain);
        }
    }
}
