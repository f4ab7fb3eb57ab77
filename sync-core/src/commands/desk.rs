//! The desk: how a person of the office writes at the shop itself, through its pages. A desk is a device of that person's
//! like any other, on the roster and revocable, whose keys the shop keeps: so what is decided at it is signed in that
//! person's name, judged by the same rights, and receipted.
//!
//! Who sits at it is for the server to find out. What proves it (the hash of a passphrase) is kept here as the server
//! gave it, and never looked into.

use jiff::civil::Date;
use shared::bytes::Bytes32;
use shared::engine_card::EngineCard;
use shared::ids::{DeviceId, DocId, PersonId, PropertyId, RecordId};
use shared::problem::Code as ProblemCode;
use shared::record::{Decision, MachineCard, PropertyCard, ShopCard};
use shared::role::Role;
use shared::slot::Slot;
use shared::wire::EnrolRequest;

use crate::book::enrol::{EnrolError, code_hash};
use crate::book::keystore;
use crate::commands::{ActionContext, Advisor, Author, Settings};
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

/// One thing done at a desk: all of it is kept, or nothing.
#[derive(Debug, Clone)]
#[expect(missing_docs, reason = "each stands for the function of Book of the same name, and its fields for that one's parameters")]
pub enum DeskStep {
    Rule { doc: DocId, slot: Slot, weighed: Option<Bytes32>, decision: Decision, reason: String },
    AddPerson { name: String, role: Role },
    SetRole { person: PersonId, role: Option<Role> },
    Revoke { device: DeviceId, reason: String },
    Assign { person: PersonId, property: PropertyId, active: bool },
    ChangeSettings(Settings),
    AddProperty(PropertyCard),
    RestateProperty { property: PropertyId, card: PropertyCard },
    AddMachine(MachineCard),
    RestateMachine { machine: DocId, card: MachineCard },
    KeepCards(Vec<EngineCard>),
    ClearFinding { finding: RecordId, how: String },
    Void { target: RecordId, reason: String },
    Note { doc: DocId, text: String },
    FinishVisit { machine: DocId, visit: RecordId, remark: String },
    CloseDay { day: Date, left_open: String },
}

/// What came of a step.
#[derive(Debug, Clone, PartialEq)]
pub enum DeskDone {
    /// A record was written.
    Record(RecordId),
    /// A person was put on the roster.
    Person(PersonId),
    /// A property was entered.
    Property(PropertyId),
    /// A machine was entered.
    Machine(DocId),
    /// The settings are these now.
    Settings(ShopCard),
    /// So many engine cards were kept.
    Cards(usize),
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
    /// Does one thing at a person's desk: signed in that person's name, and receipted.
    ///
    /// # Errors
    /// [`BookError::Denied`] where the person has no open desk or not the right; any other as the step's own, having
    /// kept nothing.
    pub fn at_desk(
        &mut self,
        person: PersonId,
        step: &DeskStep,
        now: &ClockReading,
        entropy: &mut dyn CryptoRng,
    ) -> Result<DeskDone, BookError> {
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
            let done = book.author().take_step(step, &mut ActionContext { now: *now, entropy: &mut *entropy, measured_by: None });
            book.sit_down(None);
            let done = done?;
            book.peer().receipt_since(before, row.device, now, entropy)?;
            Ok(done)
        })
    }

    fn take_step(&mut self, step: &DeskStep, hand: &mut ActionContext<'_>) -> Result<DeskDone, BookError> {
        Ok(match step.clone() {
            DeskStep::Rule { doc, slot, weighed, decision, reason } => {
                // Of the very readings that were looked at: one that came in since has not been weighed.
                let now = self.book.store.projections().standing(doc, &slot)?;
                if weighed.zip(now).is_some_and(|(looked_at, now)| crate::queries::weighed(&now) != looked_at) {
                    return Err(BookError::Moved(
                        "another reading came in since the readings were looked at, or one was undone".to_owned(),
                    ));
                }
                DeskDone::Record(self.rule(doc, &slot, decision, &reason, hand)?)
            }
            DeskStep::AddPerson { name, role } => DeskDone::Person(self.add_person(&name, role, hand)?),
            DeskStep::SetRole { person, role } => DeskDone::Record(self.set_role(person, role, hand)?),
            DeskStep::Revoke { device, reason } => DeskDone::Record(self.revoke_device(device, &reason, hand)?),
            DeskStep::Assign { person, property, active } => DeskDone::Record(self.assign(person, property, active, hand)?),
            DeskStep::ChangeSettings(change) => DeskDone::Settings(self.change_settings(change, hand)?),
            DeskStep::RestateProperty { property, card } => DeskDone::Record(self.restate_property(property, card, hand)?),
            DeskStep::AddProperty(card) => DeskDone::Property(self.add_property(card, hand)?),
            DeskStep::AddMachine(card) => DeskDone::Machine(self.add_machine(card, hand)?),
            DeskStep::RestateMachine { machine, card } => DeskDone::Record(self.restate_machine(machine, card, hand)?),
            DeskStep::KeepCards(cards) => {
                let count = cards.len();
                for card in cards {
                    self.keep_engine_card(card, hand)?;
                }
                DeskDone::Cards(count)
            }
            DeskStep::ClearFinding { finding, how } => DeskDone::Record(self.clear_finding(finding, &how, hand)?),
            DeskStep::Void { target, reason } => DeskDone::Record(self.void(target, &reason, hand)?),
            DeskStep::Note { doc, text } => DeskDone::Record(self.add_note(doc, &text, hand)?),
            DeskStep::FinishVisit { machine, visit, remark } => {
                DeskDone::Record(self.finish_visit(machine, Some(visit), &remark, hand)?.record)
            }
            DeskStep::CloseDay { day, left_open } => DeskDone::Record(self.close_day(day, &left_open, hand)?),
        })
    }
}
