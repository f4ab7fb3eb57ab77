//! Browsers at which somebody signed in before: a cookie for a year that names the person, with the shop's code over it.
//!
//! It lets nobody in. It only gives that browser a pace of its own for that person's passphrase, so that strangers who try the name
//! lock out strangers (OWASP, "Slow Down Online Guessing Attacks with Device Cookies").

use axum::http::{HeaderMap, header};
use cookie::{Cookie, SameSite};
use hmac::{Hmac, Mac};
use sha2::Sha256;
use shared::ids::PersonId;

/// The cookie's name.
const COOKIE: &str = "tappet_browser";

/// A browser that is known for a person.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Known {
    pub(super) person: PersonId,
    number: [u8; 16],
}

impl Known {
    /// A browser with this number, known for this person.
    pub(super) const fn from_bytes(person: [u8; 16], number: [u8; 16]) -> Self {
        Self { person: PersonId::from_bytes(person), number }
    }

    /// Whether a request shows a cookie that may be one: it is worth asking for the shop's key.
    pub(super) fn is_shown(headers: &HeaderMap) -> bool {
        shown(headers).is_some()
    }

    /// The browser that a request shows, where the shop's code is over it.
    pub(super) fn of(headers: &HeaderMap, key: &[u8; 64]) -> Option<Self> {
        let bytes = shown(headers)?;
        let (said, code) = bytes.split_at_checked(32)?;
        mac(key, said).verify_slice(code).ok()?;
        let (person, number) = said.split_at_checked(16)?;
        Some(Self::from_bytes(person.try_into().ok()?, number.try_into().ok()?))
    }

    /// The cookie that makes a browser show it.
    pub(super) fn cookie(&self, key: &[u8; 64], over_tls: bool) -> String {
        let said = [&self.person.as_bytes()[..], &self.number].concat();
        let code = mac(key, &said).finalize().into_bytes();
        let text = hex::encode([&said[..], &code].concat());
        let year = cookie::time::Duration::days(365);
        let cookie =
            Cookie::build((COOKIE, text)).path("/office").http_only(true).same_site(SameSite::Strict).secure(over_tls).max_age(year);
        cookie.build().to_string()
    }
}

/// The bytes of the cookie, where there is one of the right length.
fn shown(headers: &HeaderMap) -> Option<[u8; 64]> {
    let cookies = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    let mut ours = cookies.flat_map(Cookie::split_parse).filter_map(Result::ok).filter(|cookie| cookie.name() == COOKIE);
    let one = ours.next().filter(|_| ours.next().is_none())?;
    let mut bytes = [0; 64];
    hex::decode_to_slice(one.value(), &mut bytes).ok().map(|()| bytes)
}

fn mac(key: &[u8; 64], said: &[u8]) -> Hmac<Sha256> {
    let mut mac = Hmac::<Sha256>::new(key.into());
    mac.update(said);
    mac
}
