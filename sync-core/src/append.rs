//! Appending: signed records become one change of their document, and what is derived from it follows in the same step.

use std::collections::BTreeSet;

use shared::bytes::{Blob, Bytes16, Bytes32};
use shared::ids::DocId;
use shared::wire::Recipe;

use crate::admission::Checked;
use crate::book::BookError;
use crate::ledger::Entry;
use crate::replica::{self, MOST_RECORDS};
use crate::rights::Place;
use crate::roster::Roster;
use crate::store::Store;

/// Appends signed records to a document as one change on its present heads, and derives its rows.
#[expect(clippy::too_many_arguments, reason = "one call site each in writing, healing and receipting; a struct would only rename them")]
pub(crate) fn append_signed(
    store: &Store,
    roster: &Roster,
    actor: Bytes16,
    doc: DocId,
    place: Place,
    signed: Vec<(Entry, Vec<u8>)>,
    time_ms: i64,
    at_shop: bool,
) -> Result<u64, BookError> {
    let document = store.found_document(doc, place)?;
    let last = store.last_of_actor(doc, actor)?;
    let mut recipe = Recipe {
        hash: Bytes32([0; 32]),
        actor,
        seq: last.map_or(1, |l| l.seq + 1),
        start_op: store.top_op(&document.heads)? + 1,
        deps: document.heads.clone(),
        // Only for who opens the document elsewhere: the records say when, and no clock keeps one from being written.
        time: time_ms.clamp(0, replica::LAST_TIME_MS),
        records: signed.iter().map(|(_, bytes)| Blob(bytes.clone())).collect(),
    };
    recipe.hash = replica::change_hash(doc, &recipe)?;
    let mut checked = Vec::with_capacity(signed.len());
    for (entry, _) in signed {
        let held = store.held(entry.record.id)?.is_some();
        checked.push(Checked { device: entry.device, record: entry.record, held });
    }
    let pos = store.append(doc, place, &recipe, &checked, at_shop)?;
    let document = store.found_document(doc, place)?;
    store.derive(&document, roster)?;
    Ok(pos)
}

/// Appends records that were in other changes before, as many to a change as one takes; the shop is not known to hold them.
pub(crate) fn append_again(
    store: &Store,
    roster: &Roster,
    actor: Bytes16,
    doc: DocId,
    place: Place,
    mut signed: Vec<(Entry, Vec<u8>)>,
    time_ms: i64,
) -> Result<(), BookError> {
    while !signed.is_empty() {
        let batch = signed.drain(..signed.len().min(MOST_RECORDS)).collect();
        append_signed(store, roster, actor, doc, place, batch, time_ms, false)?;
    }
    Ok(())
}

/// Follows a moved roster, inside the transaction that moved it: roles and settings reach into the standings of other
/// documents. Gives the new roster, or `None` where it has not moved.
pub(crate) fn follow_roster(store: &Store, before: &Roster, moved: bool) -> Result<Option<Roster>, BookError> {
    if !moved {
        return Ok(None);
    }
    let after = Roster::build(before.root, &store.ledger_of(before.root.shop.roster())?);
    let mut touched: BTreeSet<i64> = BTreeSet::new();
    for person in after.roles_differ(before) {
        touched.extend(store.documents_by_author(person)?);
    }
    for document in store.documents()? {
        if before.settings != after.settings || document.place == Place::Roster || touched.contains(&document.num) {
            store.derive(&document, &after)?;
        }
    }
    Ok(Some(after))
}
