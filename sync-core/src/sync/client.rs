//! A device's half: what it offers, and how it takes the answer in.

use std::cell::Cell;
use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;
use shared::bytes::{Blob, Bytes16};
use shared::ids::{DeviceId, DocId, RecordId};
use shared::problem::Code;
use shared::wire::{
    Cursor, DocAnswer, DocOffer, ExchangeAnswer, ExchangeRequest, MOST_DOCS, MOST_OFFERED, PAGE_BYTES, PROTOCOL, Recipe, delta_encode,
};

use super::{attestation, rebase, receipts};
use crate::change::decode;
use crate::engine::BookError;
use crate::engine::allowance::{Allowance, DAY_MS};
use crate::engine::append::follow_roster;
use crate::engine::bootstrap::Filled;
use crate::engine::incoming::IncomingBatch;
use crate::engine::ingest::{Outcome, admit};
use crate::engine::projection::{self, derived, keep};
use crate::engine::validate::Validator;
use crate::judge::corrected_time::{Contact, Receipt};
use crate::judge::roster::Roster;
use crate::store::frontier::Frontier;
use crate::store::{CONTACT, CURSOR, DISTRUST, EPOCH, Logged, MetaKey, Provenance, RefusedBy, Settled, Store, ToDerive};
use crate::sync::rebase::Rebase;
use crate::sync::{Outgoing, Peer};
use crate::sys::clock::ClockReading;
use crate::sys::par_map::ordered_pipeline;
use crate::sys::rng::CryptoRng;

/// The most documents asked about in one request, well below what a shop takes.
const MOST_ASKED: usize = MOST_DOCS / 2;

/// The named value that says how many records had no receipt when they were last offered again.
const OFFERED_AGAIN: MetaKey<usize> = MetaKey::new("offered-again");

/// What one exchange did.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct Report {
    /// Changes that the shop took, or holds already.
    pub taken: usize,
    /// Records that the shop did not take, now in quarantine here and there.
    pub refused: Vec<RefusedLine>,
    /// Changes that came from the shop.
    pub received: usize,
    /// Records appended again under a new actor.
    pub healed: usize,
    /// The shop was restored from a backup: everything is offered again.
    pub shop_restored: bool,
    /// There is more to exchange, and this exchange has brought it nearer: where it has not, another one now would change nothing.
    pub more: bool,
}

/// A record that was not taken.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct RefusedLine {
    /// Its document.
    pub doc: DocId,
    /// Which, where one record was at fault.
    pub record: Option<RecordId>,
    /// Why.
    pub code: Code,
    /// Why, in a sentence.
    pub detail: String,
}

impl Outgoing<'_> {
    /// What this device has to say: changes that the shop is not known to hold, a page of them.
    ///
    /// # Errors
    /// [`BookError::NotEnrolled`], or the store.
    pub fn offer(&self, now: &ClockReading) -> Result<ExchangeRequest, BookError> {
        self.book.identity()?;
        let mut of_docs: BTreeMap<DocId, Vec<(Recipe, i64)>> = BTreeMap::new();
        let mut bytes = 0;
        let unsent = self.book.store.outbox().to_offer(i64::try_from(MOST_OFFERED).unwrap_or(i64::MAX), now.wall_ms)?;
        // A part holds many changes, and the shop counts changes.
        for Logged { doc, recipe, first_ms, .. } in unsent.into_iter().take(MOST_OFFERED) {
            bytes += recipe.records.iter().map(|r| r.0.len() + 128).sum::<usize>();
            if bytes > PAGE_BYTES && !of_docs.is_empty() {
                break;
            }
            of_docs.entry(doc).or_default().push((recipe, first_ms));
        }
        let lacking = self.book.store.documents().documents_lacking()?.into_iter().take(MOST_ASKED).map(|document| document.doc);
        let named: BTreeSet<DocId> = lacking.chain(of_docs.keys().copied()).collect();
        let mut docs = Vec::with_capacity(named.len());
        for id in named {
            let Some(document) = self.book.store.documents().document(id)? else { continue };
            let recipes = delta_encode(of_docs.remove(&id).unwrap_or_default());
            docs.push(DocOffer { id, heads: document.heads, recipes, lacking: document.lacking });
        }
        Ok(ExchangeRequest {
            v: PROTOCOL,
            device_time: now.wall_ms,
            epoch: self.book.store.meta(&EPOCH)?,
            cursor: self.book.store.meta(&CURSOR)?.unwrap_or_default(),
            // Once something that the shop vouched for did not hold, its word is not taken any more.
            segments: !self.book.store.meta(&DISTRUST)?.unwrap_or(false),
            room: None,
            docs,
        })
    }

    /// As [`Outgoing::offer`], to hand over only: the answer brings no changes of others. For a signal that may be gone in a
    /// moment, so that what cannot be replaced goes first.
    ///
    /// # Errors
    /// As [`Outgoing::offer`].
    pub fn offer_only(&self, now: &ClockReading) -> Result<ExchangeRequest, BookError> {
        Ok(ExchangeRequest { room: Some(0), ..self.offer(now)? })
    }
}

impl Peer<'_> {
    /// Takes the shop's answer to a request: one transaction, or nothing.
    ///
    /// `sent_at` and `now` are this device's clocks when the request left and the answer came.
    ///
    /// # Errors
    /// [`BookError::Message`] for an answer that is none, [`BookError::LateAnswer`] for one to an older request; the store.
    pub fn take_answer(
        &mut self,
        sent_at: &ClockReading,
        answer: &ExchangeAnswer,
        now: &ClockReading,
        entropy: &mut dyn CryptoRng,
    ) -> Result<Report, BookError> {
        let identity = self.book.identity()?.clone();
        let before = self.book.roster_of_now()?;
        if answer.v != PROTOCOL {
            return Err(BookError::Message(
                "the shop speaks another version of the exchange; update this program. Nothing was lost".to_owned(),
            ));
        }
        if !super::each_once(answer.docs.iter().map(|doc| doc.id)) {
            return Err(BookError::Message(
                "the answer names a document twice; nothing was taken from it, and nothing was lost".to_owned(),
            ));
        }
        if answer.since != self.book.store.meta(&CURSOR)?.unwrap_or_default() {
            return Err(BookError::LateAnswer);
        }
        let distrust = self.book.store.meta(&DISTRUST)?.unwrap_or(false);
        let vouched = !distrust && attestation::holds(&identity.root, answer.epoch, &answer.docs, answer.vouch.as_ref());
        self.book.renew_actor(entropy);
        let actor = self.book.actor();
        let roster_doc = identity.root.shop.roster();
        let (report, roster) = self.book.store.atomically(|store| {
            let left_before = Left::of(store)?;
            let mut report = Report { more: answer.more, ..Report::default() };
            let known: Option<Bytes16> = store.meta(&EPOCH)?;
            let mut again = BTreeSet::new();
            if known != Some(answer.epoch) {
                if known.is_some() {
                    store.outbox().offer_all_again()?;
                    again = rebase::offer_refused_again(store, actor, identity.device, now)?;
                    report.shop_restored = true;
                }
                store.set_meta(&EPOCH, &answer.epoch)?;
            }
            let contact = Contact::measured(sent_at, now, answer.shop_time);
            store.set_meta(&CONTACT, &contact)?;
            let receipt = Receipt::measured(answer.shop_time, contact.offset_ms, contact.uncertainty_ms);
            let left_ms = DAY_MS - answer.shop_time.rem_euclid(DAY_MS);
            let tomorrow_ms = now.wall_ms.saturating_add(left_ms);
            let mut taking = Taking { store, receipt, own: identity.device, tomorrow_ms, now, actor, report };
            let mut roster = before.clone();
            // The roster first: what follows is judged by it.
            let (first, rest): (Vec<&DocAnswer>, Vec<&DocAnswer>) = answer.docs.iter().partition(|d| d.id == roster_doc);
            let moved = !first.is_empty() || again.contains(&roster_doc);
            taking.documents(first, &roster, false)?;
            if let Some(after) = follow_roster(store, &roster, moved)? {
                roster = after;
            }
            taking.documents(rest, &roster, vouched)?;
            let mut report = taking.report;
            for doc in again {
                store.documents().document(doc)?.map_or(Ok(()), |document| projection::derive(store, &document, &roster))?;
            }
            store.set_meta(&CURSOR, &answer.cursor)?;
            report.more |= store.outbox().has_to_offer(now.wall_ms)?;
            if !report.more {
                report.more = offer_again(store)?;
            }
            report.more &= Left::of(store)? != left_before;
            Ok::<_, BookError>((report, roster))
        })?;
        self.book.roster = Some(roster);
        Ok(report)
    }
}

/// What an exchange may still change: where a device stands in the shop's log and in its own, and what it has to offer and to ask for.
#[derive(Debug, PartialEq)]
struct Left {
    cursor: Option<Cursor>,
    log_end: u64,
    unsent: Vec<u64>,
    lacking: usize,
}

impl Left {
    fn of(store: &Store) -> Result<Self, BookError> {
        Ok(Self {
            cursor: store.meta(&CURSOR)?,
            log_end: store.log().log_end()?,
            unsent: store.outbox().unsent_positions()?,
            lacking: store.documents().documents_lacking()?.len(),
        })
    }
}

/// Offers again what has no receipt yet. Whether another request may change something: where the last one has not, the receipts
/// wait for the next exchange.
fn offer_again(store: &Store) -> Result<bool, BookError> {
    let due = store.outbox().due()?;
    let before: usize = store.meta(&OFFERED_AGAIN)?.unwrap_or_default();
    if due != before {
        store.set_meta(&OFFERED_AGAIN, &due)?;
    }
    Ok(store.outbox().offer_unreceipted_again()? > 0 && due != before)
}

/// What an answer brings of a document, before anything is kept.
struct Prepared<'a> {
    doc: &'a DocAnswer,
    /// All of it, where nothing of the document is here.
    filled: Option<Filled>,
    /// The rest.
    batch: IncomingBatch,
}

impl<'a> Prepared<'a> {
    fn new(doc: &'a DocAnswer, whole: bool, vouched: bool, roster: &Roster) -> Self {
        let filled = if whole { Filled::open(doc.id, doc.segments.clone(), roster) } else { None };
        let batch = batch_of(doc, filled.is_none(), vouched, roster);
        Self { doc, filled, batch }
    }
}

/// What an answer brings of a document as changes. Of segments that are not kept whole, each change is judged like any other.
fn batch_of(doc: &DocAnswer, with_packs: bool, vouched: bool, roster: &Roster) -> IncomingBatch {
    let segments = doc.segments.iter().filter(|_| with_packs);
    let packed = segments.filter_map(|Blob(encoded)| decode(encoded).ok()).flatten();
    let mut batch = IncomingBatch::open(doc.id, packed.chain(doc.recipes.iter().cloned()).collect());
    if vouched {
        batch.trust(roster);
    } else {
        batch.check(roster);
    }
    batch
}

/// Taking one answer in.
struct Taking<'a> {
    store: &'a Store,
    receipt: Receipt,
    own: DeviceId,
    /// When the shop's next day begins, by this device's clock.
    tomorrow_ms: i64,
    now: &'a ClockReading,
    actor: Bytes16,
    report: Report,
}

impl Taking<'_> {
    /// Takes documents in, and makes the rows of what they moved anew.
    fn documents(&mut self, docs: Vec<&DocAnswer>, roster: &Roster, vouched: bool) -> Result<(), BookError> {
        let store = self.store;
        let known = if vouched { Provenance::VOUCHED } else { Provenance::AT_SHOP };
        let mut things = Vec::with_capacity(docs.len());
        for doc in docs {
            if doc.segments.is_empty() && doc.recipes.is_empty() && doc.refused.is_empty() {
                // It says what was taken, or is asked for again: there is nothing to make ready, and no row moves.
                self.document(doc, IncomingBatch::open(doc.id, Vec::new()), roster, known)?;
                continue;
            }
            things.push((doc, vouched && !doc.segments.is_empty() && store.documents().has_nothing_of(doc.id)?));
        }
        let prepare = |(doc, whole)| Prepared::new(doc, whole, vouched, roster);
        let take = |Prepared { doc, filled, mut batch }: Prepared<'_>| {
            if let Some(filled) = filled {
                let changes = filled.changes();
                if filled.keep(store)? {
                    self.report.received += changes;
                } else {
                    batch = batch_of(doc, true, vouched, roster);
                }
            }
            let brings = !batch.changes.is_empty();
            let mut settled = self.document(doc, batch, roster, known)?;
            if !doc.refused.is_empty() {
                let healing = Rebase { store, actor: self.actor, own: self.own, tomorrow_ms: self.tomorrow_ms, now: self.now };
                if let Some(healed) = healing.heal(doc)? {
                    self.report.healed += healed;
                    self.report.more = true;
                }
                // Healing has changed what was appended.
                settled = None;
            } else if !brings {
                return Ok(None);
            }
            Ok::<_, BookError>(store.projections().read_to_derive_of(doc.id, settled)?)
        };
        ordered_pipeline(things, prepare, take, |read: ToDerive| derived(read, roster), |derived| Ok(keep(store, derived)?))
    }

    /// Takes one document in; gives what was appended of it last.
    fn document(
        &mut self,
        doc: &DocAnswer,
        mut batch: IncomingBatch,
        roster: &Roster,
        known: Provenance,
    ) -> Result<Option<Settled>, BookError> {
        if !doc.taken.is_empty() {
            self.report.taken += self.store.outbox().mark_at_shop(doc.id, &doc.taken)?;
        }
        self.store.outbox().offer_again(doc.id, &doc.needed)?;
        for arrival in doc.receipts.iter().filter_map(|receipt| receipts::read(&roster.root, doc.id, receipt)) {
            self.store.log().keep_receipt(&arrival)?;
            batch.vouched.hear(&arrival);
        }
        self.report.refused.extend(doc.refused.iter().map(|r| RefusedLine {
            doc: doc.id,
            record: r.record,
            code: r.code,
            detail: r.detail.clone(),
        }));
        let (mut outcomes, mut settled) = (Vec::new(), None);
        if !batch.changes.is_empty() {
            let vouched = std::mem::take(&mut batch.vouched);
            let validator = Validator {
                roster,
                vouched: &vouched,
                contact: self.receipt,
                brought_by: self.own,
                of_shop: false,
                clock_doubted: Cell::default(),
            };
            let mut admitted = admit(self.store, &validator, &mut Allowance::of_the_shop(), &mut batch, known)?;
            settled = self.store.log().index(&mut admitted.frontier)?;
            outcomes = admitted.outcomes;
        }
        let mut lacking = false;
        let mut held = Vec::new();
        let mut seen = BTreeSet::new();
        for (brought, outcome) in batch.changes.iter().zip(outcomes) {
            if !seen.insert(brought.recipe.hash) {
                continue;
            }
            match outcome {
                Outcome::Held => held.push(brought.recipe.hash),
                Outcome::Later(_) => lacking = true,
                Outcome::Taken { .. } => self.report.received += 1,
                Outcome::Refused(refusal) => {
                    for bytes in &brought.recipe.records {
                        self.store.quarantine().put(
                            doc.id,
                            &bytes.0,
                            refusal.code,
                            self.now.wall_ms,
                            RefusedBy::ThisBook { brought_by: None },
                        )?;
                    }
                    self.report.refused.push(RefusedLine {
                        doc: doc.id,
                        record: refusal.record,
                        code: refusal.code,
                        detail: refusal.detail,
                    });
                }
            }
        }
        if !held.is_empty() {
            self.store.outbox().mark_at_shop(doc.id, &held)?;
        }
        // Asked for once and still lacking, it waits for the next exchange: another request now would change nothing.
        let asked = self.store.documents().document(doc.id)?.is_some_and(|d| d.lacking);
        // What was asked for may not all have had room in the answer.
        let still = lacking || (asked && !Frontier::read(self.store, doc.id)?.missing(self.store, &doc.heads)?.is_empty());
        if asked || lacking {
            self.store.documents().set_lacking(doc.id, still)?;
        }
        self.report.more |= lacking && !asked;
        Ok(settled)
    }
}
