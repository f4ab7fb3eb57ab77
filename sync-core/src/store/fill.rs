//! Whole documents taken on the shop's word: packs kept as they came, rows made from what is in them.
//!
//! Hashes and signatures are proved afterwards, document by document (see [`Store::prove`]): a phone that is filled in the
//! yard must not keep its owner waiting for what the shop has checked already.

use std::collections::BTreeSet;

use shared::bytes::{Blob, Bytes32};
use shared::ids::{DeviceId, DocId, PersonId, ShopId};
use shared::wire::{Reader, Recipe};

use super::deriving::{Rows, squeezed_rows_of};
use super::log::changes_in;
use super::records::entry;
use super::{Known, Store, StoreError, pack, signed};
use crate::admission::Checked;
use crate::cores::on_all_cores;
use crate::envelope;
use crate::frontier::Frontier;
use crate::ledger::{Entry, Ledger};
use crate::rights::Place;
use crate::roster::Roster;

/// A whole document, opened and ready to be kept.
#[derive(Debug)]
pub struct Filled {
    frontier: Frontier,
    place: Place,
    parts: Vec<(Bytes32, Blob, Vec<Entry>)>,
    rows: Option<Rows>,
}

impl Filled {
    /// Opens a whole document; `None` where it does not hold together.
    #[must_use]
    pub fn open(doc: DocId, packs: Vec<Blob>, roster: &Roster) -> Option<Self> {
        let mut frontier = Frontier::empty(doc);
        let mut parts = Vec::with_capacity(packs.len());
        let mut all = Vec::new();
        let mut place = Place::reserved(roster.root.shop, doc);
        for pack in packs {
            let mut reader = Reader::default();
            let mut entries = Vec::new();
            let mut before = None;
            for short in pack::unpack(&pack.0).ok()? {
                let facts = reader.next(&short)?;
                // Named or not, a hash that the next change leaves out is nobody's end: anything stands in for it here.
                let deps = facts.deps.or_else(|| before.map(|hash| vec![hash]))?;
                let hash = short.hash.unwrap_or(Bytes32([0; 32]));
                for Blob(bytes) in &short.records {
                    entries.push(entry(bytes).ok()?);
                }
                frontier.advance(&Recipe {
                    hash,
                    actor: facts.actor,
                    seq: facts.seq,
                    start_op: facts.start_op,
                    deps,
                    time: 0,
                    records: short.records,
                });
                before = Some(hash);
            }
            if !reader.may_end() {
                return None;
            }
            place = place.or_else(|| entries.iter().find_map(|entry| Place::founded_by(&entry.record.body)));
            all.extend(entries.iter().cloned());
            parts.push((before?, pack, entries));
        }
        let place = place?;
        let fits = |entry: &Entry| entry.record.doc == doc && place.takes(entry.record.body.kind());
        let rows = all.iter().all(fits).then(|| squeezed_rows_of(place, &Ledger::new(all), roster).ok())??;
        Some(Self { frontier, place, parts, rows })
    }

    /// How many changes it has.
    #[must_use]
    pub fn changes(&self) -> usize {
        self.frontier.count()
    }
}

impl Store {
    /// Keeps a whole document of which nothing is here. False where some record of it is held already, in another one.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn fill(&self, filled: Filled) -> Result<bool, StoreError> {
        let Filled { frontier, place, parts, rows } = filled;
        for entry in parts.iter().flat_map(|(.., entries)| entries) {
            if self.holds_record(entry.record.id)? {
                return Ok(false);
            }
        }
        self.note_opening()?;
        let row = self.found_document(frontier.doc, place)?;
        self.write_frontier(&frontier, row.num)?;
        let mut records = Vec::new();
        let mut seen = BTreeSet::new();
        for (hash, pack, entries) in parts {
            self.insert_part(row.num, Known::VOUCHED, hash, &pack.0)?;
            records.extend(entries.into_iter().map(|entry| Checked { held: !seen.insert(entry.record.id), entry }));
        }
        self.insert_records(row.num, &records)?;
        if let Some(rows) = rows {
            self.write_rows(row.num, &rows)?;
        }
        Ok(true)
    }

    /// Whether no change of a document is here.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn has_nothing_of(&self, doc: DocId) -> Result<bool, StoreError> {
        let mut statement = self.connection.prepare_cached("SELECT 1 FROM parts JOIN documents USING (num) WHERE doc = ?1 LIMIT 1")?;
        Ok(!statement.exists([doc.as_bytes().as_slice()])?)
    }

    /// Forgets a document that does not hold together, with all rows of it. Only what the shop sent is ever forgotten.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn forget_document(&self, doc: DocId) -> Result<(), StoreError> {
        let Some(document) = self.document(doc)? else { return Ok(()) };
        self.underive(document.num)?;
        for sql in [
            "DELETE FROM records WHERE num = ?1",
            "DELETE FROM authors WHERE num = ?1",
            "DELETE FROM actors WHERE num = ?1",
            "DELETE FROM parts WHERE num = ?1",
        ] {
            self.connection.prepare_cached(sql)?.execute([document.num])?;
        }
        // The row stays: what kind of document it is does not follow from what will come.
        self.write_frontier(&Frontier::empty(doc), document.num)?;
        self.forget_cached();
        Ok(())
    }

    /// How many parts of the log were kept on the shop's word and are not proved yet.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn unproved(&self) -> Result<usize, StoreError> {
        let count: i64 = self.connection.prepare_cached("SELECT count(*) FROM parts WHERE proved = 0")?.query_row([], |row| row.get(0))?;
        Ok(usize::try_from(count).unwrap_or_default())
    }

    /// Proves parts that were kept on the shop's word, the oldest first, up to a count: every change is what its hash
    /// names, every signature holds. Gives the documents of those that do not hold.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn prove(&self, most: usize, roster: &Roster) -> Result<BTreeSet<DocId>, StoreError> {
        let parts = self.parts(&format!("WHERE proved = 0 ORDER BY pos LIMIT {most}"), [])?;
        let holds = |Blob(bytes): &Blob| record_holds(bytes, roster.root.shop, |device| roster.signer(device));
        let looked_at = on_all_cores(parts, |part| {
            let changes = changes_in(part.doc, &part.pack, true);
            let holds = changes.is_ok_and(|changes| changes.iter().flat_map(|(recipe, _)| &recipe.records).all(holds));
            (part.pos, part.doc, holds)
        });
        let mut broken = BTreeSet::new();
        let mut proved = self.connection.prepare_cached("UPDATE parts SET proved = 1 WHERE pos = ?1")?;
        for (pos, doc, holds) in looked_at {
            if holds {
                proved.execute([signed(pos)])?;
            } else {
                broken.insert(doc);
            }
        }
        Ok(broken)
    }
}

/// Whether a record holds under its device's key, and is its device's person's.
pub(super) fn record_holds(bytes: &[u8], shop: ShopId, signer: impl Fn(DeviceId) -> Option<(Bytes32, PersonId)>) -> bool {
    envelope::open(bytes).is_ok_and(|opened| {
        signer(opened.device).is_some_and(|(key, person)| opened.record.by == person && opened.verify(&key, shop).is_ok())
    })
}
