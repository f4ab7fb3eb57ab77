//! Closing the day, and the days that were closed.

use axum::extract::State;
use axum::response::{Redirect, Response};
use jiff::civil::Date;
use maud::{Markup, html};
use serde::Deserialize;
use shared::ids::MachineId;
use shared::length::LengthUnit;
use sync_core::queries::bounds::MOST_DAYS_TOLD;
use sync_core::queries::{ClosedDay, DaySheet, find};

use super::asked::{Named, Query};
use super::current_user::CurrentUser;
use super::day_sheet::at;
use super::error_page::ErrorPage;
use super::finding::{self, Find};
use super::forms::Posted;
use super::layout::{Place, and_more, field, nothing, page as frame, table};
use super::words::count;
use super::{desk, forms};
use crate::problem_response::sentence;
use crate::routes::given::day;
use crate::state::ServerState;

/// Whether the day is closed, at the head of its sheet.
pub(super) fn state(visitor: &CurrentUser, sheet: &DaySheet) -> Markup {
    html! {
        @match &sheet.closed {
            None => p { span.tag { "open" } @if sheet.day < visitor.today() { " " span.warn { "This day is over, and nobody has closed it." } } },
            Some(closed) => p {
                span.tag.good { "closed" } " by " (closed.by) ", " (closed.when) "."
                @if !closed.left_open.is_empty() { " Left open: “" (closed.left_open) "”." }
                @if !closed.late.is_empty() { " " span.warn { (came_since(closed)) } }
            },
        }
    }
}

fn came_since(closed: &ClosedDay) -> String {
    format!("{} came for it since.", count(closed.late.len() + closed.late_more, "record", "records"))
}

/// The closing of the day: what is open, and a reason where something is.
pub(super) fn form(visitor: &CurrentUser, sheet: &DaySheet) -> Markup {
    let closed = sheet.closed.as_ref();
    let news = closed.is_none_or(|closed| !closed.late.is_empty());
    html! {
        h2 id="close" { "Close the day" }
        @if let Some(closed) = closed { (late(closed)) }
        @if sheet.day > visitor.today() { (nothing("This day has not come yet.")) }
        @else if !news { (nothing("This day is closed, and nothing came for it since.")) }
        @else {
            @if sheet.open_matters.is_empty() { p { "Nothing is open." } }
            @else {
                p { "Still open:" }
                ul { @for matter in &sheet.open_matters { li { span.warn { (sentence(matter)) } } } }
            }
            @if visitor.is_office() { div.no-print { (close_form(visitor, sheet)) } }
            @else { p.soft { "The office closes the day." } }
        }
    }
}

fn close_form(visitor: &CurrentUser, sheet: &DaySheet) -> Markup {
    let inside = html! {
        input type="hidden" name="day" value=(sheet.day);
        @if !sheet.open_matters.is_empty() {
            (field("Why it is closed with this open", "stays in the book", &html! { textarea id="left-open" name="left_open" rows="2" required maxlength="1000" {} }))
        }
        button { "Close " (sheet.day) @if sheet.closed.is_some() { " again" } }
    };
    forms::form(visitor, "/office/days/close", &inside)
}

fn late(closed: &ClosedDay) -> Markup {
    let rows: Vec<Vec<Markup>> = closed
        .late
        .iter()
        .map(|line| {
            vec![
                html! { a href={ "/office/records/" (line.record) } { (line.title) } },
                html! { (line.words) },
                html! { (line.by) },
                html! { (line.when) },
                html! { (line.came) },
            ]
        })
        .collect();
    html! { @if !rows.is_empty() { (table("Came after the day was closed", &["About", "What was stated", "Who", "Written", "Came in"], &rows)) } (and_more(closed.late_more, "record", "records")) }
}

/// POST /office/days/close
pub(super) async fn close(State(state): State<ServerState>, posted: Posted) -> Result<Redirect, ErrorPage> {
    let Posted { visitor, fields } = posted;
    let day: Date = day(&fields.text("day")?)?;
    let left_open = fields.maybe("left_open").unwrap_or_default().to_owned();
    desk::step(&state, &visitor, move |author, hand| author.close_day(day, &left_open, hand), &format!("{day} is closed."), &at(day)).await
}

/// On which evening.
#[derive(Debug, Deserialize)]
pub(super) struct Asked {
    day: String,
}

/// GET /office/machines/{id}/evening: a machine as it stood when a day was closed.
pub(super) async fn evening(
    State(state): State<ServerState>,
    visitor: CurrentUser,
    Named(id): Named<MachineId>,
    Query(asked): Query<Asked>,
) -> Result<Response, ErrorPage> {
    let (on, unit) = (day(&asked.day)?, visitor.unit);
    let evening = state.read(move |book| book.days().evening(on, id.doc(), unit)).await?;
    let rows: Vec<Vec<Markup>> = evening
        .lines
        .iter()
        .map(|line| {
            vec![
                html! { (line.slot_words) },
                html! { (line.words) },
                html! { (line.by) },
                html! { (line.state.words()) },
                html! { @if line.changed_since { span.warn { "reads otherwise now" } } @else { "the same" } },
            ]
        })
        .collect();
    let title = format!("{} on the evening of {}", evening.title, evening.day);
    let body = html! {
        h1 { (title) }
        p.soft { "As the office could know it when the day was closed, " (evening.when) "." }
        p.bar-line { a href=(desk::machine_at(evening.doc)) { "The machine now" } a href=(at(evening.day)) { "That day's sheet" } }
        @if rows.is_empty() { (nothing("Nothing was stated about it by then.")) }
        @else { (table("What stood that evening", &["About", "What stood", "Who", "How", "Now"], &rows)) }
        (and_more(evening.more, "line", "lines"))
    };
    Ok(frame(&visitor, Place::Inside, &title, &body))
}

/// The way to a machine's evenings.
pub(super) fn evenings(id: MachineId, days: &[ClosedDay]) -> Markup {
    html! {
        @if !days.is_empty() {
            form method="get" action={ "/office/machines/" (id) "/evening" } {
                (field("As it stood when a day was closed", "", &html! { select name="day" { @for one in days { option value=(one.day) { (one.day) } } } }))
                button { "Show that evening" }
            }
        }
    }
}

/// GET /office/days
pub(super) async fn days(State(state): State<ServerState>, visitor: CurrentUser, Query(asked): Query<Find>) -> Result<Response, ErrorPage> {
    let unit: LengthUnit = visitor.unit;
    let days = state.read(move |book| book.days().closed_days(MOST_DAYS_TOLD, unit)).await?;
    let none = days.is_empty();
    let days = find(days, &asked.find);
    let rows: Vec<Vec<Markup>> = finding::page_of(&days, asked.from)
        .iter()
        .map(|closed| {
            let n = closed.counts;
            vec![
                html! { a href=(at(closed.day)) { (closed.day_words) } },
                html! { (closed.by) ", " (closed.when) },
                html! { (count(n.records as usize, "record", "records")) ", " (count(n.visits as usize, "visit", "visits")) },
                html! {
                    @if closed.left_open.is_empty() { "nothing" }
                    @else { (count((n.contested + n.aside + n.unfinished + n.quarantined) as usize, "matter", "matters")) ": " (closed.left_open) }
                },
                html! { @if closed.late.is_empty() { "nothing" } @else { span.warn { (count(closed.late.len() + closed.late_more, "record", "records")) } } },
            ]
        })
        .collect();
    let body = html! {
        h1 { "Days closed" }
        p.soft { "A closed day is a signed record of what there was; what comes for it later is listed on its sheet." }
        @if none { (nothing("No day has been closed yet. Close one at the end of its day sheet.")) }
        @else {
            @let listed = table("The latest first", &["Day", "Closed by", "What there was", "Left open", "Came since"], &rows);
            (finding::words_form("/office/days", &asked, "date or weekday, who closed it, what was left open"))
            (finding::found("/office/days", &asked, days.len(), ("day", "days"), &listed))
        }
    };
    Ok(frame(&visitor, Place::Days, "Days closed", &body))
}
