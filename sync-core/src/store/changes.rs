//! Changes: the log, in the order in which they came. Counters and sequence numbers are rows, so that no document need be opened.

use std::collections::BTreeSet;

use rusqlite::{OptionalExtension, Row, params};
use shared::bytes::{Blob, Bytes16, Bytes32};
use shared::ids::{DeviceId, DocId};
use shared::wire::Recipe;

use super::documents::{hashes, joined};
use super::{Store, StoreError, fixed, signed, unsigned};
use crate::admission::{ActorEnd, Checked};
use crate::replica::genesis_hash;
use crate::rights::Place;

/// A change in the log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Logged {
    /// Its position.
    pub pos: u64,
    /// Its document.
    pub doc: DocId,
    /// How to build it.
    pub recipe: Recipe,
}

impl Store {
    /// Whether a change is held.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn holds_change(&self, hash: Bytes32) -> Result<bool, StoreError> {
        Ok(self.connection.prepare_cached("SELECT 1 FROM changes WHERE hash = ?1")?.exists([hash.0.as_slice()])?)
    }

    /// Which of these changes a document lacks.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn missing(&self, doc: DocId, hashes: &[Bytes32]) -> Result<Vec<Bytes32>, StoreError> {
        let genesis = genesis_hash(doc);
        let mut statement =
            self.connection.prepare_cached("SELECT 1 FROM changes JOIN documents USING (num) WHERE hash = ?1 AND doc = ?2")?;
        let mut missing = Vec::new();
        for hash in hashes {
            if *hash != genesis && !statement.exists(params![hash.0.as_slice(), doc.as_bytes().as_slice()])? {
                missing.push(*hash);
            }
        }
        Ok(missing)
    }

    /// The greatest operation counter among these changes; a genesis, which is no row, has 1.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn top_op(&self, hashes: &[Bytes32]) -> Result<u64, StoreError> {
        let mut statement = self.connection.prepare_cached("SELECT top_op FROM changes WHERE hash = ?1")?;
        let mut top = 1;
        for hash in hashes {
            let held: Option<i64> = statement.query_row([hash.0.as_slice()], |row| row.get(0)).optional()?;
            top = top.max(held.map_or(1, unsigned));
        }
        Ok(top)
    }

    /// The last change of an actor in a document.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn last_of_actor(&self, doc: DocId, actor: Bytes16) -> Result<Option<ActorEnd>, StoreError> {
        let mut statement = self.connection.prepare_cached(
            "SELECT seq, hash, top_op FROM changes JOIN documents USING (num) WHERE doc = ?1 AND actor = ?2 ORDER BY seq DESC LIMIT 1",
        )?;
        let row: Option<(i64, Vec<u8>, i64)> = statement
            .query_row(params![doc.as_bytes().as_slice(), actor.0.as_slice()], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))
            .optional()?;
        row.map(|(seq, hash, top_op)| Ok(ActorEnd { actor, seq: unsigned(seq), hash: Bytes32(fixed(&hash)?), top_op: unsigned(top_op) }))
            .transpose()
    }

    /// Whether some of these changes is, or builds on, a given one. Counters fall along the way back, so the search is
    /// cut where they fall below the one sought.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn descends(&self, from: &[Bytes32], sought: Bytes32, sought_top: u64) -> Result<bool, StoreError> {
        let mut statement = self.connection.prepare_cached("SELECT top_op, deps FROM changes WHERE hash = ?1")?;
        let mut open = from.to_vec();
        let mut done = BTreeSet::new();
        while let Some(hash) = open.pop() {
            if hash == sought {
                return Ok(true);
            }
            if !done.insert(hash) {
                continue;
            }
            let row: Option<(i64, Vec<u8>)> = statement.query_row([hash.0.as_slice()], |row| Ok((row.get(0)?, row.get(1)?))).optional()?;
            if let Some((top, deps)) = row
                && unsigned(top) > sought_top
            {
                open.extend(hashes(&deps)?);
            }
        }
        Ok(false)
    }

    /// Appends a change that passed the gate, with its records. Moves the document's heads.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn append(&self, doc: DocId, place: Place, recipe: &Recipe, records: &[Checked], at_shop: bool) -> Result<u64, StoreError> {
        self.note_opening()?;
        let row = self.found_document(doc, place)?;
        let top_op = recipe.start_op + recipe.records.len() as u64 - 1;
        self.connection
            .prepare_cached(
                "INSERT INTO changes (num, hash, actor, seq, start_op, top_op, deps, time, at_shop) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
            )?
            .execute(params![
                row.num,
                recipe.hash.0.as_slice(),
                recipe.actor.0.as_slice(),
                signed(recipe.seq),
                signed(recipe.start_op),
                signed(top_op),
                joined(&recipe.deps),
                recipe.time,
                at_shop
            ])?;
        let pos = self.connection.last_insert_rowid();
        for (idx, (checked, bytes)) in records.iter().zip(&recipe.records).enumerate() {
            self.insert_record(row.num, checked, &bytes.0)?;
            self.connection.prepare_cached("INSERT INTO contents (pos, idx, id) VALUES (?1, ?2, ?3)")?.execute(params![
                pos,
                signed(idx as u64),
                checked.record.id.as_bytes().as_slice()
            ])?;
        }
        let mut heads: Vec<Bytes32> = row.heads.into_iter().filter(|head| !recipe.deps.contains(head)).collect();
        heads.push(recipe.hash);
        heads.sort_unstable();
        self.connection.prepare_cached("UPDATE documents SET heads = ?2 WHERE num = ?1")?.execute(params![row.num, joined(&heads)])?;
        Ok(unsigned(pos))
    }

    /// Positions of a document's changes after one position and up to another, in order.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn positions_of(&self, num: i64, after: u64, until: u64) -> Result<Vec<u64>, StoreError> {
        let mut statement =
            self.connection.prepare_cached("SELECT pos FROM changes WHERE num = ?1 AND pos > ?2 AND pos <= ?3 ORDER BY pos")?;
        let rows = statement.query_map(params![num, signed(after), signed(until)], |row| row.get::<_, i64>(0))?;
        rows.map(|pos| Ok(unsigned(pos?))).collect()
    }

    /// Positions of the changes of a document that neither are these heads nor stand behind them, in order. Heads that
    /// are not held cover nothing.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn positions_beyond(&self, num: i64, heads: &[Bytes32]) -> Result<Vec<u64>, StoreError> {
        let mut statement = self.connection.prepare_cached("SELECT pos, hash, deps FROM changes WHERE num = ?1 ORDER BY pos DESC")?;
        let rows = statement
            .query_map([num], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, Vec<u8>>(1)?, row.get::<_, Vec<u8>>(2)?)))?
            .collect::<Result<Vec<_>, _>>()?;
        let mut covered: BTreeSet<Bytes32> = heads.iter().copied().collect();
        let mut beyond = Vec::new();
        // A change stands in the log after what it builds on, so one pass from the end meets each before its deps.
        for (pos, hash, deps) in rows {
            if covered.contains(&Bytes32(fixed(&hash)?)) {
                covered.extend(hashes(&deps)?);
            } else {
                beyond.push(unsigned(pos));
            }
        }
        beyond.reverse();
        Ok(beyond)
    }

    /// The end of the log.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn log_end(&self) -> Result<u64, StoreError> {
        let end: Option<i64> = self.connection.prepare_cached("SELECT max(pos) FROM changes")?.query_row([], |row| row.get(0))?;
        Ok(end.map_or(0, unsigned))
    }

    /// The changes of a document, each after what it builds on.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn changes_of(&self, num: i64) -> Result<Vec<Logged>, StoreError> {
        self.changes("WHERE num = ?1 ORDER BY pos", num)
    }

    /// The changes that the shop is not known to hold, oldest first, up to a count.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn unsent(&self, most: i64) -> Result<Vec<Logged>, StoreError> {
        self.changes("WHERE at_shop = 0 ORDER BY pos LIMIT ?1", most)
    }

    /// One change of the log.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn change_at(&self, pos: u64) -> Result<Option<Logged>, StoreError> {
        Ok(self.changes("WHERE pos = ?1", signed(pos))?.pop())
    }

    fn changes(&self, which: &str, parameter: i64) -> Result<Vec<Logged>, StoreError> {
        let sql = format!("SELECT pos, doc, hash, actor, seq, start_op, deps, time FROM changes JOIN documents USING (num) {which}");
        let mut statement = self.connection.prepare_cached(&sql)?;
        let rows = statement.query_map([parameter], |row| Ok(logged(row)))?;
        let mut all = Vec::new();
        for row in rows {
            let mut change = row??;
            change.recipe.records = self.contents(change.pos)?;
            all.push(change);
        }
        Ok(all)
    }

    fn contents(&self, pos: u64) -> Result<Vec<Blob>, StoreError> {
        let mut statement =
            self.connection.prepare_cached("SELECT bytes FROM contents JOIN records USING (id) WHERE pos = ?1 ORDER BY idx")?;
        Ok(statement.query_map([signed(pos)], |row| row.get(0).map(Blob))?.collect::<Result<_, _>>()?)
    }

    /// Notes, before the first change that this opening of a shop's book appends, where in the log it began.
    fn note_opening(&self) -> Result<(), StoreError> {
        let Some(opening) = self.opening else { return Ok(()) };
        let last: Option<Vec<u8>> = self
            .connection
            .prepare_cached("SELECT opening FROM openings ORDER BY first_pos DESC LIMIT 1")?
            .query_row([], |row| row.get(0))
            .optional()?;
        if last.as_deref() != Some(opening.0.as_slice()) {
            self.connection
                .prepare_cached("INSERT INTO openings (first_pos, opening) VALUES (?1, ?2)")?
                .execute(params![signed(self.log_end()? + 1), opening.0.as_slice()])?;
        }
        Ok(())
    }

    /// Under which opening of the shop's book a position of the log was written; `None` for one that is not there.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn opening_at(&self, pos: u64) -> Result<Option<Bytes16>, StoreError> {
        if pos > self.log_end()? {
            return Ok(None);
        }
        let found: Option<Vec<u8>> = self
            .connection
            .prepare_cached("SELECT opening FROM openings WHERE first_pos <= ?1 ORDER BY first_pos DESC LIMIT 1")?
            .query_row([signed(pos)], |row| row.get(0))
            .optional()?;
        found.map(|bytes| fixed(&bytes).map(Bytes16)).transpose()
    }

    /// Notes that the shop holds these changes.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn mark_at_shop(&self, hashes: &[Bytes32]) -> Result<(), StoreError> {
        let mut statement = self.connection.prepare_cached("UPDATE changes SET at_shop = 1 WHERE hash = ?1")?;
        for hash in hashes {
            statement.execute([hash.0.as_slice()])?;
        }
        Ok(())
    }

    /// Offers these changes again: the shop says that it lacks them.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn offer_again(&self, hashes: &[Bytes32]) -> Result<(), StoreError> {
        let mut statement = self.connection.prepare_cached("UPDATE changes SET at_shop = 0 WHERE hash = ?1")?;
        for hash in hashes {
            statement.execute([hash.0.as_slice()])?;
        }
        Ok(())
    }

    /// Offers everything again: the shop was restored from a backup.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn offer_all_again(&self) -> Result<(), StoreError> {
        self.connection.execute_batch("UPDATE changes SET at_shop = 0")?;
        Ok(())
    }

    /// Offers again every change with a record of this device's own that the shop has not receipted. Level, not edge:
    /// whatever happened. What was carried for another device is that device's to be sure of: its receipt may stand in a
    /// document that is not open to this one.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn offer_unreceipted_again(&self, own: DeviceId) -> Result<usize, StoreError> {
        Ok(self.connection.execute(
            "UPDATE changes SET at_shop = 0 WHERE at_shop = 1 AND pos IN
               (SELECT pos FROM contents JOIN records USING (id) WHERE received_ms IS NULL AND device = ?1)",
            [own.as_bytes().as_slice()],
        )?)
    }

    /// Takes out the changes of a document that the shop does not hold, and gives back their records' bytes: the first
    /// step of healing. The records themselves stay with the caller. A document left empty goes.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn take_out_unsent(&self, num: i64) -> Result<Vec<Blob>, StoreError> {
        self.mark_built_upon(num)?;
        let unsent: Vec<Logged> = self.changes("WHERE num = ?1 AND at_shop = 0 ORDER BY pos", num)?;
        let mut taken = Vec::new();
        for change in unsent {
            taken.extend(change.recipe.records);
            let pos = signed(change.pos);
            self.connection.prepare_cached("DELETE FROM contents WHERE pos = ?1")?.execute([pos])?;
            self.connection.prepare_cached("DELETE FROM changes WHERE pos = ?1")?.execute([pos])?;
        }
        self.connection
            .prepare_cached("DELETE FROM records WHERE num = ?1 AND NOT EXISTS (SELECT 1 FROM contents WHERE contents.id = records.id)")?
            .execute([num])?;
        if self.connection.prepare_cached("SELECT 1 FROM changes WHERE num = ?1")?.exists([num])? {
            self.rebuild_heads(num)?;
        } else {
            // Nothing but what the shop does not take was in it: here, too, there is no such document then.
            self.underive(num)?;
            self.connection.prepare_cached("DELETE FROM documents WHERE num = ?1")?.execute([num])?;
        }
        Ok(taken)
    }
}

impl Store {
    /// Notes that the shop holds whatever its changes build on: taken out, such a change would leave them hanging.
    fn mark_built_upon(&self, num: i64) -> Result<(), StoreError> {
        let mut statement = self.connection.prepare_cached("SELECT hash, deps, at_shop FROM changes WHERE num = ?1 ORDER BY pos DESC")?;
        let rows = statement
            .query_map([num], |row| Ok((row.get::<_, Vec<u8>>(0)?, row.get::<_, Vec<u8>>(1)?, row.get::<_, bool>(2)?)))?
            .collect::<Result<Vec<_>, _>>()?;
        let (mut built_upon, mut found) = (BTreeSet::new(), Vec::new());
        // A change stands in the log after what it builds on, so one pass from the end meets each before its deps.
        for (hash, deps, at_shop) in rows {
            let hash = Bytes32(fixed(&hash)?);
            if at_shop || built_upon.contains(&hash) {
                built_upon.extend(hashes(&deps)?);
            }
            if !at_shop && built_upon.contains(&hash) {
                found.push(hash);
            }
        }
        self.mark_at_shop(&found)
    }
}

fn logged(row: &Row<'_>) -> Result<Logged, StoreError> {
    Ok(Logged {
        pos: unsigned(row.get(0)?),
        doc: DocId::from_bytes(fixed(&row.get::<_, Vec<u8>>(1)?)?),
        recipe: Recipe {
            hash: Bytes32(fixed(&row.get::<_, Vec<u8>>(2)?)?),
            actor: Bytes16(fixed(&row.get::<_, Vec<u8>>(3)?)?),
            seq: unsigned(row.get(4)?),
            start_op: unsigned(row.get(5)?),
            deps: hashes(&row.get::<_, Vec<u8>>(6)?)?,
            time: row.get(7)?,
            records: Vec::new(),
        },
    })
}
