//! A machine: its card, its valves against their ranges and over time, its hours, when it is due, and every record of it.

use axum::extract::State;
use axum::response::{Redirect, Response};
use maud::html;
use shared::ids::{CardId, DocId, MachineId, PropertyId, RecordId};
use shared::record::MachineCard;
use shared::usage::Season;
use sync_core::engine::BookError;
use sync_core::queries::bounds::MOST_DAYS;

use super::asked::Named;
use super::current_user::CurrentUser;
use super::error_page::ErrorPage;
use super::forms::{Fields, Posted};
use super::layout::{Place, page as frame};
use super::machine_parts as parts;
use super::{closing, desk, photo, service};
use crate::problem_response::{ApiError, sentence};
use crate::state::ServerState;

/// GET /office/machines/{id}
pub(super) async fn page(
    State(state): State<ServerState>,
    visitor: CurrentUser,
    Named(id): Named<MachineId>,
) -> Result<Response, ErrorPage> {
    let (doc, person, unit, now) = (id.doc(), visitor.person, visitor.unit, visitor.now);
    let (view, photos, (due, courses, meter, (properties, cards, days))) = state
        .ask(move |shop| {
            let (view, rest) = shop.read(|book| {
                let view = book.machines().machine_screen(doc, unit, &now)?;
                let due = match book.reckoner().due_range_of(doc, &Season::default(), &now) {
                    Ok(answer) => answer.words,
                    // Without an engine card there is no range; the page says so already.
                    Err(BookError::Reckoning(_)) => Vec::new(),
                    Err(other) => return Err(other),
                };
                let (courses, meter) = (book.reckoner().lash_courses(doc, unit)?, book.reckoner().meter_of(doc)?);
                let around = (book.read_by(person).properties()?, book.reader().engine_cards()?, book.days().closed_days(MOST_DAYS, unit)?);
                Ok((view, (due, courses, meter, around)))
            })?;
            let photos: Vec<_> = view.photos.iter().map(|photo| (photo.clone(), shop.pictures().has(doc, photo.sha256))).collect();
            Ok::<_, BookError>((view, photos, rest))
        })
        .await?;
    let title = if view.tag.is_empty() { "A machine without a card".to_owned() } else { view.tag.clone() };
    let body = html! {
        h1 { (title) @if !view.description.is_empty() { span.soft { " " (view.description) } } }
        p {
            "At " @if let Some(property) = view.property { a href={ "/office/properties/" (property) } { (view.property_name) } } @else { "no property" }
            "; " (view.duty.name()) " duty."
            @if view.provisional { " " span.warn { "Entered in the field; the office has not confirmed it." } }
        }
        (parts::notes(&visitor, &view.notes, view.more.notes))
        (parts::open(&visitor, &view, doc))
        p.lead { (sentence(&view.due_words)) }
        @for line in &due { @if *line != view.due_words { p.soft { (sentence(line)) } } }
        (parts::engine_card(&visitor, &view))
        (parts::valves(&view))
        (parts::courses(&courses, unit))
        (parts::hours(&visitor, &view, &meter))
        (photo::photos(&visitor, doc, &photos))
        (parts::visits(&visitor, &view))
        @if !view.visits.is_empty() { (service::season_form(&visitor, id)) }
        (parts::history(&visitor, &view))
        div.no-print {
            h2 { "At the desk" }
            p { a href={ "/office/machines/" (id) "/tag" } { "Its tag to print" } }
            p { a href={ "/office/machines/" (id) "/symptoms" } { "What is wrong with it? Symptoms first" } }
            p { a href={ "/office/machines/" (id) "/work-card" } { "Its work card to print: the steps of a check, drawn" } }
            (closing::evenings(id, &days))
            (parts::note_form(&visitor, &format!("/office/machines/{id}/note")))
            @if visitor.is_office() { (parts::card_form(&visitor, &view, &properties, &cards)) }
        }
    };
    Ok(frame(&visitor, Place::Inside, &title, &body))
}

/// The card that a form states.
pub(super) fn card_of(fields: &Fields, property: PropertyId) -> Result<MachineCard, ApiError> {
    let duty = match fields.text("duty")?.as_str() {
        "commercial" => shared::engine_card::Duty::Commercial,
        "homeowner" => shared::engine_card::Duty::Homeowner,
        other => return Err(ApiError::unreadable(&format!("A duty is commercial or homeowner, not \"{other}\""))),
    };
    Ok(MachineCard {
        tag: fields.text("tag")?,
        description: fields.maybe("description").unwrap_or_default().to_owned(),
        property,
        engine_card: fields.read_maybe::<CardId>("engine_card")?,
        cylinders: fields.read_maybe::<u8>("cylinders")?,
        duty,
        hours_per_week: fields.read_maybe::<u8>("hours_per_week")?,
        provisional: false,
    })
}

/// POST /office/machines/{id}/card
pub(super) async fn restate(State(state): State<ServerState>, Named(id): Named<MachineId>, posted: Posted) -> Result<Redirect, ErrorPage> {
    let Posted { visitor, fields } = posted;
    let card = card_of(&fields, fields.read("property")?)?;
    let to = desk::machine_at(id.doc());
    desk::step(&state, &visitor, move |author, hand| author.restate_machine(id.doc(), card, hand), "The machine's card is kept.", &to).await
}

/// POST /office/machines/{id}/note
pub(super) async fn note(State(state): State<ServerState>, Named(id): Named<MachineId>, posted: Posted) -> Result<Redirect, ErrorPage> {
    let text = posted.fields.text("text")?;
    let doc: DocId = id.doc();
    desk::step(&state, &posted.visitor, move |author, hand| author.add_note(doc, &text, hand), "The note is kept.", &desk::machine_at(doc))
        .await
}

/// POST /office/findings/{id}/clear
pub(super) async fn clear(
    State(state): State<ServerState>,
    Named(finding): Named<RecordId>,
    posted: Posted,
) -> Result<Redirect, ErrorPage> {
    let Posted { visitor, fields } = posted;
    let (how, back) = (fields.text("how")?, fields.maybe("back").unwrap_or_default());
    desk::step(&state, &visitor, move |author, hand| author.clear_finding(finding, &how, hand), "The finding is cleared.", back).await
}
