//! A device's half: what it offers, and how it takes the answer in.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;
use shared::bytes::Bytes16;
use shared::ids::{DeviceId, DocId, RecordId};
use shared::problem::Code;
use shared::wire::{Cursor, DocAnswer, DocOffer, ExchangeAnswer, ExchangeRequest, MOST_DOCS, MOST_OFFERED, PAGE_BYTES, PROTOCOL, Recipe};

use crate::admission::{Gate, Verdict, shop_words};
use crate::append::follow_roster;
use crate::book::{Book, BookError};
use crate::clock::{Contact, Receipt};
use crate::exchange::heal::heal;
use crate::moment::{Entropy, Moment};
use crate::rights::Place;
use crate::roster::Roster;
use crate::store::{Logged, Store, StoreError};

/// The most documents asked about in one request, well below what a shop takes.
const MOST_ASKED: usize = MOST_DOCS / 2;

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
    /// There is more to exchange.
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

impl Book {
    /// What this device has to say: changes that the shop is not known to hold, a page of them.
    ///
    /// # Errors
    /// [`BookError::NotEnrolled`], or the store.
    pub fn offer(&self, now: &Moment) -> Result<ExchangeRequest, BookError> {
        self.identity()?;
        let mut of_docs: BTreeMap<DocId, Vec<Recipe>> = BTreeMap::new();
        let mut bytes = 0;
        for Logged { doc, recipe, .. } in self.store.unsent(i64::try_from(MOST_OFFERED).unwrap_or(i64::MAX))? {
            bytes += recipe.records.iter().map(|r| r.0.len() + 128).sum::<usize>();
            if bytes > PAGE_BYTES && !of_docs.is_empty() {
                break;
            }
            of_docs.entry(doc).or_default().push(recipe);
        }
        let mut docs = Vec::with_capacity(of_docs.len());
        for document in self.store.documents_to_offer()? {
            let recipes = of_docs.remove(&document.doc).unwrap_or_default();
            if (document.lacking && docs.len() < MOST_ASKED) || !recipes.is_empty() {
                docs.push(DocOffer { id: document.doc, heads: document.heads, recipes, lacking: document.lacking });
            }
        }
        Ok(ExchangeRequest {
            v: PROTOCOL,
            device_time: now.wall_ms,
            epoch: self.store.meta::<Bytes16>("epoch")?,
            cursor: self.store.meta::<Cursor>("cursor")?.unwrap_or_default(),
            docs,
        })
    }

    /// Takes the shop's answer to a request: one transaction, or nothing.
    ///
    /// `sent_at` and `now` are this device's clocks when the request left and the answer came.
    ///
    /// # Errors
    /// [`BookError::Message`] for an answer that is none, [`BookError::LateAnswer`] for one to an older request; the store.
    pub fn take_answer(
        &mut self,
        sent_at: &Moment,
        answer: &ExchangeAnswer,
        now: &Moment,
        entropy: &mut dyn Entropy,
    ) -> Result<Report, BookError> {
        let identity = self.identity()?.clone();
        let before = self.roster()?.clone();
        if answer.v != PROTOCOL {
            return Err(BookError::Message(
                "the shop speaks another version of the exchange; update this program. Nothing was lost".to_owned(),
            ));
        }
        if answer.since != self.store.meta::<Cursor>("cursor")?.unwrap_or_default() {
            return Err(BookError::LateAnswer);
        }
        self.renew_actor(entropy);
        let actor = self.actor();
        let roster_doc = identity.root.shop.roster();
        let (report, roster) = self.store.atomically(|store| {
            let mut report = Report { more: answer.more, ..Report::default() };
            let known: Option<Bytes16> = store.meta("epoch")?;
            if known != Some(answer.epoch) {
                if known.is_some() {
                    store.offer_all_again()?;
                    report.shop_restored = true;
                }
                store.set_meta("epoch", &answer.epoch)?;
            }
            let contact = Contact::measured(sent_at, now, answer.shop_time);
            store.set_meta("contact", &contact)?;
            let receipt = Receipt { at_ms: answer.shop_time, skew_ms: contact.offset_ms, uncertainty_ms: contact.uncertainty_ms };
            let mut roster = before.clone();
            // The roster first: what follows is judged by it.
            let (first, rest): (Vec<&DocAnswer>, Vec<&DocAnswer>) = answer.docs.iter().partition(|d| d.id == roster_doc);
            for doc in first.into_iter().chain(rest) {
                Taking { store, receipt, own: identity.device, now }.document(doc, &roster, &mut report)?;
                if !doc.refused.is_empty() {
                    report.healed += heal(store, &roster, actor, doc, now)?;
                    report.more = true;
                }
                if let Some(document) = store.document(doc.id)? {
                    store.derive(&document, &roster)?;
                }
                if let Some(after) = follow_roster(store, &roster, doc.id == roster_doc)? {
                    roster = after;
                }
            }
            store.set_meta("cursor", &answer.cursor)?;
            report.more |= !store.unsent(1)?.is_empty();
            if !report.more {
                report.more = store.offer_unreceipted_again(identity.device)? > 0;
            }
            Ok::<_, BookError>((report, roster))
        })?;
        self.roster = Some(roster);
        Ok(report)
    }
}

/// Taking one answer in.
struct Taking<'a> {
    store: &'a Store,
    receipt: Receipt,
    own: DeviceId,
    now: &'a Moment,
}

impl Taking<'_> {
    fn document(&self, doc: &DocAnswer, roster: &Roster, report: &mut Report) -> Result<(), BookError> {
        self.store.mark_at_shop(&doc.taken)?;
        self.store.offer_again(&doc.needed)?;
        report.taken += doc.taken.len();
        report.refused.extend(doc.refused.iter().map(|r| RefusedLine {
            doc: doc.id,
            record: r.record,
            code: r.code,
            detail: r.detail.clone(),
        }));
        let (vouched, new_devices) = shop_words(roster, doc.recipes.iter().flat_map(|r| &r.records).map(|b| b.0.as_slice()));
        let gate = Gate { roster, new_devices: &new_devices, vouched: &vouched, contact: self.receipt, brought_by: self.own };
        let mut lacking = false;
        let mut seen = BTreeSet::new();
        for recipe in &doc.recipes {
            if !seen.insert(recipe.hash) {
                continue;
            }
            match gate.judge(self.store, doc.id, recipe)? {
                Verdict::Held => self.store.mark_at_shop(&[recipe.hash])?,
                Verdict::Later(_) => lacking = true,
                Verdict::Fits(records) => {
                    let place = place_of(self.store, doc.id, &records)?;
                    self.store.append(doc.id, place, recipe, &records, true)?;
                    report.received += 1;
                }
                Verdict::Refused(refusal) => {
                    for bytes in &recipe.records {
                        let detail = format!("From the shop, and not taken here. {}", refusal.detail);
                        self.store.quarantine(doc.id, &bytes.0, refusal.code, &detail, self.now.wall_ms)?;
                    }
                    report.refused.push(RefusedLine { doc: doc.id, record: refusal.record, code: refusal.code, detail: refusal.detail });
                }
            }
        }
        // Asked for once and still lacking, it waits for the next exchange: another request now would change nothing.
        let asked = self.store.document(doc.id)?.is_some_and(|d| d.lacking);
        self.store.set_lacking(doc.id, lacking)?;
        report.more |= lacking && !asked;
        Ok(())
    }
}

/// What kind of document it is, or what its founding record makes it.
pub(crate) fn place_of(store: &Store, doc: DocId, records: &[crate::admission::Checked]) -> Result<Place, StoreError> {
    if let Some(place) = store.place(doc)? {
        return Ok(place);
    }
    let mut founded = records.iter().filter_map(|c| Place::founded_by(&c.record.body));
    Ok(founded.find(|place| *place != Place::Machine).unwrap_or(Place::Machine))
}
