//! Bundles: from truck to truck, where there is no signal. A record that arrives by way of someone else's phone is as
//! good as one that arrives directly, and stays its writer's.
//!
//! A bundle carries documents from their beginning, so that the receiver never lacks what a change builds on, and the
//! roster, so that it knows the devices that signed. The receiver checks every signature and right itself, and offers all
//! that was new to it to the shop, once: a receipt in a bundle may be of a shop since put back from a backup.

mod files;
mod salvage;

use std::cell::Cell;
use std::collections::BTreeSet;

use serde::Serialize;
use shared::bytes::{Blob, Bytes16};
use shared::ids::{DeviceId, DocId};
use shared::wire::{BUNDLE, Bundle};

use crate::engine::allowance::Allowance;
use crate::engine::append::{append_again, follow_roster};
use crate::engine::incoming::{IncomingBatch, IncomingRecord};
use crate::engine::ingest::{Admitted, Outcome, admit, place_of};
use crate::engine::validate::{RecordRefusal, Validator};
use crate::engine::{BookError, projection};
use crate::judge::corrected_time::Receipt;
use crate::judge::permissions::DocKind;
use crate::judge::roster::Roster;
use crate::store::{Checked, Provenance, RefusedBy, Store};
use crate::sync::{Outgoing, Peer, RefusedLine, read_body};
use crate::sys::clock::ClockReading;

use files::{in_full, written};
pub use salvage::{Salvaged, salvage, salvage_on};

/// What a bundle carries.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Load {
    /// Documents with something that the shop is not known to hold.
    Unsent,
    /// These documents.
    Documents(Vec<DocId>),
}

/// Bundles that were made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Made {
    /// The files' bytes, to be taken in one after the other. There is one, unless it would be too large.
    pub bundles: Vec<Vec<u8>>,
    /// Documents in them, beside the roster and the engines.
    pub documents: usize,
    /// Changes in them that the shop is not known to hold.
    pub unsent: usize,
}

/// What taking a bundle in did.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Taken {
    /// The device that made it, as it says.
    pub from: DeviceId,
    /// When, by that device's clock, ms since 1970 UTC.
    pub made_at: i64,
    /// Changes taken in.
    pub taken: usize,
    /// Changes that were here already.
    pub held: usize,
    /// Records that were not taken, now in quarantine here.
    pub refused: Vec<RefusedLine>,
    /// Records taken out of changes that could not be taken as they were.
    pub saved: usize,
}

impl Outgoing<'_> {
    /// Makes a bundle for another device of the shop, or several where one would be too large.
    ///
    /// # Errors
    /// [`BookError::NotEnrolled`]; [`BookError::Unknown`] for a document that is not here; the store.
    pub fn make_bundle(&self, load: &Load, now: &ClockReading) -> Result<Made, BookError> {
        let identity = self.book.identity()?;
        let wanted: BTreeSet<DocId> = match load {
            Load::Unsent => self.book.store.documents().documents_waiting()?,
            Load::Documents(docs) => docs.iter().copied().collect(),
        };
        let (mut common, mut others) = (Vec::new(), Vec::new());
        for row in self.book.store.documents().all()? {
            let is_common = matches!(row.place, DocKind::Roster | DocKind::Engines);
            if is_common || wanted.contains(&row.doc) {
                let recipes = self.book.store.log().changes_of(row.num)?.into_iter().map(|logged| logged.recipe);
                if is_common { &mut common } else { &mut others }.push(in_full(row.doc, recipes));
            }
        }
        let carried: BTreeSet<DocId> = common.iter().chain(&others).map(|doc| doc.id).collect();
        if let Some(strange) = wanted.difference(&carried).next() {
            return Err(BookError::Unknown(format!("there is no document {strange} in this book")));
        }
        let unsent = self.book.store.outbox().unsent(i64::MAX)?.iter().filter(|change| carried.contains(&change.doc)).count();
        let documents = others.len();
        Ok(Made { bundles: written(identity, common, others, now)?, documents, unsent })
    }
}

impl Peer<'_> {
    /// Takes a bundle in: one transaction, or nothing. The same bundle twice changes nothing.
    ///
    /// # Errors
    /// [`BookError::Message`] for bytes that are no bundle, or one of another shop or version; the store.
    pub fn take_bundle(&mut self, bytes: &[u8], now: &ClockReading) -> Result<Taken, BookError> {
        let identity = self.book.identity()?.clone();
        let before = self.book.roster_of_now()?;
        let bundle: Bundle =
            read_body(bytes, true).map_err(|error| BookError::Message(format!("this is no bundle that can be read: {error}")))?;
        if bundle.bundle != BUNDLE {
            return Err(BookError::Message("this bundle is of another version; update the program. Nothing was taken in".to_owned()));
        }
        if bundle.shop != identity.root.shop {
            return Err(BookError::Message("this bundle is of another shop; nothing was taken in".to_owned()));
        }
        // By the shop's clock as well as this device knows it: rights are judged by the time of writing.
        let offset_ms = self.book.clock_evidence(now)?.offset_ms.unwrap_or_default();
        let receipt = Receipt::measured(now.wall_ms.saturating_add(offset_ms), 0, 0);
        let actor = self.book.actor();
        let (taken, roster) = self.book.store.atomically(|store| {
            let mut taken = Taken { from: bundle.from, made_at: bundle.made_at, taken: 0, held: 0, refused: Vec::new(), saved: 0 };
            let mut roster = before.clone();
            for doc in bundle.docs {
                let of_roster = doc.id == identity.root.shop.roster();
                let taking = Taking { store, actor, receipt, carrier: bundle.from, now };
                let mut batch = IncomingBatch::open(doc.id, doc.recipes);
                batch.check(&roster);
                let new = taking.document(batch, &roster, &mut taken)?;
                if new && let Some(document) = store.documents().document(doc.id)? {
                    projection::derive(store, &document, &roster)?;
                }
                if let Some(after) = follow_roster(store, &roster, new && of_roster)? {
                    roster = after;
                }
            }
            Ok::<_, BookError>((taken, roster))
        })?;
        self.book.roster = Some(roster);
        Ok(taken)
    }
}

/// Taking one bundle in.
struct Taking<'a> {
    store: &'a Store,
    actor: Bytes16,
    receipt: Receipt,
    carrier: DeviceId,
    now: &'a ClockReading,
}

impl Taking<'_> {
    /// Takes one document in; true where something new came.
    fn document(&self, mut batch: IncomingBatch, roster: &Roster, taken: &mut Taken) -> Result<bool, BookError> {
        let vouched = std::mem::take(&mut batch.vouched);
        let validator = Validator {
            roster,
            vouched: &vouched,
            contact: self.receipt,
            brought_by: self.carrier,
            of_shop: false,
            clock_doubted: Cell::default(),
        };
        // What the shop once received or signed may be from before it was put back from a backup: all of it is offered once.
        let Admitted { outcomes, mut frontier } =
            admit(self.store, &validator, &mut Allowance::of_a_bundle(), &mut batch, Provenance::FROM_BUNDLE)?;
        self.store.log().index(&mut frontier)?;
        let mut new = false;
        let mut loose: Vec<(&IncomingRecord, &Blob)> = Vec::new();
        for (brought, outcome) in batch.changes.iter().zip(outcomes) {
            match outcome {
                Outcome::Held => taken.held += 1,
                Outcome::Taken { .. } => {
                    taken.taken += 1;
                    new = true;
                }
                Outcome::Later(_) | Outcome::Refused(_) => loose.extend(brought.records.iter().zip(&brought.recipe.records)),
            }
        }
        let saved = self.save(batch.doc, &validator, &loose, taken)?;
        Ok(new || saved)
    }

    /// Saves what is good out of changes that cannot be taken as they are: their writer's phone may never reach the shop.
    fn save(
        &self,
        doc: DocId,
        validator: &Validator<'_>,
        loose: &[(&IncomingRecord, &Blob)],
        taken: &mut Taken,
    ) -> Result<bool, BookError> {
        let (mut good, mut signed): (Vec<Checked>, Vec<Vec<u8>>) = (Vec::new(), Vec::new());
        for (record, Blob(bytes)) in loose {
            match validator.judge_record(self.store, doc, record, bytes)? {
                Ok(checked) if checked.held => {}
                Ok(checked) => {
                    good.push(checked);
                    signed.push(bytes.clone());
                }
                Err(RecordRefusal { record, code, detail }) => {
                    self.store.quarantine().put(doc, bytes, code, self.now.wall_ms, RefusedBy::ThisBook { brought_by: None })?;
                    taken.refused.push(RefusedLine { doc, record, code, detail });
                }
            }
        }
        let place = place_of(self.store, doc, &good)?;
        let entries = good.into_iter().map(|c| c.entry);
        let saved = append_again(self.store, self.actor, doc, place, entries.zip(signed).collect(), self.now.wall_ms)?;
        taken.saved += saved;
        Ok(saved > 0)
    }
}
