//! The day sheet as the day's work: what needs the office first, what merely came in below. It renews itself.

use axum::extract::State;
use axum::http::{HeaderMap, header};
use axum::response::{IntoResponse, Response};
use jiff::ToSpan;
use jiff::civil::Date;
use maud::{Markup, html};
use serde::Deserialize;
use shared::ids::DeviceId;
use sync_core::engine::BookError;
use sync_core::judge::words::apart;
use sync_core::queries::DaySheet;

use super::asked::Query;
use super::current_user::{CurrentUser, Waiting};
use super::desk::machine_at;
use super::error_page::ErrorPage;
use super::layout::{Place, and_more, nothing, page as frame, table};
use super::words::count;
use super::{closing, matters};
use crate::events;
use crate::routes::given::day;
use crate::state::ServerState;

/// A device's clock counts as right up to this, in ms: as in the book, where less is no offset.
const RIGHT_MS: i64 = sync_core::judge::corrected_time::IGNORED_OFFSET_MS;

/// Which day.
#[derive(Debug, Deserialize)]
pub(super) struct Asked {
    day: Option<String>,
}

/// Where a day's sheet is.
pub(super) fn at(day: Date) -> String {
    format!("/office?day={day}")
}

/// GET /office
pub(super) async fn page(
    State(state): State<ServerState>,
    visitor: CurrentUser,
    Query(asked): Query<Asked>,
) -> Result<Response, ErrorPage> {
    let asked = asked.day.as_deref().map(day).transpose()?;
    let (unit, now) = (visitor.unit, visitor.now);
    let (mark, sheet, slots) = state
        .read(move |book| {
            // The mark first: what comes in between it and the sheet is then asked for once more, not missed.
            let mark = book.reader().day_mark()?;
            let sheet = book.days().day_sheet(asked, unit, &now)?;
            let slots = matters::slots(book, &sheet, unit)?;
            Ok::<_, BookError>((mark, sheet, slots))
        })
        .await?;
    let title = format!("Day sheet of {}", sheet.day);
    let today = visitor.today();
    let body = html! {
        div id="sheet" data-mark=(mark) {
            h1 { (title) }
            p.bar-line.no-print {
                @if let Ok(before) = sheet.day.checked_sub(1.day()) { a href=(at(before)) { "The day before" } }
                @if sheet.day < today { @if let Ok(after) = sheet.day.checked_add(1.day()) { a href=(at(after)) { "The day after" } } }
                @if sheet.day != today { a href="/office" { "Today" } }
                a href=(at(sheet.day)) { "Renew" }
                a href="#close" { "Close the day" }
                span.soft { "As of " (visitor.local(visitor.now.wall_ms)) }
            }
            (closing::state(&visitor, &sheet))
            @for doubt in &sheet.clock_doubts { p { span.warn { (doubt) } } }
            (tally(&sheet))
            (matters::all(&visitor, &sheet, &slots))
            (recheck(&sheet))
            (notes(&visitor, &sheet))
            (arrived(&sheet))
            (visits(&visitor, &sheet))
            (devices(&visitor, &sheet))
            (closing::form(&visitor, &sheet))
        }
        p.soft.no-print id="news" role="status" {}
    };
    Ok(frame(&visitor, Place::Sheet, &title, &body))
}

/// GET /office/day-sheet/position: a mark that is another one whenever the sheet may be.
pub(super) async fn position(State(state): State<ServerState>, _: Waiting) -> Result<Response, ErrorPage> {
    Ok(([(header::CONTENT_TYPE, "text/plain; charset=utf-8")], state.read(|book| book.reader().day_mark()).await?).into_response())
}

/// GET /office/events: that something moved, as it moves; the same stream as the devices'.
pub(super) async fn events(State(state): State<ServerState>, waiting: Waiting, headers: HeaderMap) -> Result<Response, ErrorPage> {
    let Waiting(visitor) = waiting;
    let last_event = headers.get("last-event-id").and_then(|id| id.to_str().ok()).map(str::to_owned);
    let (who, count_on) = (visitor.still(&state), DeviceId::from_bytes(*visitor.person.as_bytes()));
    Ok(events::stream(state, count_on, who, last_event).await?.into_response())
}

/// What there is at a glance, each a link to its part.
fn tally(sheet: &DaySheet) -> Markup {
    let all = sheet.counts;
    let lines: [(usize, &str, &str, &str, &str); 8] = [
        (all.contested, "slot contested", "slots contested", "#needs", "warn"),
        (all.aside, "record in doubt", "records in doubt", "#needs", "warn"),
        (all.holds, "machine on hold", "machines on hold", "#needs", "stop"),
        (all.quarantine, "record in quarantine", "records in quarantine", "/office/quarantine", "warn"),
        (all.missing, "device not here", "devices not here", "#devices", "warn"),
        (all.unfinished, "visit not finished", "visits not finished", "#visits", "warn"),
        (all.recheck, "slot to measure again", "slots to measure again", "#recheck", "warn"),
        (all.records, "record came in", "records came in", "#arrived", "soft"),
    ];
    html! {
        ul.tally {
            @for (n, one, many, to, class) in lines.into_iter().filter(|(n, _, _, to, _)| *n > 0 || *to == "#arrived") {
                @let counted = count(n, one, many);
                @let (number, noun) = counted.split_once(' ').unwrap_or_default();
                li class=(class) { a href=(to) { b { (number) } " " (noun) } }
            }
        }
    }
}

/// Notes that were left on the day: the next one there is to know them.
fn notes(visitor: &CurrentUser, sheet: &DaySheet) -> Markup {
    html! {
        @if !sheet.notes.is_empty() {
            h2 id="notes" { "Notes" }
            @for line in &sheet.notes {
                @let to = if line.of_machine { machine_at(line.doc) } else { format!("/office/properties/{}", line.doc) };
                p { a href=(to) { (line.title) } ": " (line.note.text) " " span.soft { (line.note.by) ", " (visitor.local(line.note.at_ms)) } }
            }
        }
    }
}

fn recheck(sheet: &DaySheet) -> Markup {
    html! {
        @if !sheet.recheck.is_empty() {
            h2 id="recheck" { "To be measured again" }
            ul { @for line in &sheet.recheck { li { a href=(machine_at(line.doc)) { (line.tag) } ": " (line.slot_words) } } }
            (and_more(sheet.counts.recheck.saturating_sub(sheet.recheck.len()), "slot", "slots"))
        }
    }
}

fn arrived(sheet: &DaySheet) -> Markup {
    let rows: Vec<Vec<Markup>> = sheet
        .arrived
        .iter()
        .map(|line| vec![html! { (line.person) }, html! { (line.records) }, html! { (line.readings) }, html! { (line.machines) }])
        .collect();
    html! {
        h2 id="arrived" { "Came in" }
        @if rows.is_empty() { (nothing("Nothing came in on this day yet. It shows here as soon as a device exchanges.")) }
        @else { (table("Records by who stated them", &["Person", "Records", "Readings", "Machines"], &rows)) }
        (and_more(sheet.counts.people.saturating_sub(rows.len()), "person", "people"))
    }
}

fn visits(visitor: &CurrentUser, sheet: &DaySheet) -> Markup {
    let rows: Vec<Vec<Markup>> = sheet
        .visits
        .iter()
        .map(|visit| {
            vec![
                html! { a href=(machine_at(visit.doc)) { (visit.tag) } },
                html! { (visit.property) },
                html! { (visit.by) },
                html! { (visitor.local(visit.at_ms)) },
                match (visit.finished_ms, visit.complete) {
                    (None, _) => html! { span.warn { "not finished" } },
                    (Some(ms), true) => html! { (visitor.local(ms)) ", complete" },
                    (Some(ms), false) => html! { (visitor.local(ms)) ", " span.warn { "something left open" } },
                },
            ]
        })
        .collect();
    html! {
        h2 id="visits" { "Visits" }
        @if rows.is_empty() { (nothing("No machine was visited, and no visit is open.")) }
        @else { (table("Of the day, and older ones that nobody has finished", &["Machine", "Where", "Who", "Opened", "Finished"], &rows)) }
        (and_more(sheet.counts.visits.saturating_sub(rows.len()), "visit", "visits"))
    }
}

fn devices(visitor: &CurrentUser, sheet: &DaySheet) -> Markup {
    let mut devices: Vec<_> = sheet.devices.iter().filter(|d| !d.revoked).collect();
    devices.sort_by_key(|d| (d.here_today, d.last_ms));
    let rows: Vec<Vec<Markup>> = devices
        .into_iter()
        .map(|device| {
            vec![
                html! { (device.name) },
                html! { (device.person) },
                match device.last_ms {
                    Some(ms) if device.here_today => html! { (visitor.local(ms)) },
                    Some(ms) => html! { span.warn { "not on this day" } "; " (visitor.local(ms)) },
                    None => html! { span.warn { "never" } },
                },
                match device.skew_ms {
                    _ if device.clock_doubted_ms.is_some() => {
                        html! { span.warn { "in doubt" } " since " (visitor.local(device.clock_doubted_ms.unwrap_or_default())) }
                    }
                    Some(ms) if ms.abs() >= RIGHT_MS => html! { span.warn { (apart(ms)) (if ms > 0 { " behind" } else { " ahead" }) } },
                    Some(_) => html! { "right" },
                    None => html! {},
                },
            ]
        })
        .collect();
    html! {
        h2 id="devices" { "Devices" }
        @if rows.is_empty() { (nothing("No device is enrolled. Issue a one-time code under People.")) }
        @else {
            (table(&format!("{}; those that were not here come first", count(rows.len(), "device", "devices")), &["Device", "Whose", "Exchanged last", "Its clock"], &rows))
        }
        (and_more(sheet.counts.devices.saturating_sub(sheet.devices.len()), "device", "devices"))
    }
}
