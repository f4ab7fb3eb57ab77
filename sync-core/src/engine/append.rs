//! Appending: signed records become one change of their document, and what is derived from it follows in the same step.

use std::collections::BTreeSet;
use std::sync::Arc;

use shared::bytes::{Blob, Bytes16, Bytes32};
use shared::ids::{DocId, RecordId};
use shared::wire::{LARGEST_CHANGE, Recipe};

use crate::change::replica::{self, MOST_RECORDS};
use crate::engine::{BookError, projection};
use crate::judge::ledger::Entry;
use crate::judge::permissions::DocKind;
use crate::judge::roster::Roster;
use crate::store::frontier::Frontier;
use crate::store::{Checked, Provenance, Store, TouchedDocument};

/// Appends signed records to a document on its present heads: as one change, or as several where one would be too large.
/// Its rows are derived by the caller, once for all that a step appends.
pub(crate) fn append_signed(
    store: &Store,
    actor: Bytes16,
    doc: DocId,
    place: DocKind,
    signed: Vec<(Entry, Vec<u8>)>,
    time_ms: i64,
    at_shop: bool,
) -> Result<(), BookError> {
    let mut frontier = Frontier::read(store, doc)?;
    for batch in batches(signed) {
        append_on(store, &mut frontier, actor, place, batch, time_ms, at_shop)?;
        // The next one must know what this one holds.
        store.log().index(&mut frontier)?;
    }
    Ok(())
}

/// Records in their order, as many together as one change takes.
fn batches(signed: Vec<(Entry, Vec<u8>)>) -> Vec<Vec<(Entry, Vec<u8>)>> {
    let mut batches = Vec::new();
    let (mut batch, mut bytes) = (Vec::new(), 0);
    for one in signed {
        if !batch.is_empty() && (batch.len() == MOST_RECORDS || bytes + one.1.len() > LARGEST_CHANGE) {
            batches.push(std::mem::take(&mut batch));
            bytes = 0;
        }
        bytes += one.1.len();
        batch.push(one);
    }
    batches.extend((!batch.is_empty()).then_some(batch));
    batches
}

/// The same on a frontier that the caller settles, with whatever else was appended.
pub(crate) fn append_on(
    store: &Store,
    frontier: &mut Frontier,
    actor: Bytes16,
    place: DocKind,
    signed: Vec<(Entry, Vec<u8>)>,
    time_ms: i64,
    at_shop: bool,
) -> Result<(), BookError> {
    let deps = frontier.heads();
    let ids: Vec<RecordId> = signed.iter().map(|(entry, _)| entry.record.id).collect();
    let mut recipe = Recipe {
        hash: Bytes32([0; 32]),
        actor,
        seq: frontier.last_of(actor).map_or(1, |last| last.seq + 1),
        start_op: frontier.top_op(store, &deps)? + 1,
        deps,
        time: replica::change_time(time_ms),
        records: Vec::with_capacity(signed.len()),
    };
    let mut checked = Vec::with_capacity(signed.len());
    for (entry, bytes) in signed {
        let held = store.records().holds_record(entry.record.id)?;
        checked.push(Checked { entry, held });
        recipe.records.push(Blob(bytes));
    }
    recipe.hash = replica::hash_of(frontier.doc, &recipe, &ids)?;
    frontier.advance(&recipe);
    store.log().append_segment(frontier, place, vec![(recipe, checked)], Provenance { at_shop, verified: true }, None)?;
    Ok(())
}

/// Appends records that were in other changes before, each once: two changes may have carried the same one. The shop is not known
/// to hold them. Gives how many were appended.
pub(crate) fn append_again(
    store: &Store,
    actor: Bytes16,
    doc: DocId,
    place: DocKind,
    mut signed: Vec<(Entry, Vec<u8>)>,
    time_ms: i64,
) -> Result<usize, BookError> {
    let mut once = BTreeSet::new();
    signed.retain(|(entry, _)| once.insert(entry.record.id));
    if !signed.is_empty() {
        append_signed(store, actor, doc, place, signed, time_ms, false)?;
    }
    Ok(once.len())
}

/// Follows a moved roster, inside the transaction that moved it: roles and settings reach into the standings of other
/// documents. Gives the new roster, or `None` where it has not moved.
pub(crate) fn follow_roster(store: &Store, before: &Roster, moved: bool) -> Result<Option<Arc<Roster>>, BookError> {
    if !moved {
        return Ok(None);
    }
    let after = Roster::build(before.root, &*store.records().ledger_of(before.root.shop.roster())?);
    let mut touched: BTreeSet<i64> = BTreeSet::new();
    for person in after.roles_differ(before) {
        touched.extend(store.records().documents_by_author(person)?);
    }
    let everything = before.settings != after.settings;
    let mut documents: Vec<TouchedDocument> = Vec::new();
    if everything {
        documents.extend(store.documents().all()?.iter().map(TouchedDocument::from));
    } else {
        documents.extend(store.documents().document(before.root.shop.roster())?.iter().map(TouchedDocument::from));
        for num in touched {
            documents.extend(store.documents().document_by_num(num)?.iter().map(TouchedDocument::from));
        }
        documents.sort_unstable();
        documents.dedup();
    }
    projection::derive_all(store, &documents, &after)?;
    Ok(Some(Arc::new(after)))
}
