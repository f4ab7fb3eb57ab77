//! The shop's half: every offered change through the validator, a signed receipt for what is new, and a page of what moved.

use std::cell::Cell;
use std::collections::{BTreeMap, BTreeSet};

use shared::bytes::{Blob, Bytes16, Bytes32};
use shared::ids::{DeviceId, DocId, PersonId};
use shared::problem::Code;
use shared::record::{Arrival, Body, ClockEvidence, MOST_RECEIPTED, Receipted, Record};
use shared::wire::{
    Cursor, DocAnswer, DocOffer, ExchangeAnswer, ExchangeRequest, MOST_DOCS, MOST_OFFERED, PROTOCOL, QuarantineMark, Refusal,
};

use super::attestation::attest;
use super::closed;
use super::cursor::{self, CursorState};
use super::page::{Manner, Page, next_page};
use crate::book::shop_clock;
use crate::crypto::envelope;
use crate::engine::BookError;
use crate::engine::allowance::Allowance;
use crate::engine::append::{append_on, follow_roster};
use crate::engine::incoming::{IncomingBatch, IncomingChange};
use crate::engine::ingest::{Admitted, Outcome, admit};
use crate::engine::projection::{self, derived, keep};
use crate::engine::validate::Validator;
use crate::judge::corrected_time::Receipt;
use crate::judge::ledger::Entry;
use crate::judge::roster::Roster;
use crate::store::frontier::Frontier;
use crate::store::{EPOCH, Identity, Provenance, RefusedBy, Store, ToDerive};
use crate::sync::Peer;
use crate::sys::clock::ClockReading;
use crate::sys::par_map::ordered_pipeline;
use crate::sys::rng::{CryptoRng, fresh_record, random};

/// A skew measured by one message alone, its travel time unknown, may be off by this much.
pub(super) const ONE_WAY_UNCERTAINTY_MS: i64 = 5_000;

/// The most changes asked for in one document of an answer.
const MOST_NEEDED: usize = 256;

/// What one offer changed.
#[derive(Debug, Default)]
pub(super) struct Intake {
    /// What to answer, per document.
    pub(super) answers: BTreeMap<DocId, DocAnswer>,
    /// Hashes that the device holds already: it offered them.
    pub(super) offered: BTreeSet<Bytes32>,
    /// Where the log ended before it.
    pub(super) before: u64,
    /// Who may see what may have changed for everyone.
    regrant: bool,
    /// Something new was taken in.
    pub(super) news: bool,
    /// The last of what the device is told that it waits in quarantine.
    quarantined: Option<QuarantineMark>,
}

impl Peer<'_> {
    /// Answers a device's request. One transaction: what the answer says was taken is kept.
    ///
    /// # Errors
    /// [`BookError::Message`] for a request that is none; [`BookError::Unknown`] for a device not on the roster; the store.
    pub fn answer(
        &mut self,
        device: DeviceId,
        request: &ExchangeRequest,
        now: &ClockReading,
        entropy: &mut dyn CryptoRng,
    ) -> Result<ExchangeAnswer, BookError> {
        let identity = self.book.identity()?.clone();
        let before = self.book.roster_of_now()?;
        if request.v != PROTOCOL {
            return Err(BookError::Message("this exchange is of another version; update the program. Nothing was taken in".to_owned()));
        }
        let offered: usize = request.docs.iter().map(|doc| doc.recipes.len()).sum();
        if request.docs.len() > MOST_DOCS || offered > MOST_OFFERED {
            return Err(BookError::Message(format!(
                "this request names more than {MOST_DOCS} documents or {MOST_OFFERED} changes; nothing was taken in. Send less at a time"
            )));
        }
        if !super::each_once(request.docs.iter().map(|doc| doc.id)) {
            return Err(BookError::Message(
                "this request names a document twice; nothing was taken in. Say all of a document in one".to_owned(),
            ));
        }
        let (_, person) = before.signer(device).ok_or_else(|| BookError::Unknown("the device is not on the roster".to_owned()))?;
        let actor = self.book.actor();
        let last = self.book.last_kept;
        let (answer, roster) = self.book.store.in_step_tidied_after(|store| {
            let (epoch, cursor) = epoch_and_cursor(store, &identity, device, request, entropy)?;
            let skew_ms = now.wall_ms.saturating_sub(request.device_time);
            store.logins().note_contact(device, now.wall_ms, skew_ms)?;
            shop_clock::note_where_set(store, last.as_ref(), now)?;
            let receipt = Receipt::measured(now.wall_ms, skew_ms, ONE_WAY_UNCERTAINTY_MS);
            let mut roster = before.clone();
            let mut intake = Intake { before: store.log().log_end()?, ..Intake::default() };
            let mut taking =
                Taking { store, identity: &identity, actor, device, receipt, allowance: Allowance::at_the_shop(now.wall_ms), now, entropy };
            let roster_doc = identity.root.shop.roster();
            // The roster first: what follows is judged by it.
            let (first, rest): (Vec<&DocOffer>, Vec<&DocOffer>) = request.docs.iter().partition(|d| d.id == roster_doc);
            if taking.documents(first, &roster, &mut intake)?
                && let Some(after) = follow_roster(store, &roster, true)?
            {
                roster = after;
                intake.regrant = true;
            }
            taking.documents(rest, &roster, &mut intake)?;
            taking.allowance.keep(store)?;
            if intake.regrant {
                store.grants().regrant(&roster)?;
            } else if intake.news {
                store.grants().regrant_to(person, &roster)?;
            }
            let lacking: BTreeMap<DocId, &[Bytes32]> =
                request.docs.iter().filter(|d| d.lacking).map(|d| (d.id, d.heads.as_slice())).collect();
            // What was told in an earlier answer stays told.
            let quarantined = cursor.quarantined.max(intake.quarantined);
            let page = match roster.role_now(person) {
                Some(_) => next_page(store, person, roster_doc, cursor, intake, &lacking, Manner::of(request.segments, request.room))?,
                // Handing over stays possible, into quarantine. It is told what became of that, and nothing else.
                None => Page { cursor, more: false, docs: intake.answers.into_values().collect() },
            };
            let Page { cursor, more, mut docs } = page;
            closed::shut(store, person, &roster, &request.docs, &mut docs)?;
            let cursor = cursor::mark(cursor, quarantined, epoch, store, identity.keys()?)?;
            let since = request.cursor;
            let vouch = if request.segments { attest(&identity.root, identity.keys()?, epoch, &docs) } else { None };
            Ok::<_, BookError>((ExchangeAnswer { v: PROTOCOL, shop_time: now.wall_ms, epoch, since, cursor, more, vouch, docs }, roster))
        })?;
        self.book.roster = Some(roster);
        self.book.last_kept = Some(*now);
        Ok(answer)
    }
}

/// The shop's epoch, and where in its log the device stands. A new epoch begins where the device was handed out what this
/// log no longer holds: the book was put back from an older copy, and every device must offer again what it has.
fn epoch_and_cursor(
    store: &Store,
    identity: &Identity,
    device: DeviceId,
    request: &ExchangeRequest,
    entropy: &mut dyn CryptoRng,
) -> Result<(Bytes16, Cursor), BookError> {
    let epoch: Bytes16 = store.meta(&EPOCH)?.ok_or_else(|| BookError::Defect("the shop has no epoch".to_owned()))?;
    match cursor::look(&request.cursor, request.epoch, epoch, store, identity.keys()?)? {
        CursorState::Here => Ok((epoch, request.cursor)),
        // What it was told of its records in quarantine it still believes, where it only lost the cursor.
        CursorState::Foreign => Ok((epoch, Cursor { quarantined: store.quarantine().last_of(device)?, ..Cursor::default() })),
        CursorState::PutBack => {
            let fresh = Bytes16(random(entropy));
            store.set_meta(&EPOCH, &fresh)?;
            Ok((fresh, Cursor::default()))
        }
    }
}

/// Taking in what a device offers, inside one step.
pub(super) struct Taking<'a> {
    pub(super) store: &'a Store,
    pub(super) identity: &'a Identity,
    pub(super) actor: Bytes16,
    pub(super) device: DeviceId,
    pub(super) receipt: Receipt,
    pub(super) allowance: Allowance,
    pub(super) now: &'a ClockReading,
    pub(super) entropy: &'a mut dyn CryptoRng,
}

impl Taking<'_> {
    /// Takes offers in, and makes the rows of what they moved anew; true where something new came.
    fn documents(&mut self, offers: Vec<&DocOffer>, roster: &Roster, intake: &mut Intake) -> Result<bool, BookError> {
        let store = self.store;
        let mut news = false;
        let check = |offer: &DocOffer| {
            let mut batch = IncomingBatch::open(offer.id, offer.recipes.clone());
            batch.check(roster);
            batch
        };
        let take = |batch: IncomingBatch| {
            let moved = self.document(batch, roster, intake)?;
            news |= moved.is_some();
            Ok::<_, BookError>(moved)
        };
        ordered_pipeline(offers, check, take, |read: ToDerive| derived(read, roster), |derived| Ok(keep(store, derived)?))?;
        Ok(news)
    }

    /// Takes one document's offer in; gives what its rows are to be derived from, where something new came.
    fn document(&mut self, mut batch: IncomingBatch, roster: &Roster, intake: &mut Intake) -> Result<Option<ToDerive>, BookError> {
        let doc = batch.doc;
        let vouched = std::mem::take(&mut batch.vouched);
        let validator = Validator {
            roster,
            vouched: &vouched,
            contact: self.receipt,
            brought_by: self.device,
            of_shop: true,
            clock_doubted: Cell::default(),
        };
        let Admitted { outcomes, mut frontier } = admit(self.store, &validator, &mut self.allowance, &mut batch, Provenance::AT_SHOP)?;
        if validator.clock_doubted.get() {
            self.store.logins().note_clock_doubt(self.device, self.receipt.at_ms)?;
        }
        let new = outcomes.iter().flat_map(Outcome::new_records);
        let arrived: Vec<Receipted> = new
            .filter(|(named, device)| *device != self.identity.root.device && !vouched.names(named.record, named.sha256))
            .map(|(named, _)| *named)
            .collect();
        self.receipt_for(&mut frontier, &arrived, None)?;
        let settled = self.store.log().index(&mut frontier)?;
        let mut answer = DocAnswer::new(doc);
        let mut built_upon: BTreeSet<Bytes32> = BTreeSet::new();
        let mut news = false;
        for (brought, outcome) in batch.changes.iter().zip(outcomes) {
            let hash = brought.recipe.hash;
            intake.offered.insert(hash);
            match outcome {
                Outcome::Held => answer.taken.push(hash),
                Outcome::Later(missing) => {
                    answer.needed.extend(missing);
                    continue;
                }
                Outcome::Taken { opens, .. } => {
                    answer.taken.push(hash);
                    news = true;
                    intake.regrant |= opens;
                }
                Outcome::Refused(refusal) => {
                    answer.refused.push(self.keep_refused(doc, brought, refusal, &mut intake.quarantined)?);
                    continue;
                }
            }
            built_upon.extend(&brought.recipe.deps);
        }
        // What another one builds on is taken with it, and not named.
        answer.taken.retain(|hash| !built_upon.contains(hash));
        // What builds on a refused change cannot come either; asking for that change again would never end.
        let refused: BTreeSet<Bytes32> = answer.refused.iter().map(|r| r.change).collect();
        answer.needed.retain(|hash| !refused.contains(hash) && !intake.offered.contains(hash));
        answer.needed.sort_unstable();
        answer.needed.dedup();
        // What is not named now is named next time.
        answer.needed.truncate(MOST_NEEDED);
        intake.news |= news;
        intake.answers.insert(doc, answer);
        Ok(if news { self.store.projections().read_to_derive_of(doc, settled)? } else { None })
    }

    /// Keeps what was refused, with the reason: the record at fault, or the whole change where none is. Gives what the device
    /// hears of it.
    fn keep_refused(
        &mut self,
        doc: DocId,
        brought: &IncomingChange,
        mut refusal: Refusal,
        told: &mut Option<QuarantineMark>,
    ) -> Result<Refusal, BookError> {
        // The change as such being at fault, its records come again in a healed one; what waits comes again as it is.
        let comes_again = refusal.code.waits() || (refusal.record.is_none() && refusal.code == Code::ChangeInvalid);
        if comes_again {
            return Ok(refusal);
        }
        let mut no_room = false;
        for (record, Blob(bytes)) in brought.records.iter().zip(&brought.recipe.records) {
            let at_fault = refusal.record.is_none_or(|id| record.opened.as_ref().is_ok_and(|o| o.record.id == id));
            let held = || match &record.opened {
                Ok(opened) => self.store.records().holds_bytes(opened.record.id, bytes),
                Err(_) => Ok(false),
            };
            // What is in the book waits for nobody: kept out, it would be refused wherever it is not held yet.
            if !at_fault || held()? {
                continue;
            }
            if self.store.quarantine().is_quarantined(bytes)? {
                *told = (*told).max(self.store.quarantine().mark_of(bytes)?);
            } else if self.allowance.has_room_in_quarantine(self.store, self.device, bytes.len())? {
                self.store.quarantine().put(
                    doc,
                    bytes,
                    refusal.code,
                    self.now.wall_ms,
                    RefusedBy::ThisBook { brought_by: Some(self.device) },
                )?;
                *told = (*told).max(self.store.quarantine().mark_of(bytes)?);
            } else {
                no_room = true;
            }
        }
        if no_room {
            refusal.code = Code::QuarantineFull;
            refusal.detail.push_str(" The office's quarantine has no room for more from this device, which keeps it itself.");
        }
        Ok(refusal)
    }

    /// Appends the shop's receipts of records in a document, for the caller to settle.
    pub(super) fn receipt_for(
        &mut self,
        frontier: &mut Frontier,
        arrived: &[Receipted],
        released_by: Option<PersonId>,
    ) -> Result<(), BookError> {
        for records in arrived.chunks(MOST_RECEIPTED) {
            let record = Record {
                id: fresh_record(self.now, self.identity.device, self.entropy),
                doc: frontier.doc,
                by: self.identity.person,
                measured_by: None,
                at_ms: self.now.wall_ms,
                clock: ClockEvidence { offset_ms: Some(0), uncertainty_ms: Some(0), ..ClockEvidence::default() },
                seen: Vec::new(),
                body: Body::Arrival(Arrival {
                    records: records.to_vec(),
                    at: self.receipt.at_ms,
                    skew_ms: self.receipt.skew_ms,
                    uncertainty_ms: self.receipt.uncertainty_ms,
                    brought_by: self.device,
                    position: self.store.log().log_end()? + 1,
                    released_by,
                }),
            };
            let bytes = envelope::sign(&record, self.identity.device, self.identity.keys()?.record(), self.identity.root.shop)?;
            let place = frontier.document.as_ref().map(|row| row.place);
            let place = place.ok_or_else(|| BookError::Defect("a receipt for no document".to_owned()))?;
            let signed = vec![(Entry { device: self.identity.device, sha256: envelope::sha256(&bytes), record }, bytes)];
            append_on(self.store, frontier, self.actor, place, signed, self.now.wall_ms, true)?;
        }
        Ok(())
    }
}

impl Peer<'_> {
    /// Receipts what a desk of the shop's has written since a position of the log, and opens what it has moved.
    pub(crate) fn receipt_since(
        &mut self,
        position: u64,
        desk: DeviceId,
        now: &ClockReading,
        entropy: &mut dyn CryptoRng,
    ) -> Result<(), BookError> {
        let identity = self.book.identity()?.clone();
        let roster = self.book.roster_of_now()?;
        let mut written: BTreeMap<DocId, Vec<Receipted>> = BTreeMap::new();
        for pos in position + 1..=self.book.store.log().log_end()? {
            for change in self.book.store.log().changes_at(pos)? {
                let opened = change.recipe.records.iter().filter_map(|bytes| envelope::decode_unverified(&bytes.0).ok());
                written.entry(change.doc).or_default().extend(opened.map(|opened| opened.receipted()));
            }
        }
        let receipt = Receipt::measured(now.wall_ms, 0, 0);
        let mut taking = Taking {
            store: &self.book.store,
            identity: &identity,
            actor: self.book.actor(),
            device: desk,
            receipt,
            allowance: Allowance::of_the_shop(),
            now,
            entropy,
        };
        for (doc, ids) in &written {
            let mut frontier = Frontier::read(&self.book.store, *doc)?;
            taking.receipt_for(&mut frontier, ids, None)?;
            self.book.store.log().index(&mut frontier)?;
            if let Some(document) = self.book.store.documents().document(*doc)? {
                projection::derive(&self.book.store, &document, &roster)?;
            }
        }
        self.book.store.logins().note_contact(desk, now.wall_ms, 0)?;
        let after = follow_roster(&self.book.store, &roster, written.contains_key(&identity.root.shop.roster()))?.unwrap_or(roster);
        self.book.store.grants().regrant(&after)?;
        self.book.roster = Some(after);
        Ok(())
    }
}
