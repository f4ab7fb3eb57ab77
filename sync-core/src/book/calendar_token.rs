//! The calendar feed's secret: calendars send no header, so the address itself proves for whom it was made.
//!
//! The secret is the id of the device that asked for it and a code over that under a key of the shop. Nothing is kept of it;
//! whether the device still speaks for its person, and whether that person may have a feed, is looked up each time: it ends
//! with the role, and with the device, because an address was as readable as the device that it was on.

use hmac::{Hmac, Mac};
use sha2::Sha256;
use shared::bytes::Bytes32;
use shared::ids::{DeviceId, PersonId};
use shared::problem::Code;
use shared::role::Role;

use crate::book::login::{LoginError, Tokens};
use crate::crypto::keys::Keys;
use crate::engine::BookError;

/// Roles that a calendar feed is for.
const ROLES: [Role; 3] = [Role::Office, Role::Lead, Role::Tech];

/// What is said of a secret that does not hold, whatever is wrong with it.
pub const HOLDS_NOT: &str = "This calendar address does not hold, or holds no more. Ask for another at /v1/calendar-feed.";

/// Whose feed it is, and the code that proves it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CalendarToken {
    /// The device that asked for it.
    pub device: DeviceId,
    /// The shop's code over that.
    pub code: Bytes32,
}

impl Tokens<'_> {
    /// The secret of a device's calendar feed, the same each time, and the shop's issuer: where its server is found.
    ///
    /// # Errors
    /// [`BookError::Denied`] where the role of the device's person has no feed, or the device is revoked.
    pub fn calendar_feed(&self, device: DeviceId) -> Result<(CalendarToken, String), BookError> {
        if self.person_of_feed(device)?.is_none() {
            let say = "a calendar feed is for the office, leads and techs";
            return Err(BookError::Denied(say.to_owned()));
        }
        let identity = self.book.identity()?;
        let code = mac_of(identity.keys()?, device).finalize().into_bytes();
        Ok((CalendarToken { device, code: Bytes32(code.into()) }, identity.issuer.clone()))
    }

    /// Takes a feed's secret: whose it is, where it is the shop's and its device may have a feed now.
    ///
    /// # Errors
    /// [`LoginError::Refused`]; the same words whatever was wrong.
    pub fn calendar_person(&self, secret: &CalendarToken) -> Result<PersonId, LoginError> {
        let holds = mac_of(self.book.identity()?.keys()?, secret.device).verify_slice(&secret.code.0).is_ok();
        let person = if holds { self.person_of_feed(secret.device)? } else { None };
        person.ok_or_else(|| LoginError::Refused(Code::TokenInvalid, HOLDS_NOT.to_owned()))
    }

    /// The person for whom a device may follow a feed now.
    fn person_of_feed(&self, device: DeviceId) -> Result<Option<PersonId>, BookError> {
        let roster = self.book.roster()?;
        let person = roster.devices.get(&device).filter(|entry| entry.revoked_ms.is_none()).map(|entry| entry.card.person);
        Ok(person.filter(|person| roster.role_now(*person).is_some_and(|role| ROLES.contains(&role))))
    }
}

fn mac_of(keys: &Keys, device: DeviceId) -> Hmac<Sha256> {
    let mut mac = Hmac::<Sha256>::new(&keys.for_calendars().into());
    mac.update(b"due");
    mac.update(device.as_bytes());
    mac
}
