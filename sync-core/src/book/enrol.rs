//! Enrolment: the office issues a one-time code, the device makes its keys and presents it, the shop puts it on the roster.

use std::sync::Arc;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use shared::bytes::{Bytes16, Bytes32};
use shared::ids::{DeviceId, PersonId};
use shared::problem::Code as ProblemCode;
use shared::record::{Device, Person, RoleGrant, ShopCard};
use shared::role::Role;
use shared::wire::{CodeIssued, EnrolAnswer, EnrolRequest};

use crate::book::keystore::{self, PENDING};
use crate::book::{Book, Draft, photo};
use crate::crypto::keys::Keys;
use crate::engine::BookError;
use crate::judge::permissions::DocKind;
use crate::judge::roster::{Roster, ShopRoot};
use crate::store::{Code, EPOCH, IDENTITY, Identity, Store};
use crate::sys::clock::ClockReading;
use crate::sys::rng::{CryptoRng, fresh_device, fresh_person, fresh_shop, random};

/// A code holds for a day.
pub const CODE_LIFE_MS: i64 = 24 * 3_600_000;
/// Letters of a code: no I, L, O or U, which are misread or misheard. Two groups of five, 50 bits.
const LETTERS: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";

/// Keys made for an enrolment whose answer has not come yet.
#[derive(Serialize, Deserialize)]
pub(crate) struct PendingEnrolment {
    pub(crate) device: DeviceId,
    pub(crate) record_key: Bytes32,
    /// Not here where they are sealed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) keys: Option<Keys>,
}

/// A new shop.
#[derive(Debug, Clone)]
pub struct Founding {
    /// The shop's name, zone and settings.
    pub shop: ShopCard,
    /// The first office person.
    pub office_name: String,
    /// The issuer that log-ins will name as their audience.
    pub issuer: String,
}

/// Why an enrolment or code is refused.
#[derive(Debug)]
pub enum EnrolError {
    /// A code in the sense of the wire, with a sentence.
    Refused(ProblemCode, String),
    /// The book.
    Book(BookError),
}

impl<E: Into<BookError>> From<E> for EnrolError {
    fn from(error: E) -> Self {
        Self::Book(error.into())
    }
}

/// A fresh code, as it is read out.
fn fresh_code(entropy: &mut dyn CryptoRng) -> String {
    let letters: Vec<char> = random::<10>(entropy).iter().map(|byte| char::from(LETTERS[usize::from(byte & 31)])).collect();
    let (first, second) = letters.split_at(5);
    format!("{}-{}", first.iter().collect::<String>(), second.iter().collect::<String>())
}

/// The hash under which a code is kept. Case, spaces and dashes do not count; O is 0, I and L are 1.
fn keep_code(store: &Store, code: &str, person: PersonId, issued_by: PersonId, now: &ClockReading) -> Result<i64, BookError> {
    let until_ms = now.wall_ms.saturating_add(CODE_LIFE_MS);
    store.logins().keep_code(&Code { hash: code_hash(code), person, issued_by, until_ms })?;
    Ok(until_ms)
}

pub(crate) fn code_hash(code: &str) -> [u8; 32] {
    let plain: String = code
        .chars()
        .filter(char::is_ascii_alphanumeric)
        .map(|c| match c.to_ascii_uppercase() {
            'O' => '0',
            'I' | 'L' => '1',
            other => other,
        })
        .collect();
    Sha256::digest(plain.as_bytes()).into()
}

impl Book {
    /// A device's request to enrol. Made again before the answer came, it has the same keys.
    ///
    /// # Errors
    /// [`BookError::Enrolled`] where the book belongs to a shop already.
    pub fn enrol_request(
        &self,
        code: &str,
        device_name: &str,
        now: &ClockReading,
        entropy: &mut dyn CryptoRng,
    ) -> Result<EnrolRequest, BookError> {
        if self.identity.is_some() {
            return Err(BookError::Enrolled);
        }
        let (device, keys) = match self.store.meta(&PENDING)? {
            Some(pending) => (pending.device, keystore::keys_of(&self.store, pending.device, pending.keys)?.ok_or(BookError::Sealed)?),
            None => {
                let (device, keys) = (fresh_device(now, entropy), Keys::fresh(entropy));
                self.store.atomically(|store| {
                    let record_key = keys.public().0;
                    let pending =
                        PendingEnrolment { device, record_key, keys: keystore::keep(store, device, Some(keys.clone()), entropy)? };
                    Ok::<(), BookError>(store.set_meta(&PENDING, &pending)?)
                })?;
                (device, keys)
            }
        };
        let (record_key, login_key) = keys.public();
        Ok(EnrolRequest { code: code.trim().to_owned(), device, device_name: device_name.to_owned(), record_key, login_key })
    }

    /// Takes the shop's answer: from now on this book is a device of that shop.
    ///
    /// # Errors
    /// [`BookError::Enrolled`], [`BookError::Message`] where nothing was asked, or the store.
    pub fn enrolled(&mut self, answer: &EnrolAnswer, server: &str) -> Result<(), BookError> {
        if self.identity.is_some() {
            return Err(BookError::Enrolled);
        }
        let pending: PendingEnrolment =
            self.store.meta(&PENDING)?.ok_or_else(|| BookError::Message("this device has asked for no enrolment".to_owned()))?;
        let root = ShopRoot { shop: answer.shop, device: answer.shop_device, key: answer.shop_key };
        let identity = Identity {
            device: pending.device,
            person: answer.person,
            root,
            issuer: answer.issuer.clone(),
            server: server.trim_end_matches('/').to_owned(),
            record_key: pending.record_key,
            keys: pending.keys,
        };
        self.store.atomically(|store| {
            photo::begin(store)?;
            // Sealed keys stay where they are: their row has the device's name.
            store.set_meta(&IDENTITY, &identity)?;
            store.clear_meta(&PENDING)?;
            store.documents().found_document(root.shop.roster(), DocKind::Roster)?;
            store.documents().found_document(root.shop.engines(), DocKind::Engines)?;
            store.documents().found_document(root.shop.days(), DocKind::Days)?;
            Ok::<(), BookError>(())
        })?;
        self.identity = keystore::identity_of(&self.store)?;
        self.own_store();
        self.reload_roster()
    }

    /// Founds a shop in an empty book, and gives the first office person's one-time code.
    ///
    /// # Errors
    /// [`BookError::Enrolled`], or the store.
    pub fn found_shop(&mut self, founding: &Founding, now: &ClockReading, entropy: &mut dyn CryptoRng) -> Result<String, BookError> {
        if self.identity.is_some() {
            return Err(BookError::Enrolled);
        }
        let keys = Keys::fresh(entropy);
        let root = ShopRoot { shop: fresh_shop(now, entropy), device: fresh_device(now, entropy), key: keys.public().0 };
        let identity = Identity {
            device: root.device,
            person: PersonId::shop(root.shop),
            root,
            issuer: founding.issuer.clone(),
            server: String::new(),
            record_key: root.key,
            keys: Some(keys),
        };
        let office = fresh_person(now, entropy);
        let epoch = Bytes16(random(entropy));
        let roster_doc = root.shop.roster();
        // One transaction: a shop that was cut off while it was founded is not there, and is founded anew.
        self.as_one(|book| {
            book.store.set_incarnation(book.actor());
            let keys = keystore::keep(&book.store, identity.device, identity.keys.clone(), entropy)?;
            book.store.set_meta(&IDENTITY, &Identity { keys, ..identity.clone() })?;
            book.store.set_meta(&EPOCH, &epoch)?;
            book.store.documents().found_document(roster_doc, DocKind::Roster)?;
            book.store.documents().found_document(root.shop.engines(), DocKind::Engines)?;
            book.store.documents().found_document(root.shop.days(), DocKind::Days)?;
            book.identity = Some(identity);
            book.own_store();
            book.roster = Some(Arc::new(Roster::empty(root)));
            let drafts = vec![
                Draft::new(roster_doc, founding.shop.clone()),
                Draft::new(roster_doc, Person { person: office, name: founding.office_name.clone() }),
                Draft::new(roster_doc, RoleGrant { person: office, role: Some(Role::Office) }),
            ];
            book.write(drafts, now, entropy)?;
            book.store.grants().regrant(book.roster()?)?;
            let code = fresh_code(entropy);
            keep_code(&book.store, &code, office, PersonId::shop(root.shop), now)?;
            Ok(code)
        })
    }

    /// The shop issues a one-time code, asked by one of the office.
    ///
    /// # Errors
    /// [`EnrolError::Refused`] where the asker is not of the office or the person is not on the roster.
    pub fn issue_code(
        &self,
        by: PersonId,
        person: PersonId,
        now: &ClockReading,
        entropy: &mut dyn CryptoRng,
    ) -> Result<CodeIssued, EnrolError> {
        let roster = self.roster()?;
        if roster.role_now(by) != Some(Role::Office) {
            return Err(EnrolError::Refused(
                ProblemCode::RoleMayNot,
                "One-time codes are for the office to issue. No code was made.".to_owned(),
            ));
        }
        if !roster.people.contains_key(&person) {
            return Err(EnrolError::Refused(
                ProblemCode::NotFound,
                "No such person is on the roster at the shop. Add the person, exchange, and ask again.".to_owned(),
            ));
        }
        let code = fresh_code(entropy);
        let until_ms = keep_code(&self.store, &code, person, by, now)?;
        Ok(CodeIssued { code, person, until_ms })
    }

    /// The shop takes a device that presents a code. The same device with the same code gets the same answer again.
    ///
    /// # Errors
    /// [`EnrolError::Refused`] where the code does not hold or the keys cannot be.
    pub fn admit_device(
        &mut self,
        request: &EnrolRequest,
        now: &ClockReading,
        entropy: &mut dyn CryptoRng,
    ) -> Result<EnrolAnswer, EnrolError> {
        let refuse = |why: &str| {
            EnrolError::Refused(ProblemCode::CodeInvalid, format!("{why} Nothing was enrolled. Ask the office for a new code."))
        };
        let hash = code_hash(&request.code);
        let state = self.store.logins().code(hash)?.ok_or_else(|| refuse("The code is not one of this shop's."))?;
        match &state.used {
            Some(used) => {
                let same = used.device == request.device && used.record_key == request.record_key && used.login_key == request.login_key;
                if !same {
                    return Err(refuse("The code has been used."));
                }
            }
            None if now.wall_ms > state.code.until_ms => return Err(refuse("The code has expired.")),
            None if self.roster()?.gives_ids_of(request.device) => {
                let taken = "A device on the roster would give the same ids as this one. Nothing was enrolled.";
                return Err(EnrolError::Refused(ProblemCode::IdTaken, taken.to_owned()));
            }
            None => {}
        }
        let card = Device {
            device: request.device,
            person: state.code.person,
            name: request.device_name.clone(),
            record_key: valid_key(&request.record_key)?,
            login_key: valid_key(&request.login_key)?,
            issued_by: state.code.issued_by,
        };
        if state.used.is_none() {
            let roster_doc = self.identity()?.root.shop.roster();
            self.as_one(|book| {
                book.store.logins().use_code(hash, request)?;
                book.write(vec![Draft::new(roster_doc, card)], now, entropy)
            })?;
        }
        let identity = self.identity()?;
        let roster = self.roster()?;
        Ok(EnrolAnswer {
            shop: identity.root.shop,
            shop_name: roster.settings.name.clone(),
            issuer: identity.issuer.clone(),
            shop_device: identity.root.device,
            shop_key: identity.root.key,
            person: state.code.person,
            person_name: roster.name(state.code.person),
            role: roster.role_now(state.code.person),
            shop_time_ms: now.wall_ms,
        })
    }
}

fn valid_key(key: &Bytes32) -> Result<Bytes32, EnrolError> {
    match ed25519_dalek::VerifyingKey::from_bytes(&key.0) {
        Ok(point) if !point.is_weak() => Ok(*key),
        _ => Err(EnrolError::Refused(ProblemCode::BodyInvalid, "A key is not an Ed25519 public key. Nothing was enrolled.".to_owned())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_read_as_people_say_them() {
        assert_eq!(code_hash("ABC0E-1FGHJ"), code_hash(" abcoe lfghj "));
        assert_ne!(code_hash("ABC0E-1FGHJ"), code_hash("ABC0E-1FGHK"));
        let mut n = 0u8;
        let code = fresh_code(&mut |buffer: &mut [u8]| {
            for byte in buffer {
                n = n.wrapping_add(37);
                *byte = n;
            }
        });
        assert_eq!(code.len(), 11);
        assert_eq!(code.chars().nth(5), Some('-'));
    }
}
