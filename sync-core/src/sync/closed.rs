//! Documents that are not open to the device that offers something in them: it hears what became of its own offer, with the shop's
//! receipts beside it, and nothing of the document itself.

use std::collections::BTreeMap;

use shared::ids::{DocId, PersonId};
use shared::wire::{DocAnswer, DocOffer};

use super::receipts;
use crate::engine::BookError;
use crate::judge::roster::Roster;
use crate::store::Store;

/// Leaves out of the answers what their closed documents hold. Only a document that the device named can be closed to it: every other
/// one is in the answer by a grant.
pub(super) fn shut(store: &Store, person: PersonId, roster: &Roster, offers: &[DocOffer], docs: &mut [DocAnswer]) -> Result<(), BookError> {
    let offers: BTreeMap<DocId, &DocOffer> = offers.iter().map(|offer| (offer.id, offer)).collect();
    for answer in docs {
        let Some(offer) = offers.get(&answer.id) else { continue };
        if store.documents().site(answer.id)?.is_some_and(|site| roster.may_read(person, &site)) {
            continue;
        }
        answer.heads.clear();
        answer.recipes.clear();
        answer.segments.clear();
        answer.receipts.clear();
        if !offer.recipes.is_empty() {
            answer.receipts = receipts::of_records(store, offer.id, offer.recipes.iter().flat_map(|recipe| &recipe.records))?;
        }
    }
    Ok(())
}
