//! One record in full: what it says, who, which device, by which clocks, what it had seen, its receipt, and why it stands or not.

use axum::extract::State;
use axum::response::{Redirect, Response};
use maud::{Markup, html};
use shared::ids::RecordId;
use sync_core::queries::{Fate, NamedRecord, WholeRecord};

use super::asked::Named;
use super::current_user::CurrentUser;
use super::error_page::ErrorPage;
use super::forms::{Posted, form};
use super::layout::{Place, field, page as frame, step};
use super::{desk, ruling};
use crate::problem_response::sentence;
use crate::state::ServerState;

/// GET /office/records/{id}
pub(super) async fn page(
    State(state): State<ServerState>,
    visitor: CurrentUser,
    Named(id): Named<RecordId>,
) -> Result<Response, ErrorPage> {
    let unit = visitor.unit;
    let view = state.read(move |book| book.reader().whole_record(id, unit)).await?;
    let title = format!("Record {}", view.short);
    let body = html! {
        h1 { (title) }
        p.lead { (sentence(&view.words)) }
        p.bar-line {
            span.tag { (view.fate.words()) }
            @if view.of_machine { a href=(desk::machine_at(view.doc)) { (view.title) } } @else { span { (view.title) } }
            @if let Some(slot) = &view.slot { a href=(ruling::at(view.doc, slot)) { "All that is stated about it" } }
        }
        @if !view.why.is_empty() { p { (sentence(&view.why)) } }
        @if let Some(void) = &view.voided_by { p { span.warn { "Undone by " } (named(void)) } }
        (facts(&view))
        @if !matches!(view.fate, Fate::Voided) && view.kind != "arrival" { (void_form(&visitor, &view)) }
    };
    Ok(frame(&visitor, Place::Inside, &title, &body))
}

fn named(record: &NamedRecord) -> Markup {
    html! {
        a.id href={ "/office/records/" (record.record) } { (record.short) }
        @if record.words.is_empty() { ", which this book does not hold" } @else { ": " (record.words) }
    }
}

fn facts(view: &WholeRecord) -> Markup {
    html! {
        h2 { "Who and when" }
        dl {
            dt { "Stated by" } dd { (view.by) ", " (view.role) }
            dt { "On" } dd { (view.device) }
            dt { "Device's clock" } dd { (view.device_time) }
            dt { "Of that clock" } dd { (sentence(&view.clock)) }
            dt { "Corrected time" } dd {
                (view.corrected) ", give or take " (view.uncertainty)
                @if view.clock_in_doubt { "; " span.warn { "clock in doubt" } ": what the device said of its clock contradicts what the shop measured" }
            }
            dt { "Received" } dd { @if let Some(at) = &view.received { (at) } @else { span.warn { "no receipt yet" } } }
        }
        h2 { "What it had seen" }
        @if view.seen.is_empty() { p.nothing { "Nothing in its slot was known on the device when it was written." } }
        ul { @for record in &view.seen { li { (named(record)) } } }
        h2 { "The record itself" }
        dl {
            dt { "Kind" } dd { (view.kind) ", version " (view.version) }
            dt { "Id" } dd { code { (view.record) } }
            @if let Some(slot) = &view.slot { dt { "Slot" } dd { code { (slot) } } }
            dt { "Signed bytes" } dd { (view.bytes) }
            dt { "SHA-256" } dd { code { (view.sha256) } }
        }
    }
}

fn void_form(visitor: &CurrentUser, view: &WholeRecord) -> Markup {
    let inside = html! {
        (field("Why", "stays in the book", &html! { input name="reason" required maxlength="1000"; }))
        button { "Undo it" }
    };
    step("Undo this record", &form(visitor, &format!("/office/records/{}/void", view.record), &inside))
}

/// POST /office/records/{id}/void
pub(super) async fn void(State(state): State<ServerState>, Named(target): Named<RecordId>, posted: Posted) -> Result<Redirect, ErrorPage> {
    let reason = posted.fields.text("reason")?;
    let to = format!("/office/records/{target}");
    desk::step(
        &state,
        &posted.visitor,
        move |author, hand| author.void(target, &reason, hand),
        "Undone. It stays in the book as history.",
        &to,
    )
    .await
}
