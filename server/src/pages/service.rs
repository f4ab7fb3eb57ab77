//! The service record for the client, of one visit or of a machine's season: one sheet to print, or a PDF.

use axum::extract::State;
use axum::response::Response;
use maud::{Markup, html};
use serde::Deserialize;
use shared::ids::{MachineId, RecordId};

use super::asked::{Named, Query};
use super::current_user::CurrentUser;
use super::error_page::ErrorPage;
use super::layout::{Place, and_more, field, nothing, page as frame, table};
use crate::pdf;
use crate::problem_response::sentence;
use crate::routes::given::day;
use crate::routes::paper::{NOTHING_CHANGED, file_name, paper_of, sent};
use crate::state::ServerState;

/// On which sheet.
#[derive(Debug, Deserialize)]
pub(super) struct Sheet {
    paper: Option<String>,
}

/// Which days of a machine, and on which sheet.
#[derive(Debug, Deserialize)]
pub(super) struct Days {
    from: String,
    until: String,
    paper: Option<String>,
}

/// GET /office/visits/{id}/record.pdf
pub(super) async fn pdf(
    State(state): State<ServerState>,
    visitor: CurrentUser,
    Named(visit): Named<RecordId>,
    Query(sheet): Query<Sheet>,
) -> Result<Response, ErrorPage> {
    let (person, unit, now) = (visitor.person, visitor.unit, visitor.now);
    let paper = paper_of(sheet.paper.as_deref())?;
    let record = state.read(move |book| book.read_by(person).service_record(visit, unit, &now)).await?;
    let name = file_name(&record.tag, &record.when);
    Ok(sent(state.work(NOTHING_CHANGED, move || pdf::service_record(&record, paper)).await?, &name))
}

/// GET /office/machines/{id}/season.pdf
pub(super) async fn season_pdf(
    State(state): State<ServerState>,
    visitor: CurrentUser,
    Named(machine): Named<MachineId>,
    Query(days): Query<Days>,
) -> Result<Response, ErrorPage> {
    let (unit, now) = (visitor.unit, visitor.now);
    let (from, until, paper) = (day(&days.from)?, day(&days.until)?, paper_of(days.paper.as_deref())?);
    let record = state.read(move |book| book.machines().season_record(machine.doc(), from, until, unit, &now)).await?;
    let name = file_name(&record.tag, &format!("{from} {until}"));
    Ok(sent(state.work(NOTHING_CHANGED, move || pdf::season_record(&record, paper)).await?, &name))
}

/// The days that a machine's season record is asked for.
pub(super) fn season_form(visitor: &CurrentUser, machine: MachineId) -> Markup {
    let today = visitor.today();
    html! {
        form.no-print method="get" action={ "/office/machines/" (machine) "/season.pdf" } {
            (field("From", "", &html! { input type="date" name="from" value={ (today.year()) "-01-01" } required; }))
            (field("Until", "", &html! { input type="date" name="until" value=(today) required; }))
            button { "The season's record as a PDF" }
        }
    }
}

/// GET /office/visits/{id}/record
pub(super) async fn page(
    State(state): State<ServerState>,
    visitor: CurrentUser,
    Named(visit): Named<RecordId>,
) -> Result<Response, ErrorPage> {
    let (person, unit, now) = (visitor.person, visitor.unit, visitor.now);
    let record = state.read(move |book| book.read_by(person).service_record(visit, unit, &now)).await?;
    let title = format!("Service record {}, {}", record.tag, record.when);
    let rows: Vec<Vec<Markup>> = record
        .valves
        .iter()
        .map(|valve| {
            vec![
                html! { (valve.valve) " (" (valve.valve.words()) ")" },
                html! { (valve.range) },
                html! { (valve.found) },
                html! { (valve.left) },
                html! { (valve.verdict) },
            ]
        })
        .collect();
    let body = html! {
        h1 { "Service record" }
        p.no-print { a href={ "/office/visits/" (visit) "/record.pdf" } { "As a PDF" } ", or print this page." }
        @if !record.finished { p.warn { "This visit is not finished: this record may still change." } }
        dl {
            dt { "Shop" } dd { (record.shop) }
            dt { "Property" } dd { (record.property) }
            dt { "Machine" } dd { (record.tag) @if !record.description.is_empty() { ", " (record.description) } }
            dt { "When" } dd { (record.when) }
            dt { "Who" } dd { (record.by) }
            dt { "Hour meter" } dd { @if let Some(meter) = record.meter { (meter) " h" } @else { "not read, or the reading is in doubt" } }
        }
        @if record.hold { div.stop-box { p { span.stop { "DO NOT RUN THIS MACHINE" } " until the shop has cleared it." } } }
        h2 { "Valve clearances, engine cold" }
        @if rows.is_empty() { (nothing("No valve was read at this visit.")) }
        @else { (table("As found and as left, against the engine maker's range", &["Valve", "Range", "Found", "Left", "As left"], &rows)) }
        @for said in record.ranges() { p.soft { (said) } }
        p.soft { "The engine maker's manual decides." }
        h2 { "Findings" }
        @if record.findings.is_empty() { (nothing("None.")) }
        ul { @for finding in &record.findings { li { (finding) } } }
        (and_more(record.more_findings, "finding", "findings"))
        h2 { "Next check" }
        p { (sentence(&record.next_due)) }
    };
    Ok(frame(&visitor, Place::Inside, &title, &body))
}
