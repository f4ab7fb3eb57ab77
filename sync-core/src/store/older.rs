//! Books of the older form, in which every change was a row of its own: moved into the log of parts when they are opened.
//!
//! Two steps, each in one transaction; cut off at any point, the next opening begins again where that left it. The store
//! moves the changes as soon as it is open. What is derived from them needs the roster: the book makes it, and clears the
//! mark that the first step left. Positions of the log are others afterwards, so a shop's book begins a new epoch.

use std::collections::BTreeSet;

use shared::bytes::{Blob, Bytes16, Bytes32};
use shared::ids::RecordId;
use shared::wire::Recipe;

use super::records::entry;
use super::{DocumentRow, Known, Store, StoreError, Taken, fixed, unsigned};
use crate::admission::Checked;
use crate::frontier::Frontier;
use crate::ledger::Entry;
use crate::moment::{Entropy, random};
use crate::replica;
use crate::roster::Roster;

/// The named value that says that changes were moved, and that nothing is derived from them yet.
const MARK: &str = "moved";
/// A part ends with the change that brings it to so many records,
const MOST_RECORDS: usize = 512;
/// or to so many bytes of them: it is handed out, and offered again, as a whole.
const MOST_BYTES: usize = 256 * 1024;

/// A change of the older form.
struct Older {
    pos: i64,
    at_shop: bool,
    recipe: Recipe,
}

/// Changes of one document that are to be one part.
#[derive(Default)]
struct Run {
    taken: Vec<Taken>,
    at_shop: bool,
    records: usize,
    bytes: usize,
}

impl Run {
    fn is_full(&self) -> bool {
        self.records >= MOST_RECORDS || self.bytes >= MOST_BYTES
    }
}

impl Store {
    /// Moves what a book of the older form holds into the log of parts, and drops the older tables.
    ///
    /// # Errors
    /// [`StoreError`]; the older tables are as they were then.
    pub(super) fn move_older(&self) -> Result<(), StoreError> {
        if !self.connection.prepare("SELECT 1 FROM sqlite_schema WHERE type = 'table' AND name = 'old_changes'")?.exists([])? {
            return Ok(());
        }
        self.atomically(|store| {
            if store.connection.prepare("SELECT 1 FROM old_changes LIMIT 1")?.exists([])? {
                for document in store.documents()? {
                    store.move_document(&document)?;
                }
                store.set_meta(MARK, &true)?;
            }
            Ok(store.connection.execute_batch("DROP TABLE old_contents; DROP TABLE old_records; DROP TABLE old_changes;")?)
        })
    }

    /// Moves one document's changes, in the order in which they came: consecutive ones of which the same is known become
    /// one part.
    fn move_document(&self, document: &DocumentRow) -> Result<(), StoreError> {
        let mut frontier = Frontier::empty(document.doc);
        let mut ids: BTreeSet<RecordId> = BTreeSet::new();
        let mut run = Run::default();
        for Older { at_shop, recipe, .. } in self.older_changes(document.num)? {
            if run.at_shop != at_shop || run.is_full() {
                self.keep_run(document, &mut frontier, &mut run)?;
                run.at_shop = at_shop;
            }
            let mut checked = Vec::with_capacity(recipe.records.len());
            for Blob(bytes) in &recipe.records {
                let Entry { device, record } = entry(bytes)?;
                // A record may stand in two changes: its rows are the first one's.
                let held = !ids.insert(record.id) || self.holds_record(record.id)?;
                checked.push(Checked { device, record, held });
                run.bytes += bytes.len();
            }
            run.records += checked.len();
            let of_records: Vec<RecordId> = checked.iter().map(|c| c.record.id).collect();
            let holds = replica::hash_of(document.doc, &recipe, &of_records).is_ok_and(|hash| hash == recipe.hash);
            frontier.advance(&recipe);
            run.taken.push((recipe, checked));
            if !holds {
                // The last one of a part names its hash: what was damaged before stays so, for `verify` to tell.
                self.keep_run(document, &mut frontier, &mut run)?;
            }
        }
        self.keep_run(document, &mut frontier, &mut run)
    }

    fn keep_run(&self, document: &DocumentRow, frontier: &mut Frontier, run: &mut Run) -> Result<(), StoreError> {
        let Run { taken, at_shop, .. } = std::mem::replace(run, Run { at_shop: run.at_shop, ..Run::default() });
        if !taken.is_empty() {
            // Whatever is in a book of the older form was looked at before it was kept.
            self.append(frontier, document.place, taken, Known { at_shop, proved: true })?;
        }
        Ok(())
    }

    /// A document's changes as the older tables have them, with their records.
    fn older_changes(&self, num: i64) -> Result<Vec<Older>, StoreError> {
        let mut statement = self
            .connection
            .prepare("SELECT pos, hash, actor, seq, start_op, deps, time, at_shop FROM old_changes WHERE num = ?1 ORDER BY pos")?;
        let mut rows = statement.query([num])?;
        let mut changes = Vec::new();
        while let Some(row) = rows.next()? {
            let recipe = Recipe {
                hash: Bytes32(fixed(&row.get::<_, Vec<u8>>(1)?)?),
                actor: Bytes16(fixed(&row.get::<_, Vec<u8>>(2)?)?),
                seq: unsigned(row.get(3)?),
                start_op: unsigned(row.get(4)?),
                deps: row.get::<_, Vec<u8>>(5)?.chunks(32).map(|hash| fixed(hash).map(Bytes32)).collect::<Result<_, _>>()?,
                time: row.get(6)?,
                records: Vec::new(),
            };
            changes.push(Older { pos: row.get(0)?, at_shop: row.get(7)?, recipe });
        }
        let mut contents =
            self.connection.prepare("SELECT bytes FROM old_contents JOIN old_records USING (id) WHERE pos = ?1 ORDER BY idx")?;
        for change in &mut changes {
            change.recipe.records = contents.query_map([change.pos], |row| row.get(0).map(Blob))?.collect::<Result<_, _>>()?;
        }
        Ok(changes)
    }

    /// Derives everything anew where changes were moved. Devices' cursors and people's grants name positions of a shop's
    /// log as it was: a new epoch has the devices begin at its beginning and offer again, and the grants are made anew.
    ///
    /// # Errors
    /// [`StoreError`]; it is done at the next opening then.
    pub(crate) fn finish_move(&self, roster: &Roster, is_shop: bool, entropy: &mut dyn Entropy) -> Result<(), StoreError> {
        if !self.meta::<bool>(MARK)?.unwrap_or(false) {
            return Ok(());
        }
        self.atomically(|store| {
            store.rebuild(roster)?;
            if is_shop {
                store.connection.execute_batch("DELETE FROM openings; DELETE FROM grants; DELETE FROM grants_all;")?;
                store.regrant(roster)?;
                store.set_meta("epoch", &Bytes16(random(entropy)))?;
            }
            store.clear_meta(MARK)
        })
    }
}

#[cfg(test)]
mod tests;
