//! One person: role, properties, devices, and a one-time code to enrol a phone or set a passphrase, with its QR code.

use std::collections::BTreeSet;

use axum::extract::State;
use axum::response::{Redirect, Response};
use maud::{Markup, html};
use shared::ids::{PersonId, PropertyId};
use shared::role::Role;
use shared::wire::CodeIssued;
use sync_core::engine::BookError;
use sync_core::queries::PersonLine;
use sync_core::queries::bounds::MOST_LINES;

use super::asked::Named;
use super::current_user::CurrentUser;
use super::desk;
use super::error_page::ErrorPage;
use super::forms::{Posted, form};
use super::layout::{Place, and_more, field, nothing, page as frame, step};
use super::people::{devices_table, roles};
use super::qr;
use crate::problem_response::ApiError;
use crate::state::ServerState;

fn at(person: PersonId) -> String {
    format!("/office/people/{person}")
}

/// GET /office/people/{id}
pub(super) async fn page(
    State(state): State<ServerState>,
    visitor: CurrentUser,
    Named(id): Named<PersonId>,
) -> Result<Response, ErrorPage> {
    let by = visitor.person;
    let (people, devices, given, properties) = state
        .read(move |book| {
            Ok::<_, BookError>((
                book.reader().people()?,
                book.reader().devices()?,
                book.reader().assignments()?,
                book.read_by(by).properties()?,
            ))
        })
        .await?;
    let person = one(people, id)?;
    let given: BTreeSet<PropertyId> = given.into_iter().filter(|(who, _)| *who == id).map(|(_, property)| property).collect();
    let (own, others): (Vec<_>, Vec<_>) = properties.iter().partition(|p| given.contains(&p.property));
    let property = |property: PropertyId, active: &str, words: &str| {
        let inside = html! {
            input type="hidden" name="property" value=(property);
            input type="hidden" name="active" value=(active);
            button.quiet { (words) }
        };
        form(&visitor, &format!("{}/property", at(id)), &inside)
    };
    let body = html! {
        h1 { (person.name) }
        p { @match person.role { Some(role) => { "Role: " (role) "." }, None => span.warn { "No role: may look at nothing and state nothing." } } }
        @if visitor.is_office() {
            (step("Give another role", &role_form(&visitor, &person)))
            (step("Issue a one-time code", &form(&visitor, &format!("{}/code", at(id)), &html! {
                p { "For a phone of " (person.name) "'s, or for a passphrase here. Good once, for 24 hours." }
                button { "Issue the code" }
            })))
        }
        h2 { "Looks after" }
        @if own.is_empty() { (nothing("No property. Leads and the office see every property all the same.")) }
        ul { @for p in own.iter().take(MOST_LINES) { li { a href={ "/office/properties/" (p.property) } { (p.name) } @if visitor.is_office() { (property(p.property, "no", "take it away")) } } } }
        (and_more(own.len().saturating_sub(MOST_LINES), "property", "properties"))
        @if visitor.is_office() && !others.is_empty() {
            @let give = html! {
                input type="hidden" name="active" value="yes";
                (field("Property", "", &html! { select name="property" { @for p in others { option value=(p.property) { (p.name) } } } }))
                button { "Give it" }
            };
            (step("Give a property", &form(&visitor, &format!("{}/property", at(id)), &give)))
        }
        h2 { "Devices" }
        (devices_table(&visitor, &devices.iter().filter(|d| d.person == id).collect::<Vec<_>>()))
    };
    Ok(frame(&visitor, Place::People, &person.name, &body))
}

fn one(people: Vec<PersonLine>, id: PersonId) -> Result<PersonLine, ApiError> {
    let unknown = || ApiError::from(BookError::Unknown("this book has no such person".to_owned()));
    people.into_iter().find(|person| person.person == id).ok_or_else(unknown)
}

fn role_form(visitor: &CurrentUser, person: &PersonLine) -> Markup {
    let inside = html! {
        (field("Role", "counts from now on; what was stated before keeps its rank", &roles(person.role)))
        button { "Give the role" }
    };
    let none = html! { input type="hidden" name="no_role" value="yes"; button.quiet { "Take the role away: nothing can be looked at or stated any more" } };
    html! {
        (form(visitor, &format!("{}/role", at(person.person)), &inside))
        @if person.role.is_some() { (form(visitor, &format!("{}/role", at(person.person)), &none)) }
    }
}

/// POST /office/people/{id}/role
pub(super) async fn role(State(state): State<ServerState>, Named(person): Named<PersonId>, posted: Posted) -> Result<Redirect, ErrorPage> {
    let role = posted.fields.read_maybe::<Role>("role")?;
    let said = role.map_or_else(|| "The role is taken away.".to_owned(), |role| format!("The role is {role} from now on."));
    desk::step(&state, &posted.visitor, move |author, hand| author.set_role(person, role, hand), &said, &at(person)).await
}

/// POST /office/people/{id}/property
pub(super) async fn property(
    State(state): State<ServerState>,
    Named(person): Named<PersonId>,
    posted: Posted,
) -> Result<Redirect, ErrorPage> {
    let (property, active) = (posted.fields.read::<PropertyId>("property")?, posted.fields.text("active")? == "yes");
    let said = if active { "The property is given." } else { "The property is taken away." };
    desk::step(&state, &posted.visitor, move |author, hand| author.assign(person, property, active, hand), said, &at(person)).await
}

/// POST /office/people/{id}/code: shown once, on the answer itself.
pub(super) async fn code(State(state): State<ServerState>, Named(person): Named<PersonId>, posted: Posted) -> Result<Response, ErrorPage> {
    let visitor = posted.visitor;
    let (by, now) = (visitor.person, visitor.now);
    let issued = state.write(move |book, entropy| book.issue_code(by, person, &now, entropy)).await?;
    let people = state.read(|book| book.reader().people()).await?;
    let person = one(people, person)?;
    let title = format!("One-time code for {}", person.name);
    let body = html! {
        h1 { (title) }
        p.code { (issued.code) }
        p { "Good once, until " (visitor.local(issued.until_ms)) ". It is shown only now." }
        (qr::drawn(&joining(&visitor.issuer, &issued), "QR code with the shop's address and the one-time code"))
        p.soft { "The QR code opens the phone's page at this shop with the code." }
        dl {
            dt { "On a phone" } dd { "open " code { (visitor.issuer.trim_end_matches('/')) "/phone/" } " and type the code, or scan it" }
            dt { "On a laptop" } dd { code { "tappet enrol --server " (visitor.issuer) " --code " (issued.code) } }
            dt { "For a passphrase" } dd { a href="/office/first" { "Set a passphrase" } ", for leads and the office" }
        }
        p { a href=(at(person.person)) { "Back to " (person.name) } }
    };
    Ok(frame(&visitor, Place::People, &title, &body))
}

/// The address of the phone's page, with the code where no server log ever sees it: behind the `#`.
fn joining(issuer: &str, issued: &CodeIssued) -> String {
    format!("{}/phone/#/enrol/{}", issuer.trim_end_matches('/'), issued.code)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_code_is_behind_the_address() {
        let issued = CodeIssued { code: "4K7QM-2ZT9A".to_owned(), person: PersonId::from_bytes([1; 16]), until_ms: 0 };
        assert_eq!(joining("https://book.example/", &issued), "https://book.example/phone/#/enrol/4K7QM-2ZT9A");
    }
}
