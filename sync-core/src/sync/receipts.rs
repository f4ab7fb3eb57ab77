//! The shop's receipts beside a document: where an answer has records and not the segment of the log with their receipts.
//!
//! A record's right was judged when it arrived at the shop; the device that is handed the record goes by the receipt, since roles
//! and devices may have changed since. So a record and its receipt travel in one answer, wherever a page ends. A document that is
//! closed to the device brings its receipts in no other way.

use std::collections::BTreeSet;

use shared::bytes::Blob;
use shared::ids::DocId;
use shared::record::{Arrival, Body, Receipted};

use crate::crypto::envelope;
use crate::engine::BookError;
use crate::judge::roster::ShopRoot;
use crate::store::Store;

/// The shop's receipts that a document holds for some of its records, but those that are among the records themselves.
pub(super) fn of_records<'r>(store: &Store, doc: DocId, records: impl Iterator<Item = &'r Blob>) -> Result<Vec<Blob>, BookError> {
    let records: BTreeSet<Receipted> =
        records.filter_map(|Blob(bytes)| envelope::decode_unverified(bytes).ok()).map(|opened| opened.receipted()).collect();
    let mut found = Vec::new();
    for entry in store.records().ledger_of(doc)?.entries() {
        if let Body::Arrival(arrival) = &entry.record.body
            && !records.contains(&entry.receipted())
            && arrival.records.iter().any(|named| records.contains(named))
            && let Some(held) = store.records().held(entry.record.id)?
        {
            found.push(Blob(held.bytes));
        }
    }
    Ok(found)
}

/// A receipt that came beside its document; `None` where the shop did not sign it for that document.
pub(super) fn read(root: &ShopRoot, doc: DocId, Blob(bytes): &Blob) -> Option<Arrival> {
    let opened = envelope::decode_unverified(bytes).ok()?;
    let holds = opened.device == root.device && opened.record.doc == doc && opened.verify(&root.key, root.shop).is_ok();
    match opened.record.body {
        Body::Arrival(arrival) if holds => Some(arrival),
        _ => None,
    }
}
