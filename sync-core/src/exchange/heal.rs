//! Healing: where the shop did not take a change, the device takes the shop's document and appends its own unsent good
//! records again under a new actor. Nothing that a person entered is dropped: what was refused waits in quarantine.

use shared::bytes::Bytes16;
use shared::wire::DocAnswer;

use crate::append::append_again;
use crate::book::BookError;
use crate::envelope;
use crate::ledger::Entry;
use crate::moment::Moment;
use crate::store::Store;

/// Heals a document after refusals; gives the number of records appended again.
pub(super) fn heal(store: &Store, actor: Bytes16, answer: &DocAnswer, now: &Moment) -> Result<usize, BookError> {
    let Some(document) = store.document(answer.id)? else { return Ok(0) };
    let mut good = Vec::new();
    for bytes in store.take_out_unsent(answer.id)? {
        let Ok(opened) = envelope::open(&bytes.0) else {
            return Err(BookError::Defect("a record of this book cannot be read".to_owned()));
        };
        let id = opened.record.id;
        match answer.refused.iter().find(|r| r.record == Some(id)) {
            Some(refusal) => store.quarantine(answer.id, &bytes.0, refusal.code, &refusal.detail, now.wall_ms, None)?,
            // The shop may have sent the very record by another way.
            None if store.holds_record(id)? || store.is_quarantined(&bytes.0)? => {}
            None => good.push((Entry { device: opened.device, record: opened.record }, bytes.0)),
        }
    }
    let healed = good.len();
    append_again(store, actor, answer.id, document.place, good, now.wall_ms)?;
    Ok(healed)
}
