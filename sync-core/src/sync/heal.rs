//! Healing: where the shop did not take a change, the device takes the shop's document and appends its own unsent good
//! records again under a new actor. Nothing that a person entered is dropped: what was refused waits in quarantine, and what
//! the shop takes on another day waits where it is.

use std::collections::BTreeMap;

use shared::bytes::Bytes16;
use shared::ids::DeviceId;
use shared::wire::{DocAnswer, Refusal};

use crate::crypto::envelope;
use crate::engine::BookError;
use crate::engine::append::append_again;
use crate::judge::ledger::Entry;
use crate::judge::rights::Place;
use crate::store::Store;
use crate::sys::moment::Moment;

/// Healing one answer's documents.
pub(super) struct Healing<'a> {
    pub(super) store: &'a Store,
    pub(super) actor: Bytes16,
    /// This device.
    pub(super) own: DeviceId,
    /// When the shop's next day begins, by this device's clock.
    pub(super) tomorrow_ms: i64,
    pub(super) now: &'a Moment,
}

impl Healing<'_> {
    /// Heals a document after refusals; gives the number of records appended again, `None` where nothing is to be healed but
    /// all that was refused waits for tomorrow.
    pub(super) fn heal(&self, answer: &DocAnswer) -> Result<Option<usize>, BookError> {
        let store = self.store;
        let Some(document) = store.document(answer.id)? else { return Ok(Some(0)) };
        let (mut waits, mut heals) = (false, false);
        // A device waits with what is its own. Somebody else's records, carried here, that one still has and offers itself:
        // waiting with them would hold up what was written after them.
        let mut of_others: BTreeMap<DeviceId, &Refusal> = BTreeMap::new();
        for refusal in &answer.refused {
            let device = match refusal.record.filter(|_| refusal.code.waits()) {
                Some(id) => store.held(id)?.map(|held| held.entry.device),
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
            store.hold_back(answer.id, self.tomorrow_ms)?;
        }
        Ok(healed)
    }

    fn append_the_good(&self, answer: &DocAnswer, place: Place, of_others: &BTreeMap<DeviceId, &Refusal>) -> Result<usize, BookError> {
        let Self { store, now, .. } = *self;
        let mut good = Vec::new();
        let held = [answer.taken.as_slice(), &answer.heads].concat();
        for bytes in store.take_out_unsent(answer.id, &held)? {
            let Ok(opened) = envelope::open(&bytes.0) else {
                return Err(BookError::Defect("a record of this book cannot be read".to_owned()));
            };
            let id = opened.record.id;
            let named = answer.refused.iter().find(|r| r.record == Some(id) && !(r.code.waits() && opened.device == self.own));
            match named.or_else(|| of_others.get(&opened.device).copied()) {
                Some(refusal) => store.quarantine(answer.id, &bytes.0, refusal.code, &refusal.detail, now.wall_ms, None)?,
                // The shop may have sent the very record by another way.
                None if store.holds_record(id)? || store.is_quarantined(&bytes.0)? => {}
                None => good.push((Entry { device: opened.device, sha256: opened.sha256, record: opened.record }, bytes.0)),
            }
        }
        append_again(store, self.actor, answer.id, place, good, now.wall_ms)
    }
}
