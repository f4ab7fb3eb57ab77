//! Verification: everything derived is derived anew from the records, and must be the same.

use std::collections::BTreeSet;

use sha2::{Digest, Sha256};
use shared::bytes::Bytes32;
use shared::wire::Recipe;

use super::fill::record_holds;
use super::log::{changes_in, frontier_of};
use super::{DocumentRow, Store, StoreError, pack};
use crate::identity::Identity;
use crate::replica;
use crate::roster::Roster;

/// What a verification found.
#[derive(Debug, Clone, PartialEq, Eq, Default, serde::Serialize)]
pub struct Verification {
    /// Documents looked at.
    pub documents: usize,
    /// Changes rebuilt from their records.
    pub changes: usize,
    /// Records whose signatures were checked.
    pub records: usize,
    /// What is wrong, one sentence each. Empty: nothing.
    pub faults: Vec<String>,
}

/// Carries a dry run's findings out of a transaction that is then undone.
enum DryRun {
    Done(Vec<String>),
    Failed(StoreError),
}

impl From<StoreError> for DryRun {
    fn from(error: StoreError) -> Self {
        Self::Failed(error)
    }
}

impl Store {
    /// Verifies the book: SQLite's own check, every signature, every change's hash from its records, every document saved
    /// and loaded again, and every derived row against a rebuild.
    ///
    /// A device writes from its enrolment on, and the roster has its card only with the shop's first answer: until then its
    /// `own` key holds.
    ///
    /// # Errors
    /// [`StoreError`] where the book cannot even be read.
    pub fn verify(&self, roster: &Roster, own: &Identity) -> Result<Verification, StoreError> {
        let mut found = Verification::default();
        let integrity: String = self.connection.query_row("PRAGMA integrity_check(20)", [], |row| row.get(0))?;
        if integrity != "ok" {
            found.faults.push(format!("SQLite finds the file damaged: {integrity}."));
        }
        let signer = |device| roster.signer(device).or_else(|| (device == own.device).then_some((own.record_key, own.person)));
        for document in self.documents()? {
            found.documents += 1;
            let recipes = match self.recipes_again(&document) {
                Ok(recipes) => recipes,
                Err(StoreError::Damaged(why)) => {
                    found.faults.push(format!("A change of document {} is not what its records make ({why}).", document.doc));
                    continue;
                }
                Err(other) => return Err(other),
            };
            found.changes += recipes.len();
            found.records += recipes.iter().map(|recipe| recipe.records.len()).sum::<usize>();
            if !recipes.iter().flat_map(|recipe| &recipe.records).all(|bytes| record_holds(&bytes.0, roster.root.shop, signer)) {
                found.faults.push(format!("A record of document {} does not hold under its device's key.", document.doc));
            }
            let again = replica::save(document.doc, &recipes).and_then(|saved| replica::load(document.doc, &saved, &document.heads));
            match again {
                Ok(loaded) if loaded.len() == recipes.len() => {}
                Ok(_) => found.faults.push(format!("Document {} loses changes when saved and loaded.", document.doc)),
                Err(error) => found.faults.push(format!("Document {} does not save and load: {error}.", document.doc)),
            }
            let frontier = frontier_of(document.doc, recipes.iter());
            if frontier.heads() != document.heads {
                found.faults.push(format!("The heads of document {} are not those of its changes.", document.doc));
            }
            if frontier.size() != document.size {
                found.faults.push(format!("Document {} holds more or less than its row says.", document.doc));
            }
            let mut ends: Vec<_> = frontier.moved().copied().collect();
            let mut held = self.actor_ends(document.num)?;
            ends.sort_by_key(|end| end.actor);
            held.sort_by_key(|end| end.actor);
            if ends != held {
                found.faults.push(format!("The last changes of document {} are not those that its rows name.", document.doc));
            }
        }
        let before = self.derived_dump()?;
        let after = self.rebuilt_dump(roster)?;
        if before != after {
            let differing = before.iter().zip(&after).filter(|(a, b)| a != b).count() + before.len().abs_diff(after.len());
            found.faults.push(format!("{differing} derived rows differ from a rebuild."));
        }
        Ok(found)
    }

    /// The derived rows as a rebuild makes them. The rebuild itself is undone.
    fn rebuilt_dump(&self, roster: &Roster) -> Result<Vec<String>, StoreError> {
        let outcome: Result<(), DryRun> = self.atomically(|store| {
            store.derive_anew(roster)?;
            Err(DryRun::Done(store.derived_dump()?))
        });
        match outcome {
            Err(DryRun::Done(lines)) => Ok(lines),
            Err(DryRun::Failed(error)) => Err(error),
            Ok(()) => Ok(Vec::new()),
        }
    }

    /// Derives every row anew and keeps the result.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn rebuild(&self, roster: &Roster) -> Result<(), StoreError> {
        self.atomically(|store| store.derive_anew(roster))
    }

    fn derive_anew(&self, roster: &Roster) -> Result<(), StoreError> {
        self.connection.execute_batch(
            "DELETE FROM views; DELETE FROM came; DELETE FROM open_slots; DELETE FROM machines; DELETE FROM records; DELETE FROM authors;",
        )?;
        for document in self.documents()? {
            self.index_records(document.num, Some(&BTreeSet::new()))?;
        }
        self.derive_everything(roster)
    }

    /// A document's changes with their hashes made again from the records.
    fn recipes_again(&self, document: &DocumentRow) -> Result<Vec<Recipe>, StoreError> {
        let mut recipes = Vec::new();
        for part in self.parts_of(document.num)? {
            recipes.extend(changes_in(document.doc, &part.pack, true)?.into_iter().map(|(recipe, _)| recipe));
        }
        Ok(recipes)
    }

    /// Every derived row as text, for comparing with a rebuild.
    fn derived_dump(&self) -> Result<Vec<String>, StoreError> {
        let mut lines = Vec::new();
        for sql in [
            "SELECT 'record ' || hex(id) || ' ' || num || ' ' || written_ms || ' ' || coalesce(received_ms, '') || ' ' || due || ' ' || receipt
               FROM records ORDER BY id",
            "SELECT 'came ' || at_ms || ' ' || num || ' ' || author || ' ' || records || ' ' || readings || ' ' || notes FROM came ORDER BY at_ms, num, author",
            "SELECT 'author ' || author || ' ' || num FROM authors ORDER BY author, num",
            "SELECT 'open ' || num || ' ' || slot || ' ' || proposal FROM open_slots ORDER BY num, slot, proposal",
            "SELECT 'machine ' || num || ' ' || tag || ' ' || coalesce(hex(property), '') || ' ' || hex(brief) || ' ' || coalesce(first_visit_ms, '')
               || ' ' || coalesce(last_visit_ms, '') || ' ' || attention FROM machines ORDER BY num",
        ] {
            let mut statement = self.connection.prepare(sql)?;
            let rows = statement.query_map([], |row| row.get::<_, String>(0))?;
            lines.extend(rows.collect::<Result<Vec<_>, _>>()?);
        }
        // A row is the same whether it is compressed or not.
        let mut views = self.connection.prepare("SELECT num, view FROM views ORDER BY num")?;
        for row in views.query_map([], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, Vec<u8>>(1)?)))? {
            let (num, view) = row?;
            lines.push(match pack::loosened(&view) {
                Ok(plain) => format!("view {num} {}", Bytes32(Sha256::digest(&plain).into())),
                Err(error) => format!("view {num}: {error}"),
            });
        }
        Ok(lines)
    }
}
