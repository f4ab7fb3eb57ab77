//! The log as it is read: changes with their hashes, what the shop is not known to hold, what a page hands out.

use std::collections::{BTreeMap, BTreeSet};

use rusqlite::params;
use shared::bytes::{Blob, Bytes32};
use shared::ids::DocId;
use shared::record::Body;
use shared::wire::{Reader, Recipe, ShortRecipe, shorten};

use super::{Store, StoreError, fixed, pack, signed, unsigned};
use crate::envelope;
use crate::frontier::Frontier;
use crate::replica;

/// A change in the log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Logged {
    /// The position of the part that it came in.
    pub pos: u64,
    /// Its document.
    pub doc: DocId,
    /// How to build it.
    pub recipe: Recipe,
}

/// A part of the log as it is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Part {
    /// Its position.
    pub pos: u64,
    /// Its document.
    pub doc: DocId,
    /// Hash of its last change.
    pub hash: Bytes32,
    /// Its changes, packed.
    pub pack: Vec<u8>,
}

/// The changes of a pack of our own, in full. A hash that is named is taken as it is, unless `again`: then every one is
/// made again from the records.
pub(super) fn changes_in(doc: DocId, pack: &[u8], again: bool) -> Result<Vec<Recipe>, StoreError> {
    let damaged = |why: &str| StoreError::Damaged(why.to_owned());
    let mut reader = Reader::default();
    let mut recipes: Vec<Recipe> = Vec::new();
    for short in pack::unpack(pack)? {
        let facts = reader.next(&short).ok_or_else(|| damaged("a change leaves out what nothing before it says"))?;
        let opened = |Blob(bytes): &Blob| envelope::read_back(bytes).map_err(|e| StoreError::Damaged(e.to_string()));
        let time = match (short.time, short.records.first()) {
            (Some(time), _) => time,
            (None, Some(first)) => replica::change_time(opened(first)?.1.at_ms),
            (None, None) => 0,
        };
        let deps = facts.deps.unwrap_or_else(|| recipes.last().map(|before| before.hash).into_iter().collect());
        let hash = short.hash;
        let mut recipe = Recipe {
            hash: hash.unwrap_or(Bytes32([0; 32])),
            actor: facts.actor,
            seq: facts.seq,
            start_op: facts.start_op,
            deps,
            time,
            records: short.records,
        };
        if again || hash.is_none() {
            let ids = recipe.records.iter().map(|record| Ok(opened(record)?.1.id)).collect::<Result<Vec<_>, StoreError>>()?;
            let made = replica::hash_of(doc, &recipe, &ids).map_err(|e| damaged(&e.to_string()))?;
            if hash.is_some_and(|named| named != made) {
                return Err(damaged("a change is not what its records make"));
            }
            recipe.hash = made;
        }
        recipes.push(recipe);
    }
    Ok(recipes)
}

impl Store {
    /// The end of the log.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn log_end(&self) -> Result<u64, StoreError> {
        let end: Option<i64> = self.connection.prepare_cached("SELECT max(pos) FROM parts")?.query_row([], |row| row.get(0))?;
        Ok(end.map_or(0, unsigned))
    }

    pub(super) fn parts(&self, which: &str, parameters: impl rusqlite::Params) -> Result<Vec<Part>, StoreError> {
        let sql = format!("SELECT pos, doc, hash, pack FROM parts JOIN documents USING (num) {which}");
        let mut statement = self.connection.prepare_cached(&sql)?;
        let rows = statement.query_map(parameters, |row| {
            Ok((row.get::<_, i64>(0)?, row.get::<_, Vec<u8>>(1)?, row.get::<_, Vec<u8>>(2)?, row.get::<_, Vec<u8>>(3)?))
        })?;
        rows.map(|row| {
            let (pos, doc, hash, pack) = row?;
            Ok(Part { pos: unsigned(pos), doc: DocId::from_bytes(fixed(&doc)?), hash: Bytes32(fixed(&hash)?), pack })
        })
        .collect()
    }

    fn changes(&self, which: &str, parameters: impl rusqlite::Params) -> Result<Vec<Logged>, StoreError> {
        let mut all = Vec::new();
        for Part { pos, doc, pack, .. } in self.parts(which, parameters)? {
            all.extend(changes_in(doc, &pack, false)?.into_iter().map(|recipe| Logged { pos, doc, recipe }));
        }
        Ok(all)
    }

    /// The parts of a document, in order.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn parts_of(&self, num: i64) -> Result<Vec<Part>, StoreError> {
        self.parts("WHERE num = ?1 ORDER BY pos", [num])
    }

    /// The packs of a document, in order: the whole document.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(super) fn packs_of(&self, num: i64) -> Result<Vec<Vec<u8>>, StoreError> {
        let mut statement = self.connection.prepare_cached("SELECT pack FROM parts WHERE num = ?1 ORDER BY pos")?;
        Ok(statement.query_map([num], |row| row.get(0))?.collect::<Result<_, _>>()?)
    }

    /// Whether a change is the last of some part of a document.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn ends_part(&self, num: i64, hash: Bytes32) -> Result<bool, StoreError> {
        Ok(self.connection.prepare_cached("SELECT 1 FROM parts WHERE num = ?1 AND hash = ?2")?.exists(params![num, hash.0.as_slice()])?)
    }

    /// The part at a position.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn part_at(&self, pos: u64) -> Result<Option<Part>, StoreError> {
        Ok(self.parts("WHERE pos = ?1", [signed(pos)])?.pop())
    }

    /// The changes of a document, each after what it builds on.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn changes_of(&self, num: i64) -> Result<Vec<Logged>, StoreError> {
        self.changes("WHERE num = ?1 ORDER BY pos", [num])
    }

    /// Whether a change is held. It looks at every change of its document: for tests, and for whoever is not in a hurry.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn holds_change(&self, doc: DocId, hash: Bytes32) -> Result<bool, StoreError> {
        let Some(document) = self.document(doc)? else { return Ok(false) };
        Ok(self.changes_of(document.num)?.iter().any(|logged| logged.recipe.hash == hash))
    }

    /// The changes that the shop is not known to hold, oldest first, up to a count of parts.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn unsent(&self, most: i64) -> Result<Vec<Logged>, StoreError> {
        self.changes("WHERE at_shop = 0 ORDER BY pos LIMIT ?1", [most])
    }

    /// Whether there is any change that the shop is not known to hold.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn has_unsent(&self) -> Result<bool, StoreError> {
        Ok(self.connection.prepare_cached("SELECT 1 FROM parts WHERE at_shop = 0 LIMIT 1")?.exists([])?)
    }

    /// The changes of one part of the log.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn changes_at(&self, pos: u64) -> Result<Vec<Logged>, StoreError> {
        self.changes("WHERE pos = ?1", [signed(pos)])
    }

    /// Positions of a document's parts after one position and up to another, in order.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn positions_of(&self, num: i64, after: u64, until: u64) -> Result<Vec<u64>, StoreError> {
        let mut statement =
            self.connection.prepare_cached("SELECT pos FROM parts WHERE num = ?1 AND pos > ?2 AND pos <= ?3 ORDER BY pos")?;
        let rows = statement.query_map(params![num, signed(after), signed(until)], |row| row.get::<_, i64>(0))?;
        rows.map(|pos| Ok(unsigned(pos?))).collect()
    }

    /// The changes of a document, parted: those that are these heads or stand behind them, and those beyond. Heads that
    /// are not held cover nothing.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn parted_at(&self, num: i64, heads: &[Bytes32]) -> Result<(Vec<Logged>, Vec<Logged>), StoreError> {
        let mut covered: BTreeSet<Bytes32> = heads.iter().copied().collect();
        let (mut behind, mut beyond) = (Vec::new(), Vec::new());
        // A change stands in the log after what it builds on, so one pass from the end meets each before its deps.
        for logged in self.changes_of(num)?.into_iter().rev() {
            if covered.contains(&logged.recipe.hash) {
                covered.extend(&logged.recipe.deps);
                behind.push(logged);
            } else {
                beyond.push(logged);
            }
        }
        behind.reverse();
        beyond.reverse();
        Ok((behind, beyond))
    }

    /// Notes that the shop holds these changes of a document, and all that they build on. Gives how many changes that tells
    /// of that were not known to be there.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn mark_at_shop(&self, doc: DocId, taken: &[Bytes32]) -> Result<usize, StoreError> {
        let Some(document) = self.document(doc)? else { return Ok(0) };
        let mut covered: BTreeSet<Bytes32> = taken.iter().copied().collect();
        if document.heads.iter().all(|head| covered.contains(head)) {
            return self.mark_all_at_shop(document.num);
        }
        let mut marked = 0;
        let unsent = self.parts("WHERE num = ?1 AND at_shop = 0 ORDER BY pos DESC", [document.num])?;
        for part in unsent {
            let mut whole = true;
            let changes = changes_in(doc, &part.pack, false)?;
            for recipe in changes.iter().rev() {
                if covered.contains(&recipe.hash) {
                    covered.extend(&recipe.deps);
                } else {
                    whole = false;
                }
            }
            if whole {
                marked += changes.len();
                self.set_at_shop(part.pos, true)?;
            }
        }
        Ok(marked)
    }

    /// The same of everything in a document: nothing in it is beyond its heads.
    fn mark_all_at_shop(&self, num: i64) -> Result<usize, StoreError> {
        // The plus keeps to the index of the document's own parts: that of the unsent ones has those of all documents.
        let mut unsent = self.connection.prepare_cached("SELECT pack FROM parts WHERE num = ?1 AND +at_shop = 0")?;
        let mut rows = unsent.query([num])?;
        let mut marked = 0;
        while let Some(row) = rows.next()? {
            marked += pack::count(row.get_ref(0)?.as_blob().map_err(rusqlite::Error::from)?)?;
        }
        if marked > 0 {
            self.connection.prepare_cached("UPDATE parts SET at_shop = 1 WHERE num = ?1 AND +at_shop = 0")?.execute([num])?;
        }
        Ok(marked)
    }

    fn set_at_shop(&self, pos: u64, at_shop: bool) -> Result<(), StoreError> {
        self.connection.prepare_cached("UPDATE parts SET at_shop = ?2 WHERE pos = ?1")?.execute(params![signed(pos), at_shop])?;
        Ok(())
    }

    /// Offers these changes of a document again: the shop says that it lacks them.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn offer_again(&self, doc: DocId, hashes: &[Bytes32]) -> Result<(), StoreError> {
        if hashes.is_empty() {
            return Ok(());
        }
        let Some(document) = self.document(doc)? else { return Ok(()) };
        for logged in self.changes_of(document.num)? {
            if hashes.contains(&logged.recipe.hash) {
                self.set_at_shop(logged.pos, false)?;
            }
        }
        Ok(())
    }

    /// Offers everything again: the shop was restored from a backup.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn offer_all_again(&self) -> Result<(), StoreError> {
        self.connection.execute_batch("UPDATE parts SET at_shop = 0")?;
        Ok(())
    }

    /// Offers again every part with a record of this device's own that the shop has not receipted. Level, not edge:
    /// whatever happened. What was carried for another device is that device's to be sure of: its receipt may stand in a
    /// document that is not open to this one.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn offer_unreceipted_again(&self) -> Result<usize, StoreError> {
        let mut statement = self.connection.prepare_cached("SELECT num, id FROM records WHERE due = 1")?;
        let rows = statement.query_map([], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, Vec<u8>>(1)?)))?;
        let mut due: BTreeMap<i64, BTreeSet<[u8; 16]>> = BTreeMap::new();
        for row in rows {
            let (num, id) = row?;
            due.entry(num).or_default().insert(fixed(&id)?);
        }
        let mut offered = 0;
        for (num, ids) in due {
            for part in self.parts("WHERE num = ?1 AND at_shop = 1 ORDER BY pos", [num])? {
                let entries = super::records::entries_in(&part.pack)?;
                if entries.iter().any(|entry| ids.contains(entry.record.id.as_bytes())) {
                    self.set_at_shop(part.pos, false)?;
                    offered += 1;
                }
            }
        }
        Ok(offered)
    }

    /// Takes out the changes of a document that the shop does not hold, and gives back their records' bytes: the first
    /// step of healing. The records themselves stay with the caller. A document left empty goes.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn take_out_unsent(&self, doc: DocId) -> Result<Vec<Blob>, StoreError> {
        let Some(document) = self.document(doc)? else { return Ok(Vec::new()) };
        let mut taken: Vec<Blob> = self.mark_built_upon(doc, document.num)?;
        for part in self.parts("WHERE num = ?1 AND at_shop = 0 ORDER BY pos", [document.num])? {
            taken.extend(pack::unpack(&part.pack)?.into_iter().flat_map(|short: ShortRecipe| short.records));
            self.connection.prepare_cached("DELETE FROM parts WHERE pos = ?1")?.execute([signed(part.pos)])?;
        }
        self.connection.prepare_cached("DELETE FROM actors WHERE num = ?1")?.execute([document.num])?;
        self.forget_cached();
        self.connection.prepare_cached("DELETE FROM came WHERE num = ?1")?.execute([document.num])?;
        let mut ids = BTreeSet::new();
        for Blob(bytes) in &taken {
            let record = super::records::entry(bytes)?.record;
            ids.insert(record.id);
            if let Body::Arrival(arrival) = record.body {
                // It is no receipt of these any more.
                ids.extend(arrival.records);
            }
        }
        self.index_records(document.num, Some(&ids))?;
        let left = self.changes_of(document.num)?;
        if left.is_empty() {
            // Nothing but what the shop does not take was in it: here, too, there is no such document then.
            self.underive(document.num)?;
            self.connection.prepare_cached("DELETE FROM documents WHERE num = ?1")?.execute([document.num])?;
            return Ok(taken);
        }
        let frontier = frontier_of(doc, left.iter().map(|logged| &logged.recipe));
        self.write_frontier(&frontier.heads(), document.num, frontier.moved())?;
        Ok(taken)
    }

    /// Notes that the shop holds whatever its changes build on: taken out, such a change would leave them hanging. Of a part
    /// that is so in part, only that stays; gives the records of the rest.
    fn mark_built_upon(&self, doc: DocId, num: i64) -> Result<Vec<Blob>, StoreError> {
        let mut statement = self.connection.prepare_cached("SELECT pos, at_shop, pack FROM parts WHERE num = ?1 ORDER BY pos DESC")?;
        let rows = statement
            .query_map([num], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, bool>(1)?, row.get::<_, Vec<u8>>(2)?)))?
            .collect::<Result<Vec<_>, _>>()?;
        let mut built_upon = BTreeSet::new();
        let mut parted_off = Vec::new();
        // A part stands in the log after what it builds on, so one pass from the end meets each before that.
        for (pos, at_shop, pack) in rows {
            let (mut stays, mut goes) = (Vec::new(), Vec::new());
            for recipe in changes_in(doc, &pack, false)?.into_iter().rev() {
                if at_shop || built_upon.contains(&recipe.hash) {
                    built_upon.extend(recipe.deps.iter().copied());
                    stays.push(recipe);
                } else {
                    goes.push(recipe);
                }
            }
            if at_shop || stays.is_empty() {
                continue;
            }
            if !goes.is_empty() {
                stays.reverse();
                self.narrow_part(pos, stays)?;
                parted_off.extend(goes.into_iter().rev().flat_map(|recipe| recipe.records));
            }
            self.set_at_shop(unsigned(pos), true)?;
        }
        Ok(parted_off)
    }

    /// Leaves only these of its changes in a part.
    fn narrow_part(&self, pos: i64, stays: Vec<Recipe>) -> Result<(), StoreError> {
        let hash = stays.last().map_or(Bytes32([0; 32]), |last| last.hash);
        let mut list = Vec::with_capacity(stays.len());
        for recipe in stays {
            let first_ms = recipe.records.first().map_or(Ok(0), |Blob(first)| super::records::entry(first).map(|e| e.record.at_ms))?;
            list.push((recipe, replica::change_time(first_ms)));
        }
        self.connection.prepare_cached("UPDATE parts SET pack = ?2, hash = ?3 WHERE pos = ?1")?.execute(params![
            pos,
            pack::pack(&shorten(list))?,
            hash.0.as_slice()
        ])?;
        Ok(())
    }
}

/// The frontier that these changes, each after what it builds on, make of a document that has nothing else.
pub(super) fn frontier_of<'r>(doc: DocId, recipes: impl Iterator<Item = &'r Recipe>) -> Frontier {
    let mut frontier = Frontier::empty(doc);
    recipes.for_each(|recipe| frontier.advance(recipe));
    frontier
}
