//! Nothing read without a grant: a role opens the roster and the engines; lead and office see all; a property given opens it and the
//! machines there; and what somebody founded is open to them. No role opens nothing.

use shared::ids::{DocId, PersonId};
use shared::record::Body;
use shared::role::Role;
use shared::wire::ExchangeAnswer;
use sync_core::store::Store;

use super::super::world::{Broken, SHOP, World};
use super::Truth;

impl World {
    /// Looks at what the shop sent to a device: whether it was open to its person before the exchange or after it.
    pub(in crate::sim) fn watch_eyes(&self, phone: usize, before: &Truth, answer: &ExchangeAnswer) -> Result<(), Broken> {
        let (Some(after), Some(shop)) = (self.truth(), self.nodes[SHOP].book.as_ref()) else { return Ok(()) };
        let node = &self.nodes[phone];
        for doc in answer.docs.iter().filter(|doc| !doc.segments.is_empty() || !doc.recipes.is_empty()) {
            let opened = [before, &after].into_iter().any(|truth| self.is_open(truth, node.person, doc.id, shop.store()));
            if !opened {
                let place = self.shop_place_name(doc.id);
                let roles = after.roles(node.person);
                let seen = format!("the shop sent {} ({roles:?}) what is in the document {} ({place})", node.name, doc.id);
                return Err(Broken { promise: "nothing read without a grant", seen });
            }
        }
        Ok(())
    }

    pub(super) fn is_open(&self, truth: &Truth, person: PersonId, doc: DocId, store: &Store) -> bool {
        let roles: Vec<Role> = truth.roles(person).into_iter().flatten().collect();
        let shop = truth.roster.root.shop;
        if roles.is_empty() {
            return false;
        }
        if roles.iter().any(|role| matches!(role, Role::Lead | Role::Office)) || doc == shop.roster() || doc == shop.engines() {
            return true;
        }
        let given = |property: DocId| truth.roster.assignments.iter().any(|(who, given)| *who == person && given.doc() == property);
        let lives_at = store.machine_rows().machine(doc).ok().flatten().and_then(|row| row.state.property());
        given(doc) || lives_at.is_some_and(|property| given(property.doc())) || self.founded(person, doc, store)
    }

    /// Whether somebody founded a document. A card that they forged for one that was there already founds nothing.
    fn founded(&self, person: PersonId, doc: DocId, store: &Store) -> bool {
        let Ok(ledger) = store.records().ledger_of(doc) else { return false };
        ledger.entries().any(|entry| {
            let forged = self.forged.iter().find(|forged| forged.is(entry));
            entry.record.by == person
                && matches!(entry.record.body, Body::Machine(_) | Body::Property(_))
                && forged.is_none_or(|forged| forged.founds)
        })
    }
}
