//! The calendar feed's secret: calendars send no header, so the address itself proves for whom it was made.
//!
//! The secret is the person's id and a code over it under a key of the shop. Nothing is kept of it; whether the person
//! may still have a feed is looked up each time, so it ends with the role.

use hmac::{Hmac, Mac};
use sha2::Sha256;
use shared::bytes::Bytes32;
use shared::ids::PersonId;
use shared::problem::Code;
use shared::role::Role;

use crate::book::{Book, BookError};
use crate::identity::Keys;
use crate::login::LoginError;

/// Roles that a calendar feed is for.
const ROLES: [Role; 3] = [Role::Office, Role::Lead, Role::Tech];

/// What is said of a secret that does not hold, whatever is wrong with it.
pub const HOLDS_NOT: &str = "This calendar address does not hold, or holds no more. Ask for another at /v1/calendar-feed.";

/// Who a feed is for, and the code that proves it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FeedSecret {
    /// For whom.
    pub person: PersonId,
    /// The shop's code over that.
    pub code: Bytes32,
}

impl Book {
    /// The secret of a person's calendar feed, the same each time, and the shop's issuer: where its server is found.
    ///
    /// # Errors
    /// [`BookError::Denied`] where the person's role has no feed.
    pub fn calendar_feed(&self, person: PersonId) -> Result<(FeedSecret, String), BookError> {
        if !self.has_feed(person)? {
            let say = "a calendar feed is for the office, leads and techs";
            return Err(BookError::Denied(say.to_owned()));
        }
        let identity = self.identity()?;
        let code = mac_of(identity.keys()?, person).finalize().into_bytes();
        Ok((FeedSecret { person, code: Bytes32(code.into()) }, identity.issuer.clone()))
    }

    /// Takes a feed's secret: whose it is, where it is the shop's and the person may have a feed now.
    ///
    /// # Errors
    /// [`LoginError::Refused`]; the same words whatever was wrong.
    pub fn calendar_person(&self, secret: &FeedSecret) -> Result<PersonId, LoginError> {
        let holds = mac_of(self.identity()?.keys()?, secret.person).verify_slice(&secret.code.0).is_ok();
        if holds && self.has_feed(secret.person)? {
            return Ok(secret.person);
        }
        Err(LoginError::Refused(Code::TokenInvalid, HOLDS_NOT.to_owned()))
    }

    fn has_feed(&self, person: PersonId) -> Result<bool, BookError> {
        Ok(self.roster()?.role_now(person).is_some_and(|role| ROLES.contains(&role)))
    }
}

fn mac_of(keys: &Keys, person: PersonId) -> Hmac<Sha256> {
    let mut mac = Hmac::<Sha256>::new(&keys.for_calendars().into());
    mac.update(b"due");
    mac.update(person.as_bytes());
    mac
}
