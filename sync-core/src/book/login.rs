//! Log-in: the assertion a device signs (RFC 7523 §2.2 as updated by RFC 10070), and the token the shop signs for it.
//!
//! The algorithm is pinned to Ed25519; `kid` is only a look-up key; roles never travel in a token.

use ed25519_dalek::SigningKey;
use ed25519_dalek::pkcs8::EncodePrivateKey;
use jsonwebtoken::{Algorithm, DecodingKey, EncodingKey, Header, Validation, decode, decode_header, encode};
use shared::bytes::Bytes32;
use shared::ids::{DeviceId, PersonId};
use shared::problem::Code;
use shared::role::Role;
use shared::wire::{ASSERTION_TYP, AccessClaims, AssertionClaims};

use crate::book::Book;
use crate::engine::BookError;
use crate::store::KeptSession;
use crate::sys::clock::ClockReading;
use crate::sys::rng::{CryptoRng, fresh_uuid};

/// An assertion holds at most this long, in seconds.
pub const ASSERTION_LIFE_S: i64 = 300;
/// Clocks may differ by this much before a log-in is refused with the shop's time, in seconds.
pub const LEEWAY_S: i64 = 60;
/// A token holds this long, in seconds.
pub const TOKEN_LIFE_S: i64 = 900;
const ACCESS_TYP: &str = "at+jwt";

/// Why a log-in or a token is refused.
#[derive(Debug)]
pub enum LoginError {
    /// A code in the sense of the wire, with a sentence.
    Refused(Code, String),
    /// The book.
    Book(BookError),
}

impl<E: Into<BookError>> From<E> for LoginError {
    fn from(error: E) -> Self {
        Self::Book(error.into())
    }
}

fn refuse<T>(code: Code, why: &str) -> Result<T, LoginError> {
    Err(LoginError::Refused(code, why.to_owned()))
}

fn encoding_key(key: &SigningKey) -> Result<EncodingKey, BookError> {
    let der = key.to_pkcs8_der().map_err(|e| BookError::Defect(e.to_string()))?;
    Ok(EncodingKey::from_ed_der(der.as_bytes()))
}

/// The header of a JWT of ours: of this type, under the one algorithm, and without a word that changes what the signature covers.
/// No extension is understood here, so a critical one is refused (RFC 7515 section 4.1.11), and so is a payload that is not
/// encoded (RFC 7797 section 6), which the library would read as if it were.
fn header_of(token: &str, typ: &str) -> Option<Header> {
    let header = decode_header(token).ok()?;
    let plain = header.crit.is_none() && !header.extras.inner().contains_key("b64");
    (plain && header.alg == Algorithm::EdDSA && header.typ.as_deref() == Some(typ)).then_some(header)
}

/// Claims with the time before which they do not hold, in seconds since 1970 UTC (RFC 7519 section 4.1.5).
#[derive(serde::Deserialize)]
struct Timed<T> {
    #[serde(flatten)]
    said: T,
    #[serde(default)]
    nbf: Option<f64>,
}

impl<T> Timed<T> {
    /// Whether they hold only later than `now_s`, a clock's leeway aside.
    #[expect(clippy::cast_precision_loss, reason = "seconds of any calendar are exact in 53 bits")]
    fn is_early(&self, now_s: i64) -> bool {
        self.nbf.is_some_and(|nbf| nbf > now_s.saturating_add(LEEWAY_S) as f64)
    }
}

/// Decodes a JWT under one Ed25519 key. Times are checked by the caller against the time handed in, not by the library's clock.
fn claims<T: serde::de::DeserializeOwned>(token: &str, key: &Bytes32, issuer: &str, required: &[&str]) -> Option<Timed<T>> {
    let mut validation = Validation::new(Algorithm::EdDSA);
    validation.validate_exp = false;
    validation.set_audience(&[issuer]);
    validation.set_required_spec_claims(required);
    decode::<Timed<T>>(token, &DecodingKey::from_ed_der(&key.0), &validation).ok().map(|data| data.claims)
}

/// Makes and takes what a device or a browser signs in with.
#[derive(Debug, Clone, Copy)]
pub struct Tokens<'a> {
    pub(super) book: &'a Book,
}

impl Book {
    /// What devices and browsers sign in with.
    #[must_use]
    pub const fn tokens(&self) -> Tokens<'_> {
        Tokens { book: self }
    }
}

impl Tokens<'_> {
    /// The log-in assertion of this device. `clock_offset_ms` is shop time minus device time where the shop has told it.
    ///
    /// # Errors
    /// [`BookError::NotEnrolled`].
    pub fn assertion(&self, now: &ClockReading, clock_offset_ms: i64, entropy: &mut dyn CryptoRng) -> Result<String, BookError> {
        let identity = self.book.identity()?;
        let iat = now.wall_ms.saturating_add(clock_offset_ms) / 1000;
        let header =
            Header { typ: Some(ASSERTION_TYP.to_owned()), kid: Some(identity.device.to_string()), ..Header::new(Algorithm::EdDSA) };
        let claims = AssertionClaims {
            iss: identity.device,
            sub: identity.device,
            aud: identity.issuer.clone(),
            iat,
            exp: iat + ASSERTION_LIFE_S - LEEWAY_S,
            jti: fresh_uuid(now, entropy),
        };
        encode(&header, &claims, &encoding_key(&identity.keys()?.login())?).map_err(|e| BookError::Defect(e.to_string()))
    }

    /// The shop takes a log-in, and gives an access token with its life in seconds.
    ///
    /// # Errors
    /// [`LoginError::Refused`]; [`Code::ClockWrong`] where only the times do not fit.
    pub fn log_in(&self, assertion: &str, now: &ClockReading) -> Result<(String, i64), LoginError> {
        let identity = self.book.identity()?;
        let Some(header) = header_of(assertion, ASSERTION_TYP) else {
            return refuse(Code::TokenInvalid, "The assertion is no JWT of the agreed type and algorithm, or names an extension.");
        };
        let device: Option<DeviceId> = header.kid.as_deref().and_then(|kid| kid.parse().ok());
        let roster = self.book.roster()?;
        let Some(entry) = device.and_then(|d| roster.devices.get(&d)) else {
            return refuse(Code::DeviceUnknown, "The device is not on the roster. Enrol it with a code from the office.");
        };
        if entry.revoked_ms.is_some() {
            return refuse(Code::DeviceRevoked, "The device is revoked. What it still holds stays on it; ask the office.");
        }
        let required = ["iss", "sub", "aud", "exp"];
        let Some(timed) = claims::<AssertionClaims>(assertion, &entry.card.login_key, &identity.issuer, &required) else {
            return refuse(Code::TokenInvalid, "The assertion does not hold under the device's log-in key for this shop.");
        };
        let (early, said) = (timed.is_early(now.wall_ms / 1000), timed.said);
        if said.iss != entry.card.device || said.sub != entry.card.device {
            return refuse(Code::TokenInvalid, "The assertion speaks for another device.");
        }
        if said.exp.saturating_sub(said.iat) > ASSERTION_LIFE_S || said.exp <= said.iat {
            return refuse(Code::TokenInvalid, "The assertion holds longer than agreed.");
        }
        let now_s = now.wall_ms / 1000;
        if said.exp.saturating_add(LEEWAY_S) < now_s || said.iat.saturating_sub(LEEWAY_S) > now_s || early {
            return refuse(
                Code::ClockWrong,
                "The device's clock differs from the shop's: sign in again by the time given here. Records keep the device's own time.",
            );
        }
        let fresh = self
            .book
            .store
            .atomically(|store| store.logins().use_assertion(said.iss, said.jti, said.exp.saturating_add(LEEWAY_S), now_s))?;
        if !fresh {
            return refuse(Code::TokenInvalid, "The assertion has been used before.");
        }
        let claims = AccessClaims {
            iss: identity.issuer.clone(),
            aud: identity.issuer.clone(),
            sub: said.iss,
            person: entry.card.person,
            iat: now_s,
            exp: now_s + TOKEN_LIFE_S,
        };
        let header = Header { typ: Some(ACCESS_TYP.to_owned()), kid: Some(identity.device.to_string()), ..Header::new(Algorithm::EdDSA) };
        let token = encode(&header, &claims, &encoding_key(&identity.keys()?.login())?).map_err(|e| BookError::Defect(e.to_string()))?;
        Ok((token, TOKEN_LIFE_S))
    }

    /// The device and person that an access token speaks for, where it holds now and the device is not revoked.
    ///
    /// # Errors
    /// [`LoginError::Refused`].
    pub fn bearer(&self, token: &str, now: &ClockReading) -> Result<(DeviceId, PersonId), LoginError> {
        let identity = self.book.identity()?;
        let typed = header_of(token, ACCESS_TYP).is_some();
        let key = identity.keys()?.public().1;
        let said = typed.then(|| claims::<AccessClaims>(token, &key, &identity.issuer, &["iss", "sub", "aud", "exp"])).flatten();
        let timed = said.filter(|timed| timed.said.iss == identity.issuer && !timed.is_early(now.wall_ms / 1000));
        let Some(Timed { said, .. }) = timed else {
            return refuse(Code::TokenInvalid, "The access token is not one of this shop's. Log in again.");
        };
        if said.exp <= now.wall_ms / 1000 {
            return refuse(Code::TokenInvalid, "The access token has ended. Log in again.");
        }
        match self.book.roster()?.devices.get(&said.sub) {
            Some(device) if device.revoked_ms.is_some() => {
                refuse(Code::DeviceRevoked, "The device is revoked. What it still holds stays on it; ask the office.")
            }
            Some(device) => Ok((said.sub, device.card.person)),
            None => refuse(Code::DeviceUnknown, "The device is not on the roster."),
        }
    }

    /// As [`Tokens::bearer`], with the person's role now.
    ///
    /// # Errors
    /// As [`Tokens::bearer`].
    pub fn bearer_with_role(&self, token: &str, now: &ClockReading) -> Result<(DeviceId, PersonId, Option<Role>), LoginError> {
        let (device, person) = self.bearer(token, now)?;
        Ok((device, person, self.book.roster()?.role_now(person)))
    }

    /// The secret behind the cookies of browsers that are known; the same for as long as the shop has its keys.
    ///
    /// # Errors
    /// [`BookError::NotEnrolled`]; [`BookError::Sealed`].
    pub fn browser_key(&self) -> Result<[u8; 64], BookError> {
        Ok(self.book.identity()?.keys()?.for_browsers())
    }

    /// The sessions of the office's pages that were kept.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn kept_sessions(&self) -> Result<Vec<KeptSession>, BookError> {
        Ok(self.book.store.logins().kept_sessions()?)
    }

    /// Keeps these sessions of the office's pages, and no others.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn keep_sessions(&self, sessions: &[KeptSession]) -> Result<(), BookError> {
        Ok(self.book.store.logins().keep_sessions(sessions)?)
    }

    /// The key that verifies access tokens: key id and Ed25519 public key, for the JWKS.
    ///
    /// # Errors
    /// [`BookError::NotEnrolled`].
    pub fn token_key(&self) -> Result<(DeviceId, Bytes32), BookError> {
        let identity = self.book.identity()?;
        Ok((identity.device, identity.keys()?.public().1))
    }
}
