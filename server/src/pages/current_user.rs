//! Who looks at a page: the session that the browser shows, and the role that its person has now.

use std::sync::Arc;

use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use cookie::{Cookie, SameSite};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use shared::ids::{DeviceId, PersonId};
use shared::length::LengthUnit;
use shared::problem::Code;
use shared::record::ShopCard;
use shared::role::Role;
use sync_core::commands::desk::Desk;
use sync_core::engine::BookError;
use sync_core::sys::clock::ClockReading;

use super::error_page::ErrorPage;
use super::sent::Sent;
use super::session::{keep, sessions};
use super::words;
use crate::events::Who;
use crate::problem_response::ApiError;
use crate::state::ServerState;

/// The cookie that a session is known by.
const COOKIE: &str = "tappet_session";
/// Sent by our script where a page asks by itself: nobody is at work then, and the session may run out.
const WAITING: &str = "tappet-waiting";

/// A person of the office, or a lead, who is signed in.
#[derive(Debug)]
pub(super) struct CurrentUser {
    pub(super) person: PersonId,
    pub(super) name: String,
    pub(super) role: Role,
    pub(super) unit: LengthUnit,
    pub(super) shop: ShopCard,
    pub(super) issuer: String,
    /// What the last step gave, to be said at the top of the page.
    pub(super) said: Option<String>,
    pub(super) now: ClockReading,
    zone: TimeZone,
    key: String,
    form_token: String,
    /// The page that is looked at.
    at: String,
    /// A form that was just sent from it, and not taken.
    sent: Option<Arc<Sent>>,
}

/// A visitor whose page asks by itself: nobody is at work then. Whoever is not signed in is told so plainly, because the way to
/// the sign-in would look like an answer.
#[derive(Debug)]
pub(super) struct Waiting(pub(super) CurrentUser);

/// The role with which a person may sit at the pages.
fn allowed(desk: &Desk) -> Option<Role> {
    desk.role.filter(|role| matches!(role, Role::Office | Role::Lead))
}

/// The key that a browser shows.
pub(super) fn key_of(headers: &HeaderMap) -> Option<String> {
    let cookies = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    let mut ours = cookies.flat_map(Cookie::split_parse).filter_map(Result::ok).filter(|cookie| cookie.name() == COOKIE);
    // Two of them are as good as none: whose would count?
    ours.next().filter(|_| ours.next().is_none()).map(|cookie| cookie.value().to_owned())
}

/// The cookie that makes a browser show a key; an empty one makes it forget.
pub(super) fn cookie_of(key: &str, over_tls: bool) -> String {
    let mut cookie = Cookie::build((COOKIE, key.to_owned())).path("/office").http_only(true).same_site(SameSite::Strict).secure(over_tls);
    if key.is_empty() {
        cookie = cookie.max_age(cookie::time::Duration::ZERO);
    }
    cookie.build().to_string()
}

impl CurrentUser {
    /// The visitor of a request; `to` is where to go back to after a sign-in.
    pub(super) async fn of(headers: &HeaderMap, to: &str, state: &ServerState) -> Result<Self, ErrorPage> {
        Self::found(headers, to, headers.contains_key(WAITING), state).await
    }

    async fn found(headers: &HeaderMap, to: &str, waiting: bool, state: &ServerState) -> Result<Self, ErrorPage> {
        let now = state.now();
        let sign_in = || ErrorPage::SignIn(to.to_owned());
        let key = key_of(headers).ok_or_else(sign_in)?;
        let seen = sessions(state).await?.seen(&key, waiting, &now).ok_or_else(sign_in)?;
        let person = seen.person;
        // A person has a pace as a device has; the two kinds of id never meet.
        state.pace.device(DeviceId::from_bytes(*person.as_bytes()), &now).map_err(ApiError::too_many_requests)?;
        let (desk, front) =
            state.read(move |book| Ok::<_, BookError>((book.advisor().desk_of(person)?, book.reader().shop_front()?))).await?;
        let role = desk.as_ref().and_then(allowed);
        let (Some(desk), Some(role)) = (desk, role) else {
            sessions(state).await?.end(&key, &now);
            keep(state).await?;
            return Err(sign_in());
        };
        // That a use of it is not kept hinders nobody.
        if let Err(why) = keep(state).await {
            tracing::warn!(?why, "sessions are not kept");
        }
        Ok(Self {
            person,
            name: desk.name,
            role,
            unit: seen.unit.unwrap_or(front.settings.unit),
            zone: TimeZone::get(&front.settings.time_zone).unwrap_or(TimeZone::UTC),
            shop: front.settings,
            issuer: front.issuer,
            said: None,
            now,
            key,
            form_token: seen.form_token,
            at: to.to_owned(),
            sent: None,
        })
    }

    /// Whether this visit still holds, asked again and again by what goes on after its answer has begun. Not a use of it.
    pub(super) fn still(&self, state: &ServerState) -> Who {
        let (rooms, key) = (Arc::clone(&state.rooms), self.key.clone());
        Arc::new(move |shop, now| {
            let over = || ApiError::new(Code::TokenInvalid, "This sign-in is over. Nothing was changed. Sign in again.");
            let person = rooms.sessions.seen(&key, true, now).ok_or_else(over)?.person;
            shop.read(|book| book.advisor().desk_of(person))?.as_ref().and_then(allowed).map(|_| person).ok_or_else(over)
        })
    }

    pub(super) fn form_token(&self) -> &str {
        &self.form_token
    }

    /// The page that is looked at.
    pub(super) fn at(&self) -> &str {
        &self.at
    }

    /// A form that was just sent from it, and not taken.
    pub(super) fn sent(&self) -> Option<&Sent> {
        self.sent.as_deref()
    }

    pub(super) fn is_office(&self) -> bool {
        self.role == Role::Office
    }

    /// Refuses whoever is not of the office.
    pub(super) fn of_office(&self) -> Result<(), ApiError> {
        if self.is_office() {
            return Ok(());
        }
        Err(ApiError::new(
            Code::RoleMayNot,
            "This is for the office, and you are signed in as a lead. Nothing was changed. Ask the office.",
        ))
    }

    /// A time as the shop's clock shows it.
    pub(super) fn local(&self, ms: i64) -> String {
        words::local(ms, &self.zone)
    }

    /// The day at the shop.
    pub(super) fn today(&self) -> Date {
        let at = jiff::Timestamp::from_millisecond(self.now.wall_ms).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
        at.to_zoned_datetime(self.zone.clone()).date()
    }

    /// Says something on the next page.
    pub(super) fn say(&self, what: impl Into<String>, state: &ServerState) {
        state.rooms.sessions.say(&self.key, what.into(), &self.now);
    }

    /// Signs out, for good: where that cannot be kept, it is said.
    pub(super) async fn leave(&self, state: &ServerState) -> Result<(), ApiError> {
        state.rooms.sessions.end(&self.key, &self.now);
        keep(state).await
    }
}

impl FromRequestParts<ServerState> for CurrentUser {
    type Rejection = ErrorPage;

    async fn from_request_parts(parts: &mut Parts, state: &ServerState) -> Result<Self, ErrorPage> {
        let to = parts.uri.path_and_query().map_or("/office", |to| to.as_str()).to_owned();
        let mut visitor = Self::of(&parts.headers, &to, state).await?;
        visitor.sent = parts.extensions.get::<Arc<Sent>>().cloned();
        if !parts.headers.contains_key(WAITING) {
            visitor.said = state.rooms.sessions.said(&visitor.key, &visitor.now);
        }
        let query = parts.uri.query().unwrap_or_default();
        if let Some(named) = query.split('&').find_map(|pair| pair.strip_prefix("unit=")) {
            let wrong = |_| ApiError::unreadable("A unit is thou, in or mm: write ?unit=thou, ?unit=in or ?unit=mm");
            visitor.unit = named.parse().map_err(wrong)?;
            state.rooms.sessions.show_in(&visitor.key, visitor.unit, &visitor.now);
            keep(state).await?;
        }
        Ok(visitor)
    }
}

impl FromRequestParts<ServerState> for Waiting {
    type Rejection = Response;

    async fn from_request_parts(parts: &mut Parts, state: &ServerState) -> Result<Self, Response> {
        match CurrentUser::found(&parts.headers, "/office", true, state).await {
            Ok(visitor) => Ok(Self(visitor)),
            Err(ErrorPage::SignIn(_)) => Err((StatusCode::UNAUTHORIZED, "signed out").into_response()),
            Err(other) => Err(other.into_response()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_cookie_is_for_our_pages_alone() {
        assert_eq!(cookie_of("ab12", false), "tappet_session=ab12; HttpOnly; SameSite=Strict; Path=/office");
        assert_eq!(cookie_of("ab12", true), "tappet_session=ab12; HttpOnly; SameSite=Strict; Secure; Path=/office");
        assert_eq!(cookie_of("", false), "tappet_session=; HttpOnly; SameSite=Strict; Path=/office; Max-Age=0");
    }

    #[test]
    fn one_key_is_read_and_two_are_none() {
        let of = |text: &str| key_of(&HeaderMap::from_iter([(header::COOKIE, text.parse().unwrap())]));
        assert_eq!(of("a=b; tappet_session=ab12").as_deref(), Some("ab12"));
        assert_eq!(of("tappet_session=ab12; tappet_session=cd34"), None);
        assert_eq!(of("nothing"), None);
        assert_eq!(key_of(&HeaderMap::new()), None);
    }
}
