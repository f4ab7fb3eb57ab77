//! The rebase: where the shop did not take a change, the device takes the shop's document and appends its own unsent good
//! records again under a new actor. Nothing that a person entered is dropped: what was refused waits in quarantine, and what
//! the shop takes on another day waits where it is.

use std::collections::{BTreeMap, BTreeSet};

use shared::bytes::Bytes16;
use shared::ids::{DeviceId, DocId};
use shared::wire::{DocAnswer, Refusal};

use crate::crypto::envelope;
use crate::engine::BookError;
use crate::engine::append::append_again;
use crate::engine::validate::entry_of;
use crate::judge::ledger::Entry;
use crate::judge::permissions::DocKind;
use crate::store::{RefusedBy, Store};
use crate::sys::clock::ClockReading;

/// Rebases one answer's documents.
pub(super) struct Rebase<'a> {
    pub(super) store: &'a Store,
    pub(super) actor: Bytes16,
    /// This device.
    pub(super) own: DeviceId,
    /// When the shop's next day begins, by this device's clock.
    pub(super) tomorrow_ms: i64,
    pub(super) now: &'a ClockReading,
}

impl Rebase<'_> {
    /// Heals a document after refusals; gives the number of records appended again, `None` where nothing is to be healed but
    /// all that was refused waits for tomorrow.
    pub(super) fn heal(&self, answer: &DocAnswer) -> Result<Option<usize>, BookError> {
        let store = self.store;
        let Some(document) = store.documents().document(answer.id)? else { return Ok(Some(0)) };
        let (mut waits, mut heals) = (false, false);
        // A device waits with what is its own. Somebody else's records, carried here, that one still has and offers itself:
        // waiting with them would hold up what was written after them.
        let mut of_others: BTreeMap<DeviceId, &Refusal> = BTreeMap::new();
        for refusal in &answer.refused {
            let device = match refusal.record.filter(|_| refusal.code.waits()) {
                Some(id) => store.records().held(id)?.map(|held| held.entry.device),
                None => None,
            };
            match device {
                Some(device) if device == self.own => waits = true,
                other => {
                    heals = true;
                    of_others.extend(other.map(|device| (device, refusal)));
                }
            }
        }
        let healed = if heals { Some(self.append_the_good(answer, document.place, &of_others)?) } else { None };
        if waits {
            store.outbox().hold_back(answer.id, self.tomorrow_ms)?;
        }
        Ok(healed)
    }

    fn append_the_good(&self, answer: &DocAnswer, place: DocKind, of_others: &BTreeMap<DeviceId, &Refusal>) -> Result<usize, BookError> {
        let Self { store, now, .. } = *self;
        let mut good = Vec::new();
        let held = [answer.taken.as_slice(), &answer.heads].concat();
        for bytes in store.outbox().take_out_unsent(answer.id, &held)? {
            let Ok(opened) = envelope::decode_unverified(&bytes.0) else {
                return Err(BookError::Defect("a record of this book cannot be read".to_owned()));
            };
            let id = opened.record.id;
            let named = answer.refused.iter().find(|r| r.record == Some(id) && !(r.code.waits() && opened.device == self.own));
            match named.or_else(|| of_others.get(&opened.device).copied()) {
                // Refused for want of room, say, in yet another change: it waits for nobody.
                Some(_) if store.records().holds_bytes(id, &bytes.0)? => {}
                Some(refusal) => {
                    // What the shop takes on another day is not in its own quarantine: a bundle may bring it again.
                    let by = if refusal.code.waits() { RefusedBy::ThisBook { brought_by: None } } else { RefusedBy::Shop };
                    store.quarantine().put(answer.id, &bytes.0, refusal.code, now.wall_ms, by)?;
                }
                // The shop may have sent the very record by another way.
                None if store.records().holds_record(id)? || store.quarantine().is_quarantined(&bytes.0)? => {}
                None => good.push((Entry { device: opened.device, sha256: opened.sha256, record: opened.record }, bytes.0)),
            }
        }
        append_again(store, self.actor, answer.id, place, good, now.wall_ms)
    }
}

/// Appends again what this device wrote and the shop of another epoch refused: a shop that was put back may know nothing of it, and
/// then nobody in the office could decide. Gives the documents, whose rows are still to be made.
pub(super) fn offer_refused_again(store: &Store, actor: Bytes16, own: DeviceId, now: &ClockReading) -> Result<BTreeSet<DocId>, BookError> {
    let mut of_docs: BTreeMap<DocId, Vec<(Entry, Vec<u8>)>> = BTreeMap::new();
    for (doc, bytes) in store.quarantine().forget_refusals(own)? {
        let opened =
            envelope::decode_unverified(&bytes).map_err(|_| BookError::Defect("a record of this book cannot be read".to_owned()))?;
        if !store.records().holds_record(opened.record.id)? {
            of_docs.entry(doc).or_default().push((entry_of(&opened), bytes));
        }
    }
    let docs = of_docs.keys().copied().collect();
    for (doc, signed) in of_docs {
        let founded = || signed.iter().find_map(|(entry, _)| DocKind::founded_by(&entry.record.body));
        if let Some(place) = store.documents().place(doc)?.or_else(founded) {
            append_again(store, actor, doc, place, signed, now.wall_ms)?;
        }
    }
    Ok(docs)
}
