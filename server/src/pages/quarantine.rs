//! Quarantine: records that could not be taken, with the reason; the office lets each in or keeps it out.

use std::collections::BTreeMap;

use axum::extract::State;
use axum::response::{Redirect, Response};
use maud::{Markup, html};
use shared::ids::DeviceId;
use sync_core::engine::BookError;
use sync_core::queries::bounds::{MOST_LINES, MOST_QUARANTINED};
use sync_core::queries::{DeviceLine, QuarantineLine, QuarantineView};
use sync_core::store::QuarantineState;

use super::asked::{From, Named, Query};
use super::current_user::CurrentUser;
use super::desk::go;
use super::error_page::ErrorPage;
use super::forms::{Posted, form};
use super::layout::{Place, ids, nothing, page as frame, step, table};
use crate::problem_response::{ApiError, sentence};
use crate::state::ServerState;

/// GET /office/quarantine
pub(super) async fn page(State(state): State<ServerState>, visitor: CurrentUser, Query(asked): Query<From>) -> Result<Response, ErrorPage> {
    let after = i64::try_from(asked.from).unwrap_or(i64::MAX);
    let (unit, now) = (visitor.unit, visitor.now);
    let (waiting, all, settled, devices, floods) = state
        .ask(move |shop| {
            let waiting =
                shop.read(|book| book.reader().quarantine_views(Some(QuarantineState::Waiting), after, MOST_QUARANTINED, unit, &now))?;
            let mut settled =
                shop.read(|book| book.reader().quarantine_views(Some(QuarantineState::Released), 0, MOST_LINES, unit, &now))?;
            settled.extend(shop.read(|book| book.reader().quarantine_views(Some(QuarantineState::KeptOut), 0, MOST_LINES, unit, &now))?);
            Ok::<_, BookError>((
                waiting,
                shop.read(|book| book.reader().count_quarantined(QuarantineState::Waiting))?,
                settled,
                shop.read(|book| book.reader().devices())?,
                shop.read(|book| book.reader().brought_too_much())?,
            ))
        })
        .await?;
    let devices: BTreeMap<DeviceId, DeviceLine> = devices.into_iter().map(|line| (line.device, line)).collect();
    let named = |device: Option<DeviceId>| {
        let device = device.and_then(|id| devices.get(&id));
        device.map_or_else(|| "a device that the roster does not know".to_owned(), |d| format!("{}, {}", d.name, d.person_name))
    };
    let too_much: Vec<Vec<Markup>> = floods
        .iter()
        .map(|line| {
            vec![
                html! { (named(Some(line.device))) },
                html! { (visitor.local(line.day_ms)) },
                html! { (line.held_back) },
                html! { (line.turned_away) },
            ]
        })
        .collect();
    let rows: Vec<Vec<Markup>> = settled
        .iter()
        .map(|QuarantineView { line, .. }| {
            vec![
                html! { (line.headline()) },
                html! { (signed_by(line)) },
                html! { (visitor.local(line.held.since_ms)) },
                html! { @if line.held.state == QuarantineState::Released { "let in" } @else { "kept out" } },
            ]
        })
        .collect();
    let body = html! {
        h1 { "Quarantine" }
        p.soft { "What could not be taken waits here whole, and on the device that it came from. Let in, it is a record like any other; kept out, it is refused for ever." }
        h2 { "Waiting" }
        @if waiting.is_empty() { (nothing("Nothing waits.")) }
        div.cards { @for view in &waiting { (card(&visitor, view, "/office/quarantine")) } }
        @if all > waiting.len() {
            p.bar-line {
                span { (waiting.len()) " of " (all) }
                @if after > 0 { a href="/office/quarantine" { "From the first" } }
                @if let Some(last) = waiting.last().filter(|_| waiting.len() == MOST_QUARANTINED) { a href={ "/office/quarantine?from=" (last.line.held.id) } { "The next" } }
            }
        }
        @if !too_much.is_empty() {
            h2 { "More than a day's work" }
            p.soft { "These devices brought more than one may bring in a day, or more than quarantine holds. They keep it themselves; what is for another day they offer again then. No honest day comes near: ask whose device it is, or revoke it." }
            (table("Devices that brought too much", &["Device", "The day from", "Kept for another day, at least", "Kept on the device alone"], &too_much))
        }
        @if !rows.is_empty() {
            h2 { "Settled" }
            (table("What the office decided", &["What it says", "From", "Since", "Decided"], &rows))
        }
    };
    Ok(frame(&visitor, Place::Quarantine, "Quarantine", &body))
}

fn signed_by(line: &QuarantineLine) -> String {
    if line.by_name.is_empty() { line.device_name.clone() } else { format!("{} ({}), on {}", line.by_name, line.role, line.device_name) }
}

fn card(visitor: &CurrentUser, view: &QuarantineView, back: &str) -> Markup {
    html! { article.card { h3 { (sentence(&view.line.headline())) } (facts(visitor, view, back)) } }
}

/// What one record that waits is decided by: why it waits, who says so, what letting it in would change, and the two ways to settle it.
pub(super) fn facts(visitor: &CurrentUser, view: &QuarantineView, back: &str) -> Markup {
    let line = &view.line;
    let settle = |how: &str, words: &str| {
        let inside = html! {
            input type="hidden" name="how" value=(how);
            input type="hidden" name="back" value=(back);
            button { (words) }
        };
        form(visitor, &format!("/office/quarantine/{}", line.held.id), &inside)
    };
    html! {
        p { (sentence(&line.detail)) }
        dl {
            dt { "From" } dd { (signed_by(line)) }
            @if let Some(stated) = line.stated_ms { dt { "Stated" } dd { (visitor.local(stated)) " by the device's clock" } }
            dt { "Waits" } dd { "since " (visitor.local(line.held.since_ms)) }
            dt { "Let in" }
            dd {
                @for sentence in &view.would_change { p { (sentence) } }
                @if view.would_change.is_empty() { "Nothing that stands would change: it would be kept beside the rest." }
            }
        }
        (ids(&html! {
            "Refused with the code " code { (line.held.code) } "."
            @if let Some(record) = line.held.record { " Record " code { (record) } "." }
        }))
        @if visitor.is_office() {
            @if view.can_be_let_in { (step("Let it in", &settle("in", "Yes, let it in"))) }
            (step("Keep it out", &settle("out", "Yes, keep it out for ever")))
        }
    }
}

/// POST /office/quarantine/{id}
pub(super) async fn settle(State(state): State<ServerState>, Named(id): Named<i64>, posted: Posted) -> Result<Redirect, ErrorPage> {
    let Posted { visitor, fields } = posted;
    visitor.of_office()?;
    let let_in = match fields.text("how")?.as_str() {
        "in" => true,
        "out" => false,
        _ => return Err(ApiError::unreadable("A record is let in or kept out").into()),
    };
    let (person, now) = (visitor.person, visitor.now);
    state.write(move |book, entropy| book.peer().settle(id, let_in, person, &now, entropy)).await?;
    state.moved();
    visitor.say(if let_in { "Let in." } else { "Kept out." }, &state);
    Ok(go(fields.maybe("back").unwrap_or("/office/quarantine")))
}
