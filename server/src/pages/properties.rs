//! Properties: the list, one property with its machines and who looks after it, and adding to both.

use std::collections::BTreeSet;

use axum::extract::State;
use axum::response::{Redirect, Response};
use maud::{Markup, html};
use shared::ids::{PersonId, PropertyId};
use shared::record::PropertyCard;
use sync_core::commands::{ActionContext, Author};
use sync_core::engine::BookError;
use sync_core::queries::bounds::MOST_LISTED;
use sync_core::queries::{PropertyLine, find};

use super::asked::{Named, Query};
use super::current_user::CurrentUser;
use super::error_page::ErrorPage;
use super::finding::{self, Find};
use super::forms::{Fields, Posted, form};
use super::layout::{Place, field, nothing, page as frame, step, table};
use super::{desk, due, machine, machine_parts, settings, words};
use crate::problem_response::ApiError;
use crate::state::ServerState;

/// GET /office/properties
pub(super) async fn list(State(state): State<ServerState>, visitor: CurrentUser, Query(asked): Query<Find>) -> Result<Response, ErrorPage> {
    let person = visitor.person;
    let properties = state.read(move |book| book.read_by(person).properties()).await?;
    let none = properties.is_empty();
    let properties = find(properties, &asked.find);
    let rows: Vec<Vec<Markup>> = finding::page_of(&properties, asked.from)
        .iter()
        .map(|p| {
            vec![
                html! { a href={ "/office/properties/" (p.property) } { (p.name) } },
                html! { (p.address) },
                html! { (p.access) },
                html! { (p.machines) },
            ]
        })
        .collect();
    let add = html! { (card_fields(None)) button { "Add the property" } };
    let body = html! {
        h1 { "Properties" }
        @if none { (nothing("There is no property in the book yet. Add the first one here.")) }
        @else {
            @let listed = table("Client sites where machines live", &["Name", "Where it is", "Access", "Machines"], &rows);
            (finding::words_form("/office/properties", &asked, "name, address, what is to know"))
            (finding::found("/office/properties", &asked, properties.len(), ("property", "properties"), &listed))
        }
        @if visitor.is_office() { div.no-print { (step("Add a property", &form(&visitor, "/office/properties", &add))) } }
    };
    Ok(frame(&visitor, Place::Properties, "Properties", &body))
}

/// POST /office/properties
pub(super) async fn add(State(state): State<ServerState>, posted: Posted) -> Result<Redirect, ErrorPage> {
    let Posted { visitor, fields } = posted;
    let card = card_of(&fields)?;
    let said = format!("{} is in the book.", card.name);
    desk::step(&state, &visitor, move |author, hand| author.add_property(card, hand), &said, "/office/properties").await
}

/// The card that a form states.
fn card_of(fields: &Fields) -> Result<PropertyCard, ApiError> {
    let maybe = |name| fields.maybe(name).unwrap_or_default().to_owned();
    Ok(PropertyCard {
        name: fields.text("name")?,
        address: maybe("address"),
        access: maybe("access"),
        season: fields.read_maybe("season")?,
    })
}

/// The fields of a property's card.
fn card_fields(line: Option<&PropertyLine>) -> Markup {
    html! {
        div.two {
            (field("Name", "what the shop calls it", &html! { input name="name" required maxlength="200" value=[line.map(|p| &p.name)]; }))
            (field("Address", "where it is, in words", &html! { input name="address" maxlength="1000" value=[line.map(|p| &p.address)]; }))
            (field("Access", "gate, dog, key", &html! { input name="access" maxlength="1000" value=[line.map(|p| &p.access)]; }))
            (field("In use", "first and last month, as in 4..10, or 1..12 for all year; empty: as the settings say", &html! {
                input name="season" maxlength="20" value=[line.and_then(|p| p.season).map(|season| season.form())];
            }))
        }
    }
}

/// POST /office/properties/{id}/card
pub(super) async fn restate(State(state): State<ServerState>, Named(id): Named<PropertyId>, posted: Posted) -> Result<Redirect, ErrorPage> {
    let Posted { visitor, fields } = posted;
    let card = card_of(&fields)?;
    let restate = move |author: &mut Author<'_>, hand: &mut ActionContext<'_>| author.restate_property(id, card, hand);
    desk::step(&state, &visitor, restate, "The property's card is kept.", &format!("/office/properties/{id}")).await
}

/// GET /office/properties/{id}
pub(super) async fn page(
    State(state): State<ServerState>,
    visitor: CurrentUser,
    Named(id): Named<PropertyId>,
) -> Result<Response, ErrorPage> {
    let (person, now) = (visitor.person, visitor.now);
    let (view, lines, cards, people, given) = state
        .read(move |book| {
            let (view, due) = (book.read_by(person).property(id)?, book.reader().due_list(&now)?);
            Ok::<_, BookError>((view, due, book.reader().engine_cards()?, book.reader().people()?, book.reader().assignments()?))
        })
        .await?;
    let property = view.line;
    let here: Vec<_> = lines.into_iter().filter(|line| line.property == Some(id)).collect();
    let given: BTreeSet<PersonId> = given.into_iter().filter(|(_, property)| *property == id).map(|(person, _)| person).collect();
    let after: Vec<_> = people.iter().filter(|person| given.contains(&person.person)).collect();
    let add = html! { div.two { (machine_parts::card_fields(None, &cards)) } button { "Add the machine" } };
    let correct = html! { (card_fields(Some(&property))) button { "Keep the card" } };
    let body = html! {
        h1 { (property.name) }
        (machine_parts::notes(&visitor, &view.notes, view.more_notes))
        dl {
            dt { "Where it is" } dd { @if property.address.is_empty() { "not written down" } @else { (property.address) } }
            dt { "Access" } dd { @if property.access.is_empty() { "nothing to know" } @else { (property.access) } }
            dt { "In use" } dd { (settings::months(property.season.or(visitor.shop.season))) }
            dt { "Looked after by" }
            dd {
                @if after.is_empty() { "nobody in particular" }
                @for (n, person) in after.iter().enumerate() {
                    @if n > 0 { ", " }
                    a href={ "/office/people/" (person.person) } { (person.name) }
                }
            }
        }
        h2 { "Machines" }
        @if here.is_empty() { (nothing("No machine is known here.")) } @else {
            (due::list(finding::page_of(&here, 0)))
            p.no-print { a href={ "/office/tags?find=" (words::in_query(&property.name)) } { "Tags of the machines to print" } }
            @if here.len() > MOST_LISTED { p { a href={ "/office/due?find=" (words::in_query(&property.name)) } { "All " (here.len()) " machines here" } } }
         }
        @if visitor.is_office() {
            div.no-print {
                (machine_parts::note_form(&visitor, &format!("/office/properties/{id}/note")))
                (step("Add a machine here", &form(&visitor, &format!("/office/properties/{id}"), &add)))
                (step("Correct the property's card", &form(&visitor, &format!("/office/properties/{id}/card"), &correct)))
            }
        }
    };
    Ok(frame(&visitor, Place::Properties, &property.name, &body))
}

/// POST /office/properties/{id}
pub(super) async fn add_machine(
    State(state): State<ServerState>,
    Named(id): Named<PropertyId>,
    posted: Posted,
) -> Result<Redirect, ErrorPage> {
    let Posted { visitor, fields } = posted;
    let card = machine::card_of(&fields, id)?;
    let said = format!("{} is in the book.", card.tag);
    desk::step(&state, &visitor, move |author, hand| author.add_machine(card, hand), &said, &format!("/office/properties/{id}")).await
}

/// POST /office/properties/{id}/note
pub(super) async fn note(State(state): State<ServerState>, Named(id): Named<PropertyId>, posted: Posted) -> Result<Redirect, ErrorPage> {
    let text = posted.fields.text("text")?;
    let note = move |author: &mut Author<'_>, hand: &mut ActionContext<'_>| author.add_note(id.doc(), &text, hand);
    desk::step(&state, &posted.visitor, note, "The note is kept.", &format!("/office/properties/{id}")).await
}
