//! Verification: everything derived is derived anew from the records, and must be the same.

use super::{Store, StoreError};
use crate::envelope;
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
    /// # Errors
    /// [`StoreError`] where the book cannot even be read.
    pub fn verify(&self, roster: &Roster) -> Result<Verification, StoreError> {
        let mut found = Verification::default();
        let integrity: String = self.connection.query_row("PRAGMA integrity_check(20)", [], |row| row.get(0))?;
        if integrity != "ok" {
            found.faults.push(format!("SQLite finds the file damaged: {integrity}."));
        }
        for document in self.documents()? {
            found.documents += 1;
            let changes = self.changes_of(document.num)?;
            for change in &changes {
                found.changes += 1;
                match replica::change_hash(document.doc, &change.recipe) {
                    Ok(hash) if hash == change.recipe.hash => {}
                    _ => found
                        .faults
                        .push(format!("Change {} of document {} is not what its records make.", change.recipe.hash, document.doc)),
                }
                for bytes in &change.recipe.records {
                    found.records += 1;
                    let holds = envelope::open(&bytes.0).is_ok_and(|opened| {
                        roster.signer(opened.device).is_some_and(|(key, _)| opened.verify(&key, roster.root.shop).is_ok())
                    });
                    if !holds {
                        found.faults.push(format!("A record of document {} does not hold under its device's key.", document.doc));
                    }
                }
            }
            let recipes: Vec<_> = changes.into_iter().map(|c| c.recipe).collect();
            let again = replica::save(document.doc, &recipes).and_then(|saved| replica::load(document.doc, &saved, &document.heads));
            match again {
                Ok(loaded) if loaded.len() == recipes.len() => {}
                Ok(_) => found.faults.push(format!("Document {} loses changes when saved and loaded.", document.doc)),
                Err(error) => found.faults.push(format!("Document {} does not save and load: {error}.", document.doc)),
            }
            if self.heads_from_changes(document.doc, document.num)? != document.heads {
                found.faults.push(format!("The heads of document {} are not those of its changes.", document.doc));
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
            for document in store.documents()? {
                store.underive(document.num)?;
                store.derive(&document, roster)?;
            }
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
        self.atomically(|store| {
            for document in store.documents()? {
                store.underive(document.num)?;
                store.derive(&document, roster)?;
            }
            Ok(())
        })
    }
}
