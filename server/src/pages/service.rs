//! The service record of one visit, for the client: one sheet to print.

use axum::extract::State;
use axum::response::Response;
use maud::{Markup, html};
use shared::ids::RecordId;

use super::asked::Named;
use super::layout::{Place, nothing, page as frame, table};
use super::shown::Shown;
use super::visitor::Visitor;
use crate::problem_response::sentence;
use crate::state::ServerState;

/// GET /office/visits/{id}/record
pub(super) async fn page(State(state): State<ServerState>, visitor: Visitor, Named(visit): Named<RecordId>) -> Result<Response, Shown> {
    let (person, unit, now) = (visitor.person, visitor.unit, visitor.now);
    let record = state.ask(move |shop| shop.service_record(person, visit, unit, &now)).await?;
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
        @if !record.source.is_empty() { p.soft { "Range read in " (record.source) ". The engine maker's manual decides." } }
        h2 { "Findings" }
        @if record.findings.is_empty() { (nothing("None.")) }
        ul { @for finding in &record.findings { li { (finding) } } }
        h2 { "Next check" }
        p { (sentence(&record.next_due)) }
    };
    Ok(frame(&visitor, Place::Inside, &title, &body))
}
