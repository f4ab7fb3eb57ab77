//! The desk: how a person of the office writes at the shop itself, through its pages. A desk is a device of that person's
//! like any other, on the roster and revocable, whose keys the shop keeps: so what is decided at it is signed in that
//! person's name, judged by the same rights, and receipted.
//!
//! Who sits at it is for the server to find out. What proves it (the hash of a passphrase) is kept here as the server
//! gave it, and never looked into.

use shared::ids::{DeviceId, PersonId};
use shared::problem::Code as ProblemCode;
use shared::role::Role;
use shared::wire::EnrolRequest;

use crate::book::enrol::{EnrolError, code_hash};
use crate::book::keystore;
use crate::commands::{ActionContext, Advisor, Author};
use crate::crypto::keys::Keys;
use crate::engine::BookError;
use crate::store::{DeskRow, Identity};
use crate::sys::clock::ClockReading;
use crate::sys::rng::{CryptoRng, fresh_device};

/// What a desk is called on the roster.
const DESK_NAME: &str = "desk at the shop";

/// A person's desk.
#[derive(Clone, PartialEq, Eq)]
pub struct Desk {
    /// Whose.
    pub person: PersonId,
    /// The person's name.
    pub name: String,
    /// The person's role now.
    pub role: Option<Role>,
    /// What proves who sits at it, as the server gave it.
    pub passphrase: String,
}

impl std::fmt::Debug for Desk {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Desk").field("person", &self.person).field("role", &self.role).finish_non_exhaustive()
    }
}

impl Author<'_> {
    /// Opens a person's desk with a one-time code, or gives one that is open another passphrase.
    ///
    /// # Errors
    /// [`EnrolError::Refused`] where the code does not hold, or is for somebody with nothing to do at a desk.
    pub fn open_desk(&mut self, code: &str, passphrase: &str, now: &ClockReading, entropy: &mut dyn CryptoRng) -> Result<Desk, EnrolError> {
        let refuse =
            |why: &str| EnrolError::Refused(ProblemCode::CodeInvalid, format!("{why} Nothing was changed. Ask the office for a new code."));
        let hash = code_hash(code);
        let state = self.book.store.logins().code(hash)?.ok_or_else(|| refuse("The code is not one of this shop's."))?;
        if state.used.is_some() {
            return Err(refuse("The code has been used."));
        }
        if now.wall_ms > state.code.until_ms {
            return Err(refuse("The code has expired."));
        }
        let person = state.code.person;
        if !self.book.roster()?.sees_all(person) {
            let why = "A desk is for the office and for leads, and the code is for somebody else. Nothing was changed; the code still enrols a phone.";
            return Err(EnrolError::Refused(ProblemCode::RoleMayNot, why.to_owned()));
        }
        let (row, is_new) = match self.book.advisor().desk_row(person)? {
            Some(row) => (DeskRow { passphrase: passphrase.to_owned(), ..row }, false),
            None => {
                let (device, keys) = (fresh_device(now, entropy), Some(Keys::fresh(entropy)));
                (DeskRow { person, device, keys, passphrase: passphrase.to_owned() }, true)
            }
        };
        let (record_key, login_key) = row.keys.as_ref().ok_or(BookError::Sealed)?.public();
        let request =
            EnrolRequest { code: code.trim().to_owned(), device: row.device, device_name: DESK_NAME.to_owned(), record_key, login_key };
        self.book.as_one(|book| {
            if is_new {
                book.admit_device(&request, now, entropy)?;
                book.store.logins().note_contact(row.device, now.wall_ms, 0)?;
            } else {
                book.store.logins().use_code(hash, &request)?;
            }
            let keys = keystore::keep(&book.store, row.device, row.keys.clone(), entropy)?;
            book.store.logins().keep_desk(&DeskRow { keys, ..row })?;
            book.advisor().desk_of(person)?.ok_or_else(|| BookError::Defect("a desk that was just opened is not there".to_owned()).into())
        })
    }
}

impl Advisor<'_> {
    /// The open desk of the person with a name, however it is capitalised.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn desk(&self, name: &str) -> Result<Option<Desk>, BookError> {
        let wanted = name.trim().to_lowercase();
        let roster = self.book.roster()?;
        let named = roster.people.iter().find(|(_, other)| other.trim().to_lowercase() == wanted).map(|(person, _)| *person);
        named.map_or(Ok(None), |person| self.desk_of(person))
    }

    /// A person's open desk.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn desk_of(&self, person: PersonId) -> Result<Option<Desk>, BookError> {
        let roster = self.book.roster()?;
        let row = self.desk_row(person)?;
        Ok(row.map(|row| Desk { person, name: roster.name(person), role: roster.role_now(person), passphrase: row.passphrase }))
    }

    /// A person's desk, unless its device was revoked.
    fn desk_row(&self, person: PersonId) -> Result<Option<DeskRow>, BookError> {
        let roster = self.book.roster()?;
        let open = |device: DeviceId| roster.devices.get(&device).is_some_and(|d| d.revoked_ms.is_none());
        let Some(row) = self.book.store.logins().desk_row(person)?.filter(|row| open(row.device)) else { return Ok(None) };
        Ok(Some(DeskRow { keys: keystore::keys_of(&self.book.store, row.device, row.keys)?, ..row }))
    }
}

impl Author<'_> {
    /// Does one thing at a person's desk: signed in that person's name, and receipted. All of it is kept, or nothing.
    ///
    /// # Errors
    /// [`BookError::Denied`] where the person has no open desk or not the right; any other as the step's own.
    pub fn at_desk<T>(
        &mut self,
        person: PersonId,
        now: &ClockReading,
        entropy: &mut dyn CryptoRng,
        step: impl FnOnce(&mut Author<'_>, &mut ActionContext<'_>) -> Result<T, BookError>,
    ) -> Result<T, BookError> {
        let row = self
            .book
            .advisor()
            .desk_row(person)?
            .ok_or_else(|| BookError::Denied("this person has no open desk at the shop".to_owned()))?;
        let shop = self.book.identity()?;
        let record_key = row.keys.as_ref().ok_or(BookError::Sealed)?.public().0;
        let (root, issuer, server) = (shop.root, shop.issuer.clone(), String::new());
        let identity = Identity { device: row.device, person, root, issuer, server, record_key, keys: row.keys };
        self.book.as_one(|book| {
            let before = book.store.log().log_end()?;
            book.sit_down(Some(identity));
            let done = step(&mut book.author(), &mut ActionContext { now: *now, entropy: &mut *entropy, measured_by: None });
            book.sit_down(None);
            let done = done?;
            book.peer().receipt_since(before, row.device, now, entropy)?;
            Ok(done)
        })
    }
}
