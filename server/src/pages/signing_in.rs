//! Signing in with a passphrase, setting the first one with a one-time code, and signing out.

use std::sync::Arc;

use axum::Extension;
use axum::extract::State;
use axum::http::{HeaderMap, header};
use axum::response::{AppendHeaders, IntoResponse, Redirect, Response};
use maud::{Markup, html};
use serde::Deserialize;
use shared::passphrase::FEWEST_CHARACTERS;
use shared::problem::Code;
use shared::role::Role;
use sync_core::book::enrol::EnrolError;
use sync_core::commands::desk::Desk;
use sync_core::sys::rng::random;

use super::asked::Query;
use super::browser::Known;
use super::current_user::cookie_of;
use super::desk::{go, ours};
use super::error_page::ErrorPage;
use super::forms::{Fields, Posted, form_at};
use super::layout::{bare, field};
use super::passphrase::fits;
use super::sent::Sent;
use super::session::{Key, keep, sessions};
use super::words;
use crate::problem_response::ApiError;
use crate::rate_limit::Peer;
use crate::state::ServerState;
use crate::system::entropy;

/// Where to go once signed in.
#[derive(Debug, Deserialize)]
pub(super) struct To {
    to: Option<String>,
}

/// A form that waits for the sign-in: where it is sent, and its fields as a browser sends them.
#[derive(Debug, Clone)]
struct Pending {
    action: String,
    fields: Vec<(String, String)>,
}

impl Pending {
    /// Of the request for the page: what was just sent and met nobody, or what waited already when a sign-in failed.
    fn of(sent: Option<&Sent>) -> Option<Self> {
        let sent = sent?;
        if sent.not_taken.is_some() {
            return Self::in_fields(sent.fields.get("pending_to"), sent.fields.get("pending"));
        }
        Some(Self { action: sent.action.clone(), fields: sent.lasting().map(|(name, text)| (name.to_owned(), text.to_owned())).collect() })
    }

    fn in_fields(action: Option<&String>, fields: Option<&String>) -> Option<Self> {
        let (action, fields) = (action.filter(|to| ours(to))?.clone(), serde_json::from_str(fields?).ok()?);
        Some(Self { action, fields })
    }

    fn hidden(&self) -> Markup {
        let fields = serde_json::to_string(&self.fields).unwrap_or_default();
        html! {
            input type="hidden" name="pending_to" value=(self.action);
            input type="hidden" name="pending" value=(fields);
        }
    }

    /// What somebody wrote, of what it holds: our own ids and choices are no text.
    fn written(&self) -> impl Iterator<Item = (&str, &str)> {
        const OURS: [&str; 12] =
            ["at", "back", "weighed", "says", "doc", "slot", "machine", "how", "decision", "active", "property", "engine_card"];
        self.fields
            .iter()
            .map(|(name, text)| (name.as_str(), text.as_str()))
            .filter(|(name, text)| !OURS.contains(name) && !text.trim().is_empty())
    }
}

/// GET /office/sign-in
pub(super) async fn page(
    State(state): State<ServerState>,
    peer: Peer,
    sent: Option<Extension<Arc<Sent>>>,
    Query(to): Query<To>,
) -> Result<Markup, ErrorPage> {
    state.pace.stranger(peer, &state.now()).map_err(ApiError::too_many_strangers)?;
    let front = state.read(|book| book.reader().shop_front()).await?;
    let sent = sent.as_ref().map(|Extension(sent)| &**sent);
    let pending = Pending::of(sent);
    let to = to.to.unwrap_or_default();
    let at = format!("/office/sign-in?to={}", words::in_query(&to));
    let ours = html! {
        input type="hidden" name="to" value=(to);
        @if let Some(pending) = &pending { (pending.hidden()) }
    };
    let inside = html! {
        (field("Your name", "", &html! { input name="name" autocomplete="username" required autofocus; }))
        (field("Passphrase", "", &html! { input name="passphrase" type="password" autocomplete="current-password" required; }))
        button { "Sign in" }
    };
    Ok(bare(
        "Sign in",
        &html! {
            h1 { "Sign in" }
            p.soft { (front.settings.name) ": the book of valve clearances and engine hours." }
            @if pending.is_some() { p.said role="status" { "The sign-in had ended. What you sent is kept here: sign in, and send it again." } }
            (form_at(&at, sent, "/office/sign-in", &ours, &inside))
            p { "No passphrase yet, or forgotten? " a href="/office/first" { "Set one with a one-time code" } " of the office." }
        },
    ))
}

/// POST /office/sign-in
pub(super) async fn sign_in(
    State(state): State<ServerState>,
    peer: Peer,
    headers: HeaderMap,
    fields: Result<Fields, ApiError>,
) -> Result<Response, ErrorPage> {
    let now = state.now();
    let known = known_browser(&state, &headers).await?;
    if known.is_none() {
        state.pace.stranger(peer, &now).map_err(ApiError::too_many_strangers)?;
    }
    let fields = fields?;
    let (name, passphrase) = (fields.text("name")?, fields.as_typed("passphrase"));
    let desk = {
        let name = name.clone();
        state.read(move |book| book.advisor().desk(&name)).await?
    };
    let known = known.filter(|known| desk.as_ref().is_some_and(|desk| desk.person == known.person));
    let attempt = state.rooms.passphrases.begin(&name, peer, known, &now).map_err(ApiError::too_many_passphrases)?;
    let phc = desk.as_ref().map(|desk| desk.passphrase.clone());
    let right = state.rooms.passphrases.proves(passphrase, phc, &attempt, &state).await?;
    let Some(desk) = desk.filter(|_| right) else {
        let say =
            "There is no such name with such a passphrase. Nobody was signed in. Try again, or set a new passphrase with a one-time code.";
        return Err(ApiError::new(Code::CodeInvalid, say).into());
    };
    state.rooms.passphrases.forgive(&attempt);
    let pending = Pending::in_fields(fields.all().get("pending_to"), fields.all().get("pending"));
    let_in(&state, &desk, fields.maybe("to").unwrap_or_default(), pending).await
}

/// GET /office/first
pub(super) async fn first_page(
    State(state): State<ServerState>,
    peer: Peer,
    sent: Option<Extension<Arc<Sent>>>,
) -> Result<Markup, ErrorPage> {
    state.pace.stranger(peer, &state.now()).map_err(ApiError::too_many_strangers)?;
    let hint = format!("{FEWEST_CHARACTERS} characters or more; four plain words do");
    let sent = sent.as_ref().map(|Extension(sent)| &**sent);
    let inside = html! {
        (field("One-time code", "", &html! { input name="code" autocomplete="one-time-code" required autofocus; }))
        (field("New passphrase", &hint, &html! { input name="passphrase" type="password" autocomplete="new-password" required; }))
        (field("The same again", "", &html! { input name="again" type="password" autocomplete="new-password" required; }))
        button { "Set it and sign in" }
    };
    Ok(bare(
        "Set a passphrase",
        &html! {
            h1 { "Set a passphrase" }
            p.soft {
                "The server printed the shop's first one-time code when it was founded; every further one comes from the office, under "
                "People. A code is good once, for a passphrase or for a phone."
            }
            (form_at("/office/first", sent, "/office/first", &html! {}, &inside))
            p { a href="/office/sign-in" { "I have a passphrase" } }
        },
    ))
}

/// POST /office/first
pub(super) async fn first(State(state): State<ServerState>, peer: Peer, fields: Result<Fields, ApiError>) -> Result<Response, ErrorPage> {
    let now = state.now();
    state.pace.stranger(peer, &now).map_err(ApiError::too_many_strangers)?;
    let fields = fields?;
    let (code, passphrase) = (fields.text("code")?, fields.as_typed("passphrase"));
    fits(&passphrase)?;
    if passphrase != fields.as_typed("again") {
        return Err(ApiError::new(Code::BodyInvalid, "The two passphrases differ. None was set, and the code is still good.")
            .of_field("again")
            .into());
    }
    let attempt = state.pace.code(peer, &now).map_err(ApiError::too_many_codes)?;
    let phc = state.rooms.passphrases.new_hash(passphrase, &state).await?;
    let pace = std::sync::Arc::clone(&state.pace);
    let opened = state.ask(move |shop| {
        let opened = shop.write(|book, entropy| book.author().open_desk(&code, &phc, &now, entropy));
        if !matches!(opened, Err(EnrolError::Refused(Code::CodeInvalid, _))) {
            pace.forgive(&attempt);
        }
        opened
    });
    let desk = opened.await?;
    sessions(&state).await?.end_all_of(desk.person, &now);
    keep(&state).await?;
    let_in(&state, &desk, "", None).await
}

/// The browser that a request shows, where somebody signed in at it before.
async fn known_browser(state: &ServerState, headers: &HeaderMap) -> Result<Option<Known>, ApiError> {
    if !Known::is_shown(headers) {
        return Ok(None);
    }
    Ok(Known::of(headers, browser_key(state).await?))
}

async fn browser_key(state: &ServerState) -> Result<&[u8; 64], ApiError> {
    state.rooms.browser_key.get_or_try_init(|| state.read(|book| book.tokens().browser_key())).await
}

/// Begins a session, for people of the office and leads.
async fn let_in(state: &ServerState, desk: &Desk, to: &str, pending: Option<Pending>) -> Result<Response, ErrorPage> {
    if !matches!(desk.role, Some(Role::Office | Role::Lead)) {
        let say = "These pages are for the office and leads, and you have another role. You were not signed in. Ask the office.";
        return Err(ApiError::new(Code::RoleMayNot, say).into());
    }
    let (session, number) = {
        let mut chance = entropy().map_err(|_| ApiError::broke("Nobody was signed in. Try again."))?;
        (random(&mut *chance), random(&mut *chance))
    };
    let known = Known::from_bytes(*desk.person.as_bytes(), number).cookie(browser_key(state).await?, state.over_tls);
    let key = sessions(state).await?.begin(desk.person, &session, &state.now());
    // Signed in all the same: a restart would end it, and no more.
    if let Err(why) = keep(state).await {
        tracing::warn!(?why, "sessions are not kept");
    }
    let cookies = AppendHeaders([(header::SET_COOKIE, cookie_of(key.text(), state.over_tls)), (header::SET_COOKIE, known)]);
    match pending {
        Some(pending) => Ok((cookies, taken_up(&key, desk, &pending, to)).into_response()),
        None => Ok((cookies, go(to)).into_response()),
    }
}

/// What was sent after a sign-in had ended, to be sent once more: the person who signed in now sees what it is, and that it is in their name.
fn taken_up(key: &Key, desk: &Desk, pending: &Pending, to: &str) -> Markup {
    bare(
        "Send it again",
        &html! {
            h1 { "Send it again" }
            p { "You are signed in as " (desk.name) ". What was sent when the sign-in had ended was not taken in yet." }
            dl { @for (name, text) in pending.written() { dt { (name.replace('_', " ")) } dd { (text) } } }
            form method="post" action=(pending.action) {
                input type="hidden" name="token" value=(key.form_token());
                @for (name, text) in &pending.fields { input type="hidden" name=(name) value=(text); }
                button { "Send it now" }
            }
            p { a href=(if ours(to) { to } else { "/office" }) { "Leave it, and go back to the page" } }
        },
    )
}

/// POST /office/sign-out
pub(super) async fn sign_out(State(state): State<ServerState>, posted: Posted) -> Result<Response, ErrorPage> {
    posted.visitor.leave(&state).await?;
    Ok(([(header::SET_COOKIE, cookie_of("", state.over_tls))], Redirect::to("/office/sign-in")).into_response())
}
