//! People and their devices: who is on the roster, with which role; revoking a device.

use std::collections::BTreeMap;

use axum::extract::State;
use axum::response::{Redirect, Response};
use maud::{Markup, html};
use shared::ids::{DeviceId, PersonId};
use shared::role::Role;
use sync_core::engine::BookError;
use sync_core::queries::bounds::{MOST_LINES, MOST_LISTED};
use sync_core::queries::{DeviceLine, find};

use super::asked::{Named, Query};
use super::current_user::CurrentUser;
use super::desk;
use super::error_page::ErrorPage;
use super::finding::{self, Find};
use super::forms::{Posted, form};
use super::layout::{Place, and_more, field, nothing, page as frame, step, table};
use crate::state::ServerState;

/// GET /office/people
pub(super) async fn page(State(state): State<ServerState>, visitor: CurrentUser, Query(asked): Query<Find>) -> Result<Response, ErrorPage> {
    let (people, devices) = state.read(|book| Ok::<_, BookError>((book.reader().people()?, book.reader().devices()?))).await?;
    let mut owned: BTreeMap<PersonId, usize> = BTreeMap::new();
    for device in devices.iter().filter(|device| device.revoked_ms.is_none()) {
        *owned.entry(device.person).or_default() += 1;
    }
    let (people, devices) = (find(people, &asked.find), find(devices, &asked.find));
    let rows: Vec<Vec<Markup>> = finding::page_of(&people, asked.from)
        .iter()
        .map(|person| {
            let owned = owned.get(&person.person).copied().unwrap_or_default();
            vec![
                html! { a href={ "/office/people/" (person.person) } { (person.name) } },
                html! { @match person.role { Some(role) => (role), None => span.warn { "no role" } } },
                html! { (owned) },
                html! { (person.properties.iter().take(MOST_LINES).cloned().collect::<Vec<_>>().join(", ")) (and_more(person.properties.len().saturating_sub(MOST_LINES), "property", "properties")) },
            ]
        })
        .collect();
    let add = html! {
        div.two {
            (field("Name", "as the crew says it", &html! { input name="name" required maxlength="200"; }))
            (field("Role", "leads, techs and helpers measure; the office rules and keeps the book", &roles(Some(Role::Tech))))
        }
        button { "Add the person" }
    };
    let body = html! {
        h1 { "People and devices" }
        @let listed = html! {
            (table("Open a person to give a role, a property or a one-time code", &["Name", "Role", "Devices", "Looks after"], &rows))
            h2 { "Devices" }
            @if devices.len() > MOST_LISTED { p.soft { "The first " (MOST_LISTED) " of " (devices.len()) ": find by name, or open a person." } }
            (devices_table(&visitor, &finding::page_of(&devices, 0).iter().collect::<Vec<_>>()))
        };
        (finding::words_form("/office/people", &asked, "name, role, property, device"))
        (finding::found("/office/people", &asked, people.len().max(usize::from(!devices.is_empty())), ("person", "people"), &listed))
        @if visitor.is_office() { div.no-print { (step("Add a person", &form(&visitor, "/office/people", &add))) } }
    };
    Ok(frame(&visitor, Place::People, "People and devices", &body))
}

/// The roles to choose from.
pub(super) fn roles(now: Option<Role>) -> Markup {
    html! {
        select name="role" {
            @for role in [Role::Tech, Role::Lead, Role::Helper, Role::Office] { option value=(role.name()) selected[now == Some(role)] { (role.name()) } }
        }
    }
}

/// Devices with the way to revoke each.
pub(super) fn devices_table(visitor: &CurrentUser, devices: &[&DeviceLine]) -> Markup {
    let rows: Vec<Vec<Markup>> = devices
        .iter()
        .map(|device| {
            vec![
                html! { (device.name) },
                html! { (device.person_name) },
                html! { @match device.revoked_ms { Some(ms) => span.warn { "revoked " (visitor.local(ms)) }, None => "trusted" } },
                html! { @if device.revoked_ms.is_none() && visitor.is_office() { (revoke_form(visitor, device.device, "/office/people")) } },
            ]
        })
        .collect();
    html! {
        @if rows.is_empty() { (nothing("No device is enrolled. Issue a one-time code, and enter it on the device.")) }
        @else { (table("What a revoked device stated before stays in the book", &["Device", "Whose", "State", "Revoke"], &rows)) }
    }
}

/// Revoking a device, in two actions.
pub(super) fn revoke_form(visitor: &CurrentUser, device: DeviceId, back: &str) -> Markup {
    let inside = html! {
        input type="hidden" name="back" value=(back);
        (field("Why", "lost, sold, left the shop", &html! { input name="reason" maxlength="1000"; }))
        button { "Revoke it for ever" }
    };
    step("Revoke", &form(visitor, &format!("/office/devices/{device}/revoke"), &inside))
}

/// POST /office/people
pub(super) async fn add(State(state): State<ServerState>, posted: Posted) -> Result<Redirect, ErrorPage> {
    let Posted { visitor, fields } = posted;
    let (name, role) = (fields.text("name")?, fields.read::<Role>("role")?);
    let said = format!("{name} is on the roster. Issue a one-time code next.");
    desk::step(&state, &visitor, move |author, hand| author.add_person(&name, role, hand), &said, "/office/people").await
}

/// POST /office/devices/{id}/revoke
pub(super) async fn revoke(
    State(state): State<ServerState>,
    Named(device): Named<DeviceId>,
    posted: Posted,
) -> Result<Redirect, ErrorPage> {
    let reason = posted.fields.maybe("reason").unwrap_or_default().to_owned();
    let back = posted.fields.maybe("back").unwrap_or("/office/people").to_owned();
    desk::step(&state, &posted.visitor, move |author, hand| author.revoke_device(device, &reason, hand), "The device is revoked.", &back)
        .await
}
