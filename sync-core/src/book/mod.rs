//! The book: the public face of the engine. Opens the store, knows whose book it is, writes records.
//!
//! A step that returns is kept: it survives a power cut. A step that fails has kept nothing.

// Beginning: keys, enrolment, log-ins.
pub mod calendar_token;
mod device_clock;
pub mod enrol;
pub mod keystore;
pub mod login;

// The file: backups, pictures, verification beside other work.
pub mod backup;
pub mod photo;
pub mod pictures;
pub(crate) mod shop_clock;
pub mod together;

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;

use shared::bytes::Bytes16;
use shared::ids::{DocId, PersonId, RecordId};
use shared::record::{Body, MOST_SEEN, Record};
use shared::role::Role;
use shared::slot::Slot;

use crate::change::replica::MOST_RECORDS;
use crate::crypto::envelope;
use crate::crypto::storage_key::{Access, KeysAtRest};
use crate::engine::append::{append_signed, follow_roster};
use crate::engine::{self, BookError, Verification, projection, validate};
use crate::judge::ledger::Entry;
use crate::judge::permissions::{self, DocKind};
use crate::judge::roster::Roster;
use crate::store::{Identity, Owner, Store, StoreError};
use crate::sys::clock::ClockReading;
use crate::sys::rng::{CryptoRng, fresh_record, random};

/// Something to be stated.
#[derive(Debug, Clone)]
pub struct Draft {
    /// The document that it belongs to.
    pub doc: DocId,
    /// What is stated.
    pub body: Body,
    /// Who measured, where the office writes a paper sheet down.
    pub measured_by: Option<PersonId>,
}

impl Draft {
    /// A statement of one's own.
    pub fn new(doc: DocId, body: impl Into<Body>) -> Self {
        Self { doc, body: body.into(), measured_by: None }
    }
}

/// An open book.
#[derive(Debug)]
pub struct Book {
    pub(crate) store: Store,
    pub(crate) identity: Option<Identity>,
    pub(crate) roster: Option<Arc<Roster>>,
    /// Who writes instead of the book's owner: a person at a desk of the shop's.
    desk: Option<Identity>,
    /// The clocks when a shop last kept a step: whether its clock was set since.
    pub(crate) last_kept: Option<ClockReading>,
    /// Automerge actor of this opening: fresh each time, so that a copied or restored file never forks one.
    actor: Bytes16,
}

impl Book {
    /// Opens the book at a path, making an empty one where there is none.
    ///
    /// # Errors
    /// [`BookError::Store`] where the file is no book, is in use, or cannot be written.
    pub fn open(path: &Path, entropy: &mut dyn CryptoRng) -> Result<Self, BookError> {
        Self::over(Store::open(path)?, entropy)
    }

    /// Opens a book to look only, as a copy of one on a disk that cannot be written: nothing is kept in it.
    ///
    /// # Errors
    /// As [`Book::open`].
    pub fn open_to_look(path: &Path, entropy: &mut dyn CryptoRng) -> Result<Self, BookError> {
        Self::over(Store::open_to_look(path)?, entropy)
    }

    /// A book over a store that is open already.
    ///
    /// # Errors
    /// [`BookError::Sealed`]; [`BookError::Store`].
    pub fn over(store: Store, entropy: &mut dyn CryptoRng) -> Result<Self, BookError> {
        Self::over_with(store, Access::InTheClear, entropy)
    }

    /// As [`Book::over`], with the access to private keys that is handed in. Keys that lie in the clear are sealed first where that
    /// is a storage key.
    ///
    /// # Errors
    /// [`BookError::Sealed`] or [`BookError::KeyWrong`], having changed nothing; [`BookError::Store`].
    pub fn over_with(mut store: Store, access: Access, entropy: &mut dyn CryptoRng) -> Result<Self, BookError> {
        keystore::unlock(&mut store, access, entropy)?;
        let identity = keystore::identity_of(&store)?;
        let mut book = Self { store, identity, roster: None, desk: None, last_kept: None, actor: Bytes16(random(entropy)) };
        book.own_store();
        if book.identity.as_ref().is_some_and(Identity::is_shop) {
            book.store.set_incarnation(book.actor);
        }
        book.reload_roster()?;
        if let Some(roster) = &book.roster {
            projection::renew(&book.store, roster)?;
        }
        Ok(book)
    }

    /// Tells the store whose book it is.
    pub(crate) fn own_store(&self) {
        if let Some(identity) = &self.identity {
            self.store.set_owner(Owner { device: identity.device, shop: identity.root.device });
        }
    }

    pub(crate) fn reload_roster(&mut self) -> Result<(), BookError> {
        self.roster = match &self.identity {
            Some(identity) => Some(Arc::new(Roster::build(identity.root, &*self.store.records().ledger_of(identity.root.shop.roster())?))),
            None => None,
        };
        Ok(())
    }

    /// Begins another life of the actor: after healing, nothing is appended under one that was refused.
    pub(crate) fn renew_actor(&mut self, entropy: &mut dyn CryptoRng) {
        self.actor = Bytes16(random(entropy));
    }

    /// Whose book it is.
    ///
    /// # Errors
    /// [`BookError::NotEnrolled`].
    pub fn identity(&self) -> Result<&Identity, BookError> {
        self.identity.as_ref().ok_or(BookError::NotEnrolled)
    }

    /// Who writes: the book's owner, or whoever sits at a desk of the shop's.
    pub(crate) fn writer(&self) -> Result<&Identity, BookError> {
        self.desk.as_ref().map_or_else(|| self.identity(), Ok)
    }

    /// Somebody sits down at a desk, or leaves it.
    pub(crate) fn sit_down(&mut self, who: Option<Identity>) {
        self.desk = who;
    }

    /// The roster as this book knows it.
    ///
    /// # Errors
    /// [`BookError::NotEnrolled`].
    pub fn roster(&self) -> Result<&Roster, BookError> {
        self.roster.as_deref().ok_or(BookError::NotEnrolled)
    }

    /// The same, for a step that may change it.
    pub(crate) fn roster_of_now(&self) -> Result<Arc<Roster>, BookError> {
        self.roster.clone().ok_or(BookError::NotEnrolled)
    }

    /// The role now of the person who writes in this book.
    #[must_use]
    pub fn my_role(&self) -> Option<Role> {
        self.roster.as_ref()?.role_now(self.writer().ok()?.person)
    }

    /// Whether a person may read a document; not where there is none.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub(crate) fn is_open_to(&self, person: PersonId, doc: DocId) -> Result<bool, BookError> {
        match self.store.documents().document(doc)? {
            Some(document) if self.roster()?.role_now(person).is_some() => Ok(self.store.grants().may_read(person, &document)?),
            _ => Ok(false),
        }
    }

    /// How this device's private keys are kept.
    #[must_use]
    pub const fn keys_at_rest(&self) -> KeysAtRest {
        self.store.access().at_rest()
    }

    /// The store, for reading.
    #[must_use]
    pub const fn store(&self) -> &Store {
        &self.store
    }

    /// Writes records in one transaction: all of them are kept, or none.
    ///
    /// # Errors
    /// [`BookError`], having kept nothing: not enrolled, not this role's to write, content that cannot be, or the store.
    pub fn write(&mut self, drafts: Vec<Draft>, now: &ClockReading, entropy: &mut dyn CryptoRng) -> Result<Vec<RecordId>, BookError> {
        let evidence = self.clock_evidence(now)?;
        let identity = self.writer()?.clone();
        let at_shop = self.identity()?.is_shop();
        let roster = self.roster_of_now()?;
        let (mut written, mut ids) = (Vec::with_capacity(drafts.len()), BTreeSet::new());
        let mut of_docs: BTreeMap<DocId, Vec<Record>> = BTreeMap::new();
        let mut order: Vec<DocId> = Vec::new();
        for draft in drafts {
            // All in one millisecond: two of some thousand may be drawn alike.
            let mut id = fresh_record(now, identity.device, entropy);
            while !ids.insert(id) {
                id = fresh_record(now, identity.device, entropy);
            }
            written.push(id);
            let record = Record {
                id,
                doc: draft.doc,
                by: identity.person,
                measured_by: draft.measured_by,
                at_ms: now.wall_ms,
                clock: evidence,
                seen: Vec::new(),
                body: draft.body,
            };
            if !order.contains(&draft.doc) {
                order.push(draft.doc);
            }
            of_docs.entry(draft.doc).or_default().push(record);
        }
        let actor = self.actor;
        let followed = self.store.in_small_step(|store| {
            let writing = Writing { store, identity: &identity, roster: &roster, actor, at_shop, now };
            for doc in &order {
                let records = of_docs.remove(doc).unwrap_or_default();
                photo::written(store, &records)?;
                for batch in records.chunks(MOST_RECORDS) {
                    writing.batch(*doc, batch.to_vec())?;
                    // The next batch must see what this one has replaced. A moved roster derives its own rows below.
                    if let Some(document) = store
                        .documents()
                        .document(*doc)?
                        .filter(|document| document.place != DocKind::Roster || records.len() > MOST_RECORDS)
                    {
                        projection::derive(store, &document, &roster)?;
                    }
                }
            }
            follow_roster(store, &roster, order.contains(&identity.root.shop.roster()))
        })?;
        self.roster = followed.or(Some(roster));
        Ok(written)
    }

    /// The actor of this opening.
    #[must_use]
    pub(crate) const fn actor(&self) -> Bytes16 {
        self.actor
    }

    /// Verifies the book against a rebuild of itself.
    ///
    /// # Errors
    /// [`BookError`] where it cannot even be read.
    pub fn verify(&self) -> Result<Verification, BookError> {
        Ok(engine::verify(&self.store, self.roster()?, self.identity()?)?)
    }
}

/// One step of writing.
struct Writing<'a> {
    store: &'a Store,
    identity: &'a Identity,
    roster: &'a Roster,
    actor: Bytes16,
    at_shop: bool,
    now: &'a ClockReading,
}

impl Writing<'_> {
    /// Checks rights, names what was seen, signs, and appends: one document's share of a step.
    fn batch(&self, doc: DocId, records: Vec<Record>) -> Result<(), BookError> {
        let Self { store, identity, roster, .. } = *self;
        let role = roster.role_now(identity.person);
        let mut last_in_slot: BTreeMap<Slot, RecordId> = BTreeMap::new();
        let mut signed = Vec::with_capacity(records.len());
        let mut place = store.documents().place(doc)?;
        for mut record in records {
            place = place.or(DocKind::founded_by(&record.body));
            if !place.is_some_and(|place| place.takes(record.body.kind())) {
                let kind = record.body.kind();
                return Err(BookError::Unknown(format!("a {kind} does not belong in a document that this book does not know")));
            }
            if !identity.is_shop() || !matches!(record.body, Body::Arrival(_)) {
                let target = permissions::Target { place, ..validate::target(store, roster, &record)? };
                permissions::may_write(&record, role, identity.is_shop(), &target).map_err(|why| BookError::Denied(why.to_string()))?;
            }
            if let Some(slot) = Slot::of(&record) {
                record.seen = match last_in_slot.insert(slot.clone(), record.id) {
                    Some(before) => vec![before],
                    None => open_ends(store, doc, &slot)?,
                };
            }
            let bytes = envelope::sign(&record, identity.device, identity.keys()?.record(), identity.root.shop)?;
            signed.push((Entry { device: identity.device, sha256: envelope::sha256(&bytes), record }, bytes));
        }
        let place = place.ok_or_else(|| BookError::Defect("nothing to write".to_owned()))?;
        append_signed(store, self.actor, doc, place, signed, self.now.wall_ms, self.at_shop)?;
        Ok(())
    }
}

/// What a new record in a slot must name as seen, newest first where there are too many to name.
fn open_ends(store: &Store, doc: DocId, slot: &Slot) -> Result<Vec<RecordId>, StoreError> {
    let mut seen = store.projections().standing(doc, slot)?.map(|s| s.open_ends()).unwrap_or_default();
    seen.sort_unstable();
    seen.reverse();
    seen.truncate(MOST_SEEN);
    seen.reverse();
    Ok(seen)
}
