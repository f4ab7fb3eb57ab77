//! What needs the office, one matter after the other, each decided where it stands. Which there are, in which order and in which words
//! is the sheet's own; here each is laid out with the forms that settle it.

use axum::extract::State;
use axum::response::Redirect;
use maud::{Markup, html};
use sha2::{Digest, Sha256};
use shared::ids::{DocId, RecordId};
use shared::length::LengthUnit;
use sync_core::book::Book;
use sync_core::engine::BookError;
use sync_core::queries::bounds::MOST_SLOTS;
use sync_core::queries::{DaySheet, Matter, MatterKind, SlotSheet};

use super::asked::Named;
use super::current_user::CurrentUser;
use super::day_sheet::at;
use super::desk::{self, machine_at};
use super::error_page::ErrorPage;
use super::forms::{Posted, form};
use super::layout::{field, ids, nothing, step};
use super::{machine_parts, people, quarantine, ruling};
use crate::problem_response::sentence;
use crate::state::ServerState;

/// What the matters of a sheet are decided by, beyond the sheet itself: the slots with their readings side by side, by the matter.
pub(super) type Slots = Vec<Option<SlotSheet>>;

/// The slot sheets of a sheet's matters, as many as a screen takes.
pub(super) fn slots(book: &Book, sheet: &DaySheet, unit: LengthUnit) -> Result<Slots, BookError> {
    let mut room = MOST_SLOTS;
    let mut slot_of = |matter: &Matter| {
        let place = match matter.kind {
            MatterKind::Contested => sheet.contested.get(matter.line).map(|slot| (slot.doc, &slot.slot)),
            MatterKind::Doubt => sheet.aside.get(matter.line).map(|line| (line.doc, &line.slot)),
            _ => None,
        };
        let Some((doc, slot)) = place.filter(|_| room > 0) else { return Ok(None) };
        room -= 1;
        match book.reader().slot_sheet(doc, slot, unit) {
            Ok(sheet) => Ok(Some(sheet)),
            // What a proposal is about may have no standing of its own yet.
            Err(BookError::Unknown(_)) => Ok(None),
            Err(other) => Err(other),
        }
    };
    sheet.matters.iter().map(&mut slot_of).collect()
}

/// A matter's name on the page, which stays the same while the matter does.
fn name(matter: &Matter) -> String {
    format!("m-{}", &hex::encode(Sha256::digest(matter.words.as_bytes()))[..12])
}

/// Where a settled matter leads: to the next one, or back to their head.
fn next(sheet: &DaySheet, n: usize) -> String {
    sheet.matters.get(n + 1).map_or_else(|| "needs".to_owned(), name)
}

/// All of them.
pub(super) fn all(visitor: &CurrentUser, sheet: &DaySheet, slots: &Slots) -> Markup {
    let several = sheet.matters.len() > 1;
    html! {
        h2 id="needs" { "Needs you" }
        @if sheet.matters.is_empty() { (nothing("Nothing needs you: nothing is contested, in doubt, on hold, in quarantine, missing or unfinished.")) }
        @else {
            @if several { p.soft.no-print { "In a matter, N or Page Down goes to the next one, P or Page Up to the one before." } }
            div.matters role="feed" aria-label="What needs you" {
                @for (n, matter) in sheet.matters.iter().enumerate() {
                    @let id = name(matter);
                    article.matter id=(id) data-kind=(matter.kind.words()) tabindex="0" aria-labelledby={ (id) "-h" } aria-posinset=(n + 1) aria-setsize=(sheet.matters.len()) {
                        h3 id={ (id) "-h" } { span.tag.warn[matter.kind != MatterKind::Hold].stop[matter.kind == MatterKind::Hold] { (matter.kind.words()) } " " (sentence(&matter.words)) }
                        (body(visitor, sheet, matter, slots.get(n).and_then(Option::as_ref), &format!("{}#{}", at(sheet.day), next(sheet, n)), n))
                        @if n + 1 < sheet.matters.len() { p.no-print { a href={ "#" (next(sheet, n)) } { "The next" } } }
                    }
                }
            }
        }
    }
}

fn body(visitor: &CurrentUser, sheet: &DaySheet, matter: &Matter, slot: Option<&SlotSheet>, back: &str, n: usize) -> Markup {
    let line = matter.line;
    html! {
        @match matter.kind {
            MatterKind::Contested | MatterKind::Doubt => {
                @if let Some(slot) = slot {
                    (ruling::readings(visitor, slot, &format!("c{n}"), back))
                    p { a href=(ruling::at(slot.side_by_side.doc, &slot.side_by_side.slot)) { "On a page of its own" } }
                } @else if let Some(aside) = sheet.aside.get(line).filter(|_| matter.kind == MatterKind::Doubt) {
                    p { a href=(ruling::at(aside.doc, &aside.slot)) { "Decide on its page" } }
                } @else if let Some(slot) = sheet.contested.get(line) {
                    p { a href=(ruling::at(slot.doc, &slot.slot)) { "Decide on its page" } }
                }
            }
            MatterKind::Hold => @if let Some(hold) = sheet.holds.get(line) {
                p.soft { (hold.by) ", " (visitor.local(hold.at_ms)) ". " a href=(machine_at(hold.doc)) { "To the machine" } }
                (machine_parts::clear_form(visitor, hold.finding, back))
                (ids(&html! { "Finding " a.id href={ "/office/records/" (hold.finding) } { (hold.short) } }))
            },
            MatterKind::Quarantine => @if let Some(held) = sheet.quarantine.get(line) { (quarantine::facts(visitor, held, back)) },
            MatterKind::Missing => @if let Some(device) = sheet.devices.get(line) {
                p { "Call whose it is, and have it exchange. Where it is lost or gone: " a href="/office/people" { "the device under People" } "." }
                @if visitor.is_office() { (people::revoke_form(visitor, device.device, back)) }
            },
            MatterKind::Unfinished => @if let Some(visit) = sheet.visits.get(line) {
                p { "Ask " (visit.by) " first: the one who was there finishes it best. " a href=(machine_at(visit.doc)) { "To the machine" } }
                (finish_form(visitor, visit.doc, visit.visit, back))
            },
        }
    }
}

/// Finishing a visit that nobody finished, in two actions.
fn finish_form(visitor: &CurrentUser, doc: DocId, visit: RecordId, back: &str) -> Markup {
    let inside = html! {
        input type="hidden" name="machine" value=(doc);
        input type="hidden" name="back" value=(back);
        (field("Remark", "why the office finishes it; stays in the book", &html! { input name="remark" required maxlength="1000"; }))
        button { "Finish the visit as it stands" }
    };
    step("Finish it from here", &form(visitor, &format!("/office/visits/{visit}/finish"), &inside))
}

/// POST /office/visits/{id}/finish
pub(super) async fn finish(State(state): State<ServerState>, Named(visit): Named<RecordId>, posted: Posted) -> Result<Redirect, ErrorPage> {
    let Posted { visitor, fields } = posted;
    let (machine, remark, back) = (fields.read("machine")?, fields.text("remark")?, fields.maybe("back").unwrap_or_default().to_owned());
    desk::step(
        &state,
        &visitor,
        move |author, hand| author.finish_visit(machine, Some(visit), &remark, hand),
        "The visit is finished.",
        &back,
    )
    .await
}
