//! Whole documents taken on the shop's word: segments kept as they came, rows made from what is in them.
//!
//! Hashes and signatures are verified afterwards, document by document (see [`verify_deferred`]): a phone that is filled in the
//! yard must not keep its owner waiting for what the shop has checked already.

use std::collections::BTreeSet;

use shared::bytes::{Blob, Bytes32};
use shared::ids::{DeviceId, DocId, PersonId, ShopId};
use shared::wire::{Reader, Recipe};

use super::projection::compressed_rows_of;
use crate::change::segment_codec;
use crate::crypto::envelope;
use crate::judge::ledger::{Entry, Ledger};
use crate::judge::permissions::DocKind;
use crate::judge::roster::Roster;
use crate::store::frontier::Frontier;
use crate::store::{Store, StoreError, WholeDocument, changes_in, entry};
use crate::sys::par_map::par_map;

/// A whole document, opened and ready to be kept.
#[derive(Debug)]
pub(crate) struct Filled(WholeDocument);

impl Filled {
    /// Opens a whole document; `None` where it does not hold together.
    pub(crate) fn open(doc: DocId, received: Vec<Blob>, roster: &Roster) -> Option<Self> {
        let mut frontier = Frontier::empty(doc);
        let mut segments = Vec::with_capacity(received.len());
        let mut all = Vec::new();
        let mut place = DocKind::reserved(roster.root.shop, doc);
        for encoded in received {
            let mut reader = Reader::default();
            let mut entries = Vec::new();
            let mut before = None;
            for short in segment_codec::decode(&encoded.0).ok()? {
                let facts = reader.next(&short)?;
                // Named or not, a hash that the next change leaves out is nobody's end: anything stands in for it here.
                let deps = facts.deps.or_else(|| before.map(|hash| vec![hash]))?;
                let hash = short.hash.unwrap_or(Bytes32([0; 32]));
                for Blob(bytes) in &short.records {
                    entries.push(entry(bytes).ok()?);
                }
                frontier.advance(&Recipe {
                    hash,
                    actor: facts.actor,
                    seq: facts.seq,
                    start_op: facts.start_op,
                    deps,
                    time: 0,
                    records: short.records,
                });
                before = Some(hash);
            }
            if !reader.may_end() {
                return None;
            }
            place = place.or_else(|| entries.iter().find_map(|entry| DocKind::founded_by(&entry.record.body)));
            all.extend(entries.iter().cloned());
            segments.push((before?, encoded, entries));
        }
        let place = place?;
        let fits = |entry: &Entry| entry.record.doc == doc && place.takes(entry.record.body.kind());
        let rows = all.iter().all(fits).then(|| compressed_rows_of(place, &Ledger::new(all), roster).ok())??;
        Some(Self(WholeDocument { frontier, place, segments, rows }))
    }

    /// How many changes it has.
    pub(crate) fn changes(&self) -> usize {
        self.0.frontier.count()
    }

    /// Keeps it, where nothing of the document is here. False where some record of it is held already, in another one.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn keep(self, store: &Store) -> Result<bool, StoreError> {
        store.documents().keep_whole(self.0)
    }
}

/// Proves segments that were kept on the shop's word, the oldest first, up to a count: every change is what its hash names, every
/// signature holds. Gives the documents of those that do not hold.
///
/// # Errors
/// [`StoreError`].
pub(crate) fn verify_deferred(store: &Store, most: usize, roster: &Roster) -> Result<BTreeSet<DocId>, StoreError> {
    let holds = |Blob(bytes): &Blob| record_holds(bytes, roster.root.shop, |device| roster.signer(device));
    let looked_at = par_map(store.documents().unverified_segments(most)?, |segment| {
        let changes = changes_in(segment.doc, &segment.encoded, true);
        let holds = changes.is_ok_and(|changes| changes.iter().flat_map(|(recipe, _)| &recipe.records).all(holds));
        (segment.pos, segment.doc, holds)
    });
    let mut broken = BTreeSet::new();
    for (pos, doc, holds) in looked_at {
        if holds {
            store.documents().note_verified(pos)?;
        } else {
            broken.insert(doc);
        }
    }
    Ok(broken)
}

/// Whether a record holds under its device's key, and is its device's person's.
pub(super) fn record_holds(bytes: &[u8], shop: ShopId, signer: impl Fn(DeviceId) -> Option<(Bytes32, PersonId)>) -> bool {
    envelope::decode_unverified(bytes).is_ok_and(|opened| {
        signer(opened.device).is_some_and(|(key, person)| opened.record.by == person && opened.verify(&key, shop).is_ok())
    })
}
