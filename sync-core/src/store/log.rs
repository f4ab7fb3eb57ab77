//! The log as it is read: changes with their hashes, what the shop is not known to hold, what a page hands out.

use std::collections::BTreeSet;

use rusqlite::params;
use shared::bytes::{Blob, Bytes32};
use shared::ids::DocId;
use shared::wire::{Reader, Recipe};

use super::{StoreError, fixed, signed, unsigned};
use crate::change::{replica, segment_codec};
use crate::crypto::envelope;
use crate::store::frontier::Frontier;
use crate::store::tables::{Log, Outbox};
use crate::sys::par_map::par_map;

/// A change in the log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Logged {
    /// The position of the segment that it came in.
    pub pos: u64,
    /// Its document.
    pub doc: DocId,
    /// How to build it.
    pub recipe: Recipe,
    /// The time that its first record names, as `delta_encode` wants it.
    pub first_ms: i64,
}

/// A segment of the log as it is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Segment {
    /// Its position.
    pub pos: u64,
    /// Its document.
    pub doc: DocId,
    /// Hash of its last change.
    pub hash: Bytes32,
    /// Its changes, packed.
    pub encoded: Vec<u8>,
}

/// The changes of an encoded segment of our own, in full, each with the time that its first record names, as `delta_encode` wants it. A hash
/// that is named is taken as it is, unless `again`: then every one is made again from the records.
pub(crate) fn changes_in(doc: DocId, encoded: &[u8], again: bool) -> Result<Vec<(Recipe, i64)>, StoreError> {
    let damaged = |why: &str| StoreError::Damaged(why.to_owned());
    let mut reader = Reader::default();
    let mut changes: Vec<(Recipe, i64)> = Vec::new();
    for short in segment_codec::decode(encoded)? {
        let facts = reader.next(&short).ok_or_else(|| damaged("a change leaves out what nothing before it says"))?;
        let opened = |Blob(bytes): &Blob| envelope::read_back(bytes).map_err(|e| StoreError::Damaged(e.to_string()));
        let first = short.records.first().map(opened).transpose()?;
        let first_ms = replica::change_time(first.map_or(0, |(_, record)| record.at_ms));
        let deps = facts.deps.unwrap_or_else(|| changes.last().map(|(before, _)| before.hash).into_iter().collect());
        let hash = short.hash;
        let mut recipe = Recipe {
            hash: hash.unwrap_or(Bytes32([0; 32])),
            actor: facts.actor,
            seq: facts.seq,
            start_op: facts.start_op,
            deps,
            time: short.time.unwrap_or(first_ms),
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
        changes.push((recipe, first_ms));
    }
    Ok(changes)
}

impl Log<'_> {
    /// The end of the log.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn log_end(&self) -> Result<u64, StoreError> {
        let end: Option<i64> = self.store.connection.prepare_cached("SELECT max(pos) FROM segments")?.query_row([], |row| row.get(0))?;
        Ok(end.map_or(0, unsigned))
    }

    pub(super) fn segments(&self, which: &str, parameters: impl rusqlite::Params) -> Result<Vec<Segment>, StoreError> {
        let sql = format!("SELECT pos, doc, hash, encoded FROM segments JOIN documents USING (num) {which}");
        let mut statement = self.store.connection.prepare_cached(&sql)?;
        let mut rows = statement.query(parameters)?;
        let mut segments = Vec::new();
        while let Some(row) = rows.next()? {
            let blob = |n: usize| row.get_ref(n)?.as_blob().map_err(rusqlite::Error::from);
            let (doc, hash) = (DocId::from_bytes(fixed(blob(1)?)?), Bytes32(fixed(blob(2)?)?));
            segments.push(Segment { pos: unsigned(row.get(0)?), doc, hash, encoded: blob(3)?.to_vec() });
        }
        Ok(segments)
    }

    fn changes(&self, which: &str, parameters: impl rusqlite::Params) -> Result<Vec<Logged>, StoreError> {
        let segments = self.segments(which, parameters)?;
        let changes = par_map(segments, |Segment { pos, doc, encoded, .. }| {
            let changes = changes_in(doc, &encoded, false)?;
            Ok(changes.into_iter().map(|(recipe, first_ms)| Logged { pos, doc, recipe, first_ms }).collect::<Vec<_>>())
        });
        Ok(changes.into_iter().collect::<Result<Vec<_>, StoreError>>()?.into_iter().flatten().collect())
    }

    /// The segments of a document, in order.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn segments_of(&self, num: i64) -> Result<Vec<Segment>, StoreError> {
        self.segments("WHERE num = ?1 ORDER BY pos", [num])
    }

    /// The segments of a document, in order: the whole document.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(super) fn encoded_segments_of(&self, num: i64) -> Result<Vec<Vec<u8>>, StoreError> {
        self.encoded_segments_before(num, u64::MAX)
    }

    /// The same as far as a position of the log.
    pub(super) fn encoded_segments_before(&self, num: i64, pos: u64) -> Result<Vec<Vec<u8>>, StoreError> {
        let mut statement =
            self.store.connection.prepare_cached("SELECT encoded FROM segments WHERE num = ?1 AND pos < ?2 ORDER BY pos")?;
        Ok(statement.query_map([num, signed(pos)], |row| row.get(0))?.collect::<Result<_, _>>()?)
    }

    /// Whether a change is the last of some segment of a document.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn ends_segment(&self, num: i64, hash: Bytes32) -> Result<bool, StoreError> {
        Ok(self
            .store
            .connection
            .prepare_cached("SELECT 1 FROM segments WHERE num = ?1 AND hash = ?2")?
            .exists(params![num, hash.0.as_slice()])?)
    }

    /// The segment at a position.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn segment_at(&self, pos: u64) -> Result<Option<Segment>, StoreError> {
        Ok(self.segments("WHERE pos = ?1", [signed(pos)])?.pop())
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
        let Some(document) = self.store.documents().document(doc)? else { return Ok(false) };
        Ok(self.changes_of(document.num)?.iter().any(|logged| logged.recipe.hash == hash))
    }
}

impl Outbox<'_> {
    /// The changes that the shop is not known to hold, oldest first, up to a count of segments.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn unsent(&self, most: i64) -> Result<Vec<Logged>, StoreError> {
        self.store.log().changes("WHERE at_shop = 0 ORDER BY pos LIMIT ?1", [most])
    }

    /// The same of one document, by its number.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn unsent_of(&self, num: i64) -> Result<Vec<Logged>, StoreError> {
        // The plus keeps to the index of the document's own segments.
        self.store.log().changes("WHERE num = ?1 AND +at_shop = 0 ORDER BY pos", [num])
    }

    /// The same without those of documents that are held back now, in ms since 1970 UTC.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn to_offer(&self, most: i64, now_ms: i64) -> Result<Vec<Logged>, StoreError> {
        self.store.log().changes("WHERE at_shop = 0 AND held_until_ms <= ?2 ORDER BY pos LIMIT ?1", params![most, now_ms])
    }

    /// The positions of the segments that the shop is not known to hold.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn unsent_positions(&self) -> Result<Vec<u64>, StoreError> {
        let mut statement = self.store.connection.prepare_cached("SELECT pos FROM segments WHERE at_shop = 0 ORDER BY pos")?;
        let rows = statement.query_map([], |row| row.get::<_, i64>(0))?;
        rows.map(|pos| Ok(unsigned(pos?))).collect()
    }

    /// Whether there is anything to offer now, in ms since 1970 UTC.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn has_to_offer(&self, now_ms: i64) -> Result<bool, StoreError> {
        let sql = "SELECT 1 FROM segments JOIN documents USING (num) WHERE at_shop = 0 AND held_until_ms <= ?1 LIMIT 1";
        Ok(self.store.connection.prepare_cached(sql)?.exists([now_ms])?)
    }

    /// Whether there is any change that the shop is not known to hold.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn has_unsent(&self) -> Result<bool, StoreError> {
        Ok(self.store.connection.prepare_cached("SELECT 1 FROM segments WHERE at_shop = 0 LIMIT 1")?.exists([])?)
    }
}

impl Log<'_> {
    /// The changes of one segment of the log.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn changes_at(&self, pos: u64) -> Result<Vec<Logged>, StoreError> {
        self.changes("WHERE pos = ?1", [signed(pos)])
    }

    /// Positions of a document's segments after one position and up to another, in order.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn positions_of(&self, num: i64, after: u64, until: u64) -> Result<Vec<u64>, StoreError> {
        let mut statement =
            self.store.connection.prepare_cached("SELECT pos FROM segments WHERE num = ?1 AND pos > ?2 AND pos <= ?3 ORDER BY pos")?;
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
}

/// The frontier that these changes, each after what it builds on, make of a document that has nothing else.
pub(crate) fn frontier_of<'r>(doc: DocId, recipes: impl Iterator<Item = &'r Recipe>) -> Frontier {
    let mut frontier = Frontier::empty(doc);
    recipes.for_each(|recipe| frontier.advance(recipe));
    frontier
}
