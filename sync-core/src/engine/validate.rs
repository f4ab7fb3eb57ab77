//! Validation: whether a change that somebody offers becomes part of the book. One function for the shop that admits a
//! device's changes, the device that takes the shop's, and the phone that checks another phone's.
//!
//! Nothing offered reaches Automerge's decoder: the change is rebuilt from its recipe and must have the hash named.

use std::cell::Cell;

use shared::bytes::Bytes32;
use shared::ids::{DeviceId, DocId, PersonId, RecordId};
use shared::problem::Code;
use shared::record::{Body, Record};
use shared::wire::Refusal;

use crate::change::replica;
use crate::crypto::envelope::{self, EnvelopeError, Opened};
use crate::engine::BookError;
use crate::engine::incoming::{IncomingChange, IncomingRecord, Vouched};
use crate::judge::corrected_time::{Receipt, correct};
use crate::judge::ledger::Entry;
use crate::judge::permissions::{self, DocKind, Site, Target, Voided};
use crate::judge::roster::Roster;
use crate::store::frontier::Frontier;
use crate::store::{Checked, Quarantined, Store, StoreError};

/// What the validator goes by, beside the store.
#[derive(Debug)]
pub struct Validator<'a> {
    /// The roster.
    pub roster: &'a Roster,
    /// Records for which the shop's signed receipt is in the same batch: rights were judged when they arrived.
    pub vouched: &'a Vouched,
    /// The contact over which the change comes, as its receipt would say.
    pub contact: Receipt,
    /// The device at the other end of that contact, or this one where the shop is at the other end.
    pub brought_by: DeviceId,
    /// This is the shop's own validator: it alone knows who may read what.
    pub of_shop: bool,
    /// Set where the clock evidence of a record contradicts what was measured of its device over this contact.
    pub clock_doubted: Cell<bool>,
}

/// What the validator says of one change.
#[derive(Debug, Clone, PartialEq)]
pub enum Verdict {
    /// It fits: these are its records, verified.
    Fits(Vec<Checked>),
    /// It is held already.
    Held,
    /// It builds on changes that have not arrived.
    Later(Vec<Bytes32>),
    /// It is not taken.
    Refused(Refusal),
}

/// Why a record by itself is not taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecordRefusal {
    /// Which, where it could be read.
    pub record: Option<RecordId>,
    /// Why.
    pub code: Code,
    /// Why, in a sentence.
    pub detail: String,
}

/// A refusal in the making.
#[derive(Debug)]
pub(crate) struct No(pub(crate) Code, pub(crate) String);

impl Validator<'_> {
    /// Judges one change for a document whose frontier is given.
    ///
    /// # Errors
    /// [`StoreError`] where the store itself fails; a bad change is a verdict, not an error.
    pub fn judge(&self, store: &Store, frontier: &Frontier, site: Option<Site>, brought: &IncomingChange) -> Result<Verdict, StoreError> {
        let recipe = &brought.recipe;
        if frontier.holds(store, recipe)? {
            return Ok(Verdict::Held);
        }
        let refuse = |record: Option<RecordId>, no: No| Verdict::Refused(Refusal { change: recipe.hash, record, code: no.0, detail: no.1 });
        // Looked at first: what it builds on is looked up one by one.
        if recipe.deps.len() > replica::MOST_DEPS || recipe.records.len() > replica::MOST_RECORDS {
            let why = "The change builds on more, or inserts more, than any honest device would write.";
            return Ok(refuse(None, No(Code::ChangeInvalid, why.to_owned())));
        }
        let missing = frontier.missing(store, &recipe.deps)?;
        if !missing.is_empty() {
            return Ok(Verdict::Later(missing));
        }
        if let Err(no) = facts(store, frontier, brought)? {
            return Ok(refuse(None, no));
        }
        let doc = frontier.doc;
        let mut site = site;
        let mut checked: Vec<Checked> = Vec::with_capacity(recipe.records.len());
        for (record, bytes) in brought.records.iter().zip(&recipe.records) {
            let opened = match &record.opened {
                Ok(opened) => opened,
                Err(error) => return Ok(refuse(None, No(Code::Unreadable, format!("{error}.")))),
            };
            let id = opened.record.id;
            let found = site.or_else(|| self.founded(opened));
            if checked.iter().any(|c| c.entry.record.id == id) {
                return Ok(refuse(Some(id), No(Code::IdTaken, "The change inserts one record twice.".to_owned())));
            }
            match self.record(store, doc, found, opened, record, &bytes.0)? {
                Ok(held) => checked.push(Checked { entry: entry_of(opened), held }),
                Err(no) => return Ok(refuse(Some(id), no)),
            }
            site = found;
        }
        Ok(Verdict::Fits(checked))
    }

    /// Judges a record by itself, where the change that it came in cannot be taken: the record, or why not.
    ///
    /// # Errors
    /// [`StoreError`] where the store itself fails.
    pub fn judge_record(
        &self,
        store: &Store,
        doc: DocId,
        record: &IncomingRecord,
        bytes: &[u8],
    ) -> Result<Result<Checked, RecordRefusal>, StoreError> {
        let opened = match &record.opened {
            Ok(opened) => opened,
            Err(error) => return Ok(Err(RecordRefusal { record: None, code: Code::Unreadable, detail: format!("{error}.") })),
        };
        let site = store.documents().site(doc)?.or_else(|| self.founded(opened));
        Ok(match self.record(store, doc, site, opened, record, bytes)? {
            Ok(held) => Ok(Checked { entry: entry_of(opened), held }),
            Err(No(code, detail)) => Err(RecordRefusal { record: Some(opened.record.id), code, detail }),
        })
    }

    /// The document that a first record founds, under an id that its own device made. The shop's own documents, and a property that
    /// somebody looks after already, are nobody's to found under another kind.
    fn founded(&self, opened: &Opened) -> Option<Site> {
        let doc = opened.record.doc;
        let founded = Site::founded_by(&opened.record)?;
        let reserved = DocKind::reserved(self.roster.root.shop, doc).is_some();
        let of_property = || self.roster.assignments.iter().any(|(_, property)| property.doc() == doc);
        let free = !reserved && opened.device.made(doc.0) && (founded.place == DocKind::Property || !of_property());
        free.then_some(founded)
    }

    /// One record; on success, whether it is held already.
    fn record(
        &self,
        store: &Store,
        doc: DocId,
        site: Option<Site>,
        opened: &Opened,
        brought: &IncomingRecord,
        bytes: &[u8],
    ) -> Result<Result<bool, No>, StoreError> {
        let site = match whole(doc, site, opened, brought.signature.as_ref()) {
            Ok(site) => site,
            Err(no) => return Ok(Err(no)),
        };
        let record = &opened.record;
        let kind = record.body.kind();
        if store.records().holds_record(record.id)? {
            if !store.records().holds_bytes(record.id, bytes)? {
                return Ok(Err(No(Code::IdTaken, "Another record has this id; records are never overwritten.".to_owned())));
            }
            // In the book already: its rights were judged when it came, and another change that carries it changes nothing.
            return Ok(Ok(true));
        }
        if store.quarantine().is_kept_out(bytes)? {
            return Ok(Err(No(Code::KeptOut, format!("The office decided to keep this {kind} out."))));
        }
        // A device that hears a refusal of the shop does not take the record from others again, to be refused for ever.
        if !self.of_shop
            && !self.vouched.covers(opened)
            && let Some(code) = store.quarantine().refused_by_shop(bytes)?
        {
            return Ok(Err(No(code, format!("The shop has refused this {kind}, and the office decides. {}.", code.title()))));
        }
        let by_shop = opened.device == self.roster.root.device;
        if !by_shop && !self.vouched.covers(opened) {
            if self.roster.devices.get(&opened.device).is_some_and(|d| d.revoked_ms.is_some()) {
                return Ok(Err(No(Code::DeviceRevoked, "The device is revoked; what it still had waits for the office.".to_owned())));
            }
            let corrected = correct(record, Some(&self.contact.of_record(opened.device, self.brought_by)), None);
            if corrected.in_doubt && opened.device == self.brought_by {
                self.clock_doubted.set(true);
            }
            let at = corrected.ms;
            if self.roster.role_now(record.by).is_none() {
                let why = "Its author has no role in this shop any more; what was still to come waits for the office.";
                return Ok(Err(No(Code::RoleMayNot, why.to_owned())));
            }
            let target = Target { place: Some(site.place), ..target(store, self.roster, record)? };
            if let Err(why) = permissions::may_write_at(record, self.roster, at, Some(self.contact.at_ms), &target) {
                return Ok(Err(No(Code::RoleMayNot, format!("Not taken: {why}."))));
            }
            if self.of_shop && !self.roster.may_write_in(record, &site, at) {
                let why = "Its author may not read this document; what is written there waits for the office.";
                return Ok(Err(No(Code::DocumentClosed, why.to_owned())));
            }
        }
        if by_shop && let Err(why) = permissions::may_write(record, None, true, &Target::default()) {
            return Ok(Err(No(Code::RoleMayNot, format!("Not taken: {why}."))));
        }
        Ok(Ok(false))
    }
}

/// Whether a record is what it says: its document, its content, its signature, its author and its id. Where it is not, nobody can let it
/// in. The document that it belongs to.
pub(crate) fn whole(
    doc: DocId,
    site: Option<Site>,
    opened: &Opened,
    signature: Option<&(PersonId, Result<(), EnvelopeError>)>,
) -> Result<Site, No> {
    let record = &opened.record;
    let kind = record.body.kind();
    if record.doc != doc {
        return Err(No(Code::WrongDocument, format!("The {kind} names another document than the one it came in.")));
    }
    if let Err(error) = record.check() {
        return Err(No(Code::BodyInvalid, format!("The {kind} is not taken: {error}.")));
    }
    let Some(site) = site.filter(|site| site.place.takes(kind)) else {
        let why = if site.is_none() && DocKind::founded_by(&record.body).is_some() {
            "The document's id is not this device's to give"
        } else {
            "It does not belong in this document"
        };
        return Err(No(Code::WrongPlace, format!("The {kind} is not taken. {why}.")));
    };
    let Some((person, signature)) = signature else {
        return Err(No(Code::DeviceUnknown, "The device that signed it is not on the roster.".to_owned()));
    };
    match signature {
        Ok(()) => {}
        Err(EnvelopeError::Key) => return Err(No(Code::SignatureInvalid, "The device's key on the roster is no key.".to_owned())),
        Err(_) => return Err(No(Code::SignatureInvalid, "The signature does not hold for this device and this shop.".to_owned())),
    }
    if record.by != *person {
        return Err(No(Code::NotTheAuthor, format!("The {kind} is written in the name of another person than the device's own.")));
    }
    // Otherwise anybody who knows the id of a record on its way could take its place.
    if !opened.device.made(record.id.0) {
        return Err(No(Code::NotTheAuthor, format!("The {kind} has an id that another device gives.")));
    }
    Ok(site)
}

/// Whether the office can let a record in from quarantine at all, whatever it decides: what it says, and the document that it belongs to.
///
/// # Errors
/// [`BookError::Denied`] where it can never come in, with the reason.
pub(crate) fn may_be_let_in(store: &Store, roster: &Roster, waiting: &Quarantined) -> Result<(Opened, Site), BookError> {
    let opened = envelope::decode_unverified(&waiting.bytes)
        .map_err(|_| BookError::Denied("the record cannot be read, and so never comes in".to_owned()))?;
    let signature = roster.signer(opened.device).map(|(key, person)| (person, opened.verify(&key, roster.root.shop)));
    let site = whole(waiting.doc, store.documents().site(waiting.doc)?, &opened, signature.as_ref())
        .map_err(|No(_, why)| BookError::Denied(format!("{why} It can never come in")))?;
    if store.records().holds_record(opened.record.id)? {
        return Err(BookError::Denied("another record has its id, and so it never comes in".to_owned()));
    }
    Ok((opened, site))
}

/// A record as the book holds it.
pub(crate) fn entry_of(opened: &Opened) -> Entry {
    Entry { device: opened.device, record: opened.record.clone(), sha256: opened.sha256 }
}

/// What a record speaks about, as far as its author's right depends on it.
///
/// # Errors
/// [`StoreError`] where the store fails.
pub fn target(store: &Store, roster: &Roster, record: &Record) -> Result<Target, StoreError> {
    let mut target = Target::default();
    match &record.body {
        Body::Void(void) => {
            let ledger = store.records().ledger_of(record.doc)?;
            target.voided = ledger.get(void.target).map(|entry| Voided::of(entry, &ledger, roster));
            target.not_before_ms = target.voided.map(|_| ledger.time(void.target).ms);
        }
        Body::Ruling(ruling) => {
            for id in &ruling.of {
                if let Some(held) = store.records().held(*id)? {
                    target.rules_own |= held.entry.record.by == record.by || held.entry.record.measurer() == record.by;
                }
            }
        }
        Body::Machine(_) => target.machine_known = store.documents().place(record.doc)?.is_some(),
        _ => {}
    }
    Ok(target)
}

/// The change's own numbers, and its hash.
fn facts(store: &Store, frontier: &Frontier, brought: &IncomingChange) -> Result<Result<(), No>, StoreError> {
    let recipe = &brought.recipe;
    let invalid = |why: &str| Ok(Err(No(Code::ChangeInvalid, format!("The change does not fit what is held: {why}."))));
    if recipe.start_op != frontier.top_op(store, &recipe.deps)? + 1 {
        return invalid("its operation counter does not follow what it builds on");
    }
    let last = frontier.last_of(recipe.actor);
    if recipe.seq != last.map_or(1, |l| l.seq + 1) {
        return invalid("its sequence number does not follow its writer's last one");
    }
    if let Some(last) = last
        && !frontier.descends(store, &recipe.deps, &last)?
    {
        return invalid("it does not build on its own writer's last change");
    }
    match &brought.fault {
        None => Ok(Ok(())),
        Some(why) => Ok(Err(No(Code::ChangeInvalid, why.clone()))),
    }
}
