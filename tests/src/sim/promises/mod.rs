//! What the book promises against insiders, judged by the simulator's own record of who was granted what, and not by the book's rules.
//!
//! - `hand`: nothing forged gets into the shop's book unless its author had the right.
//! - `eyes`: the shop sends nobody a document that no grant opens.
//! - `size`: no answer is larger than a page, and no document larger than what can be verified.
//! - `weight`: what a wrong hand wrote makes no difference. Left out of the book, everything stands as before.
//! - `after`: the shop goes on. A day is closed, a new device is filled, a backup is put back and serves everyone.

mod after;
mod eyes;
mod hand;
mod size;
mod weight;

pub(super) use after::goes_on;
pub(super) use weight::weigh;

use shared::ids::{PersonId, RecordId};
use shared::role::Role;
use sync_core::judge::ledger::Ledger;
use sync_core::judge::roster::Roster;
use sync_core::store::Store;

use super::insider::Fate;
use super::world::{SHOP, World};

/// A role that somebody with the right granted, or took away.
#[derive(Debug, Clone)]
pub(super) struct Grant {
    pub(super) record: RecordId,
    pub(super) person: PersonId,
    pub(super) role: Option<Role>,
    /// True time, ms since 1970 UTC.
    pub(super) at_ms: i64,
    /// Voids of it that honest people wrote.
    pub(super) voids: Vec<RecordId>,
}

impl Grant {
    /// Whether it is in a store, and not taken back there.
    pub(super) fn counts(&self, store: &Store) -> bool {
        let holds = |record: &RecordId| store.records().holds_record(*record).unwrap_or(false);
        holds(&self.record) && !self.voids.iter().any(holds)
    }
}

/// What the shop can know of rights at a moment.
pub(super) struct Truth {
    /// The roster without anything that a wrong hand wrote.
    pub(super) roster: Roster,
    /// What has reached the shop, by true time.
    grants: Vec<Grant>,
}

impl Truth {
    /// What a phone knows of rights by its own roster.
    pub(super) const fn of_phone(roster: Roster) -> Self {
        Self { roster, grants: Vec::new() }
    }

    /// The roles that a person may have: two where the shop's clocks and the true ones do not agree on which grant is the last.
    pub(super) fn roles(&self, person: PersonId) -> Vec<Option<Role>> {
        self.roles_at(person, i64::MAX)
    }

    /// The roles that a person may have had at a time.
    pub(super) fn roles_at(&self, person: PersonId, ms: i64) -> Vec<Option<Role>> {
        let mut roles = vec![self.roster.role_at(person, ms)];
        let granted = self.grants.iter().rfind(|grant| grant.person == person && grant.at_ms <= ms);
        roles.extend(granted.map(|grant| grant.role));
        roles
    }
}

impl World {
    /// Whether a node's own program forges.
    pub(super) fn is_insider(&self, node: usize) -> bool {
        self.insiders.contains(&self.nodes[node].device)
    }

    /// What the shop can know of rights now; `None` in a story without insiders, or while the shop's book is closed.
    pub(super) fn truth(&self) -> Option<Truth> {
        self.truth_without(&[])
    }

    /// The same, whatever these records say of it: nobody has a right by their own word.
    fn truth_without(&self, new: &[RecordId]) -> Option<Truth> {
        if self.insiders.is_empty() {
            return None;
        }
        let wrong = self
            .forged
            .iter()
            .filter(|f| matches!(f.fate, Fate::In { lawful: false } | Fate::Released { by_claim: false }))
            .map(|f| f.record);
        let roster = self.roster_without(SHOP, &wrong.chain(new.iter().copied()).collect())?;
        let store = self.nodes[SHOP].book.as_ref()?.store();
        let grants = self.grants.iter().filter(|grant| grant.counts(store)).cloned().collect();
        Some(Truth { roster, grants })
    }

    /// A node's roster without these records.
    pub(super) fn roster_without(&self, node: usize, wrong: &std::collections::BTreeSet<RecordId>) -> Option<Roster> {
        let book = self.nodes[node].book.as_ref()?;
        let root = book.roster().ok()?.root;
        let ledger = book.store().records().ledger_of(root.shop.roster()).ok()?;
        if !ledger.entries().any(|entry| wrong.contains(&entry.record.id)) {
            return book.roster().ok().cloned();
        }
        Some(Roster::build(root, &Ledger::new(ledger.entries().filter(|entry| !wrong.contains(&entry.record.id)).cloned())))
    }
}
