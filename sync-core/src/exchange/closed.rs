//! Documents that are not open to the device that offers something in them: it hears what became of its own offer, with the shop's
//! receipts beside it, and nothing of the document itself.

use std::collections::{BTreeMap, BTreeSet};

use shared::bytes::Blob;
use shared::ids::{DocId, PersonId};
use shared::record::{Arrival, Body, Receipted};
use shared::wire::{DocAnswer, DocOffer};

use crate::book::BookError;
use crate::envelope;
use crate::roster::{Roster, ShopRoot};
use crate::store::Store;

/// Leaves out of the answers what their closed documents hold. Only a document that the device named can be closed to it: every other
/// one is in the answer by a grant.
pub(super) fn shut(store: &Store, person: PersonId, roster: &Roster, offers: &[DocOffer], docs: &mut [DocAnswer]) -> Result<(), BookError> {
    let offers: BTreeMap<DocId, &DocOffer> = offers.iter().map(|offer| (offer.id, offer)).collect();
    for answer in docs {
        let Some(offer) = offers.get(&answer.id) else { continue };
        if store.site(answer.id)?.is_some_and(|site| roster.may_read(person, &site)) {
            continue;
        }
        answer.heads.clear();
        answer.recipes.clear();
        answer.packs.clear();
        if !offer.recipes.is_empty() {
            answer.receipts = receipts(store, offer)?;
        }
    }
    Ok(())
}

/// The shop's receipts that a document holds for the records of an offer.
fn receipts(store: &Store, offer: &DocOffer) -> Result<Vec<Blob>, BookError> {
    let bytes = offer.recipes.iter().flat_map(|recipe| &recipe.records);
    let offered: BTreeSet<Receipted> = bytes
        .filter_map(|Blob(bytes)| envelope::open(bytes).ok())
        .map(|opened| Receipted { record: opened.record.id, sha256: opened.sha256 })
        .collect();
    let mut found = Vec::new();
    for entry in store.ledger_of(offer.id)?.entries() {
        if let Body::Arrival(arrival) = &entry.record.body
            && arrival.records.iter().any(|named| offered.contains(named))
            && let Some(held) = store.held(entry.record.id)?
        {
            found.push(Blob(held.bytes));
        }
    }
    Ok(found)
}

/// A receipt that came beside its document; `None` where the shop did not sign it for that document.
pub(super) fn receipt(root: &ShopRoot, doc: DocId, Blob(bytes): &Blob) -> Option<Arrival> {
    let opened = envelope::open(bytes).ok()?;
    let holds = opened.device == root.device && opened.record.doc == doc && opened.verify(&root.key, root.shop).is_ok();
    match opened.record.body {
        Body::Arrival(arrival) if holds => Some(arrival),
        _ => None,
    }
}
