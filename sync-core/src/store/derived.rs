//! Rows that screens read: standings and machine states. [`crate::engine::projection`] makes them; here they are written and read.

use std::cell::Ref;
use std::collections::{BTreeMap, BTreeSet};

use rusqlite::{OptionalExtension, params};
use shared::ids::{DocId, PersonId, PropertyId};
use shared::record::Body;
use shared::slot::Slot;

use super::{Checked, DocumentRow, MetaKey, Settled, StoreError, fixed, row, signed};
use crate::judge::ledger::Entry;
use crate::judge::permissions::DocKind;
use crate::judge::standing::Standing;
use crate::judge::valve_set;
use crate::store::tables::Projections;

/// The named value that says which form the derived rows have.
const ROWS: MetaKey<(u32, u32)> = MetaKey::new("rows");

/// A document whose rows are to be made anew.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct TouchedDocument {
    /// The store's own number of it.
    pub num: i64,
    /// What kind.
    pub place: DocKind,
}

impl From<&DocumentRow> for TouchedDocument {
    fn from(row: &DocumentRow) -> Self {
        Self { num: row.num, place: row.place }
    }
}

/// The derived rows of one document, ready to be written.
#[derive(Debug)]
pub(crate) struct DerivedRows {
    /// Not compressed, as it was made, or as it goes into its row.
    pub(crate) view: Vec<u8>,
    /// Slots that want a ruling, and slots outside machines where something waits to be accepted.
    pub(crate) open: Vec<(Slot, bool)>,
    pub(crate) machine: Option<MachineColumns>,
    /// What the shop received, by the time of the receipt and the author.
    pub(crate) came: BTreeMap<(i64, PersonId), Came>,
}

/// How much came at one time from one author.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Came {
    pub(crate) records: u64,
    /// Of them, clearance readings.
    pub(crate) readings: u64,
    /// Of them, notes.
    pub(crate) notes: u64,
}

/// The columns of a machine.
#[derive(Debug)]
pub(crate) struct MachineColumns {
    pub(crate) tag: String,
    pub(crate) property: Option<PropertyId>,
    pub(crate) brief: Vec<u8>,
    pub(crate) visited_ms: Option<(i64, i64)>,
    pub(crate) attention: bool,
}

/// A document as it is in the log, to derive its rows from wherever there is a core to do it.
#[derive(Debug)]
pub(crate) struct ToDerive {
    pub(crate) document: TouchedDocument,
    pub(crate) segments: Vec<Vec<u8>>,
    /// Records of it that were at hand, and are in none of the segments.
    pub(crate) entries: Vec<Entry>,
}

/// How a document stood before more was appended to it, and which slots that speaks about.
#[derive(Debug)]
pub(crate) struct StandingsCache {
    /// In the order of their slots.
    pub(crate) standings: Vec<Standing>,
    pub(crate) moved: BTreeSet<Slot>,
}

impl StandingsCache {
    /// Hears what was appended. False: some of it reaches beyond its own slot, and so everything is to be judged anew.
    pub(crate) fn hear(&mut self, records: &[Checked]) -> bool {
        records.iter().all(|Checked { entry, .. }| {
            self.moved.extend(Slot::of(&entry.record));
            match &entry.record.body {
                // What a reading says of a valve tells what state of the engine the valve's other readings speak of.
                Body::Clearance(reading) => {
                    self.moved.extend(valve_set::slots_of(reading.valve));
                    true
                }
                // Of others it says what counts, what time it was, how the meter goes on, or which valves there are.
                Body::Void(_) | Body::Ruling(_) | Body::Arrival(_) | Body::MeterChange(_) | Body::Machine(_) => false,
                _ => true,
            }
        })
    }
}

impl Projections<'_> {
    /// What the rows of a document are derived from.
    pub(crate) fn read_to_derive(&self, document: TouchedDocument) -> Result<ToDerive, StoreError> {
        Ok(ToDerive { document, segments: self.store.log().encoded_segments_of(document.num)?, entries: Vec::new() })
    }

    /// The same of a document by its id, where this was appended to it last if anything was; `None` where there is no such document.
    pub(crate) fn read_to_derive_of(&self, doc: DocId, settled: Option<Settled>) -> Result<Option<ToDerive>, StoreError> {
        if let Some(Settled { document, from, entries }) = settled {
            return Ok(Some(ToDerive { document, segments: self.store.log().encoded_segments_before(document.num, from)?, entries }));
        }
        self.store.documents().document(doc)?.map(|document| self.read_to_derive((&document).into())).transpose()
    }

    /// How a document stood when its rows were derived last, where that is at hand: it is taken out.
    pub(crate) fn take_stood(&self, num: i64) -> Option<StandingsCache> {
        self.store.stood.borrow_mut().take_if(|(held, _)| *held == num).map(|(_, before)| before)
    }

    /// Keeps at hand how a document stands.
    pub(crate) fn keep_stood(&self, num: i64, standings: Vec<Standing>) {
        *self.store.stood.borrow_mut() = Some((num, StandingsCache { standings, moved: BTreeSet::new() }));
    }

    /// Whether the derived rows have the form of now, and follow the rules of now.
    pub(crate) fn rows_are_of_now(&self) -> Result<bool, StoreError> {
        Ok(self.store.meta(&ROWS)? == Some(row::FORM))
    }

    /// Notes that the derived rows have the form of now.
    pub(crate) fn note_rows_of_now(&self) -> Result<(), StoreError> {
        self.store.set_meta(&ROWS, &row::FORM)
    }

    /// Says of a book that holds nothing yet that its rows have the form of now.
    pub(super) fn begin_rows(&self) -> Result<(), StoreError> {
        if self.rows_are_of_now()? || self.store.connection.prepare_cached("SELECT 1 FROM documents LIMIT 1")?.exists([])? {
            return Ok(());
        }
        self.note_rows_of_now()
    }

    /// Writes a document's derived rows.
    pub(crate) fn write_rows(&self, num: i64, rows: &DerivedRows) -> Result<(), StoreError> {
        self.store.stood.borrow_mut().take_if(|(held, _)| *held == num);
        self.store
            .connection
            .prepare_cached("INSERT INTO views (num, view) VALUES (?1, ?2) ON CONFLICT (num) DO UPDATE SET view = ?2")?
            .execute(params![num, rows.view])?;
        // Most documents have none, and a look is much cheaper than to delete nothing: for that SQLite makes a table of its own.
        if self.store.connection.prepare_cached("SELECT 1 FROM open_slots WHERE num = ?1")?.exists([num])? {
            self.store.connection.prepare_cached("DELETE FROM open_slots WHERE num = ?1")?.execute([num])?;
        }
        for (slot, proposal) in &rows.open {
            self.store.connection.prepare_cached("INSERT INTO open_slots (num, slot, proposal) VALUES (?1, ?2, ?3)")?.execute(params![
                num,
                slot.to_string(),
                proposal
            ])?;
        }
        // A receipt stays: only what changed of it is written; one that is for nothing has no row.
        let mut came = self.store.connection.prepare_cached(
            "INSERT INTO came (at_ms, num, author, records, readings, notes) VALUES (?1, ?2, ?3, ?4, ?5, ?6)
             ON CONFLICT (at_ms, num, author) DO UPDATE SET records = ?4, readings = ?5, notes = ?6
             WHERE records <> ?4 OR readings <> ?5 OR notes <> ?6",
        )?;
        for ((at_ms, author), of) in &rows.came {
            let author = self.store.records().word(author.as_bytes())?;
            if of.records == 0 {
                let mut displaced =
                    self.store.connection.prepare_cached("DELETE FROM came WHERE at_ms = ?1 AND num = ?2 AND author = ?3")?;
                displaced.execute(params![at_ms, num, author])?;
            } else {
                came.execute(params![at_ms, num, author, signed(of.records), signed(of.readings), signed(of.notes)])?;
            }
        }
        if let Some(machine) = &rows.machine {
            self.store
                .connection
                .prepare_cached(
                    "INSERT INTO machines (num, tag, property, brief, first_visit_ms, last_visit_ms, attention)
                     VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)
                     ON CONFLICT (num) DO UPDATE SET tag = ?2, property = ?3, brief = ?4, first_visit_ms = ?5, last_visit_ms = ?6,
                       attention = ?7
                     WHERE (tag, property, brief, first_visit_ms, last_visit_ms, attention) IS NOT (?2, ?3, ?4, ?5, ?6, ?7)",
                )?
                .execute(params![
                    num,
                    machine.tag,
                    machine.property.map(|p| p.as_bytes().to_vec()),
                    machine.brief,
                    machine.visited_ms.map(|(first, _)| first),
                    machine.visited_ms.map(|(_, last)| last),
                    machine.attention
                ])?;
        }
        Ok(())
    }

    /// Takes away a document's derived rows: it holds no record any more.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn underive(&self, num: i64) -> Result<(), StoreError> {
        self.store.stood.borrow_mut().take_if(|(held, _)| *held == num);
        self.store.connection.prepare_cached("DELETE FROM views WHERE num = ?1")?.execute([num])?;
        self.store.connection.prepare_cached("DELETE FROM open_slots WHERE num = ?1")?.execute([num])?;
        self.store.connection.prepare_cached("DELETE FROM came WHERE num = ?1")?.execute([num])?;
        self.store.connection.prepare_cached("DELETE FROM machines WHERE num = ?1")?.execute([num])?;
        Ok(())
    }

    /// How a slot stands; `None` where nothing speaks about it.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn standing(&self, doc: DocId, slot: &Slot) -> Result<Option<Standing>, StoreError> {
        let at = |stood: &[Standing]| stood.binary_search_by(|standing| standing.slot.cmp(slot)).ok();
        Ok(self.stood(doc)?.and_then(|stood| at(&stood).map(|at| stood[at].clone())))
    }

    /// How the slots of a document stand.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn standings(&self, doc: DocId) -> Result<Vec<Standing>, StoreError> {
        Ok(self.stood(doc)?.map_or_else(Vec::new, |stood| stood.to_vec()))
    }

    /// How a document stood when its rows were last derived; `None` where it is not here.
    fn stood(&self, doc: DocId) -> Result<Option<Ref<'_, [Standing]>>, StoreError> {
        let Some(document) = self.store.documents().document(doc)? else { return Ok(None) };
        if self.store.stood.borrow().as_ref().is_none_or(|(held, _)| *held != document.num) {
            let mut statement = self.store.connection.prepare_cached("SELECT view FROM views WHERE num = ?1")?;
            let bytes: Option<Vec<u8>> = statement.query_row([document.num], |row| row.get(0)).optional()?;
            let standings = bytes.map_or_else(|| Ok(Vec::new()), |bytes| row::standings(&bytes))?;
            *self.store.stood.borrow_mut() = Some((document.num, StandingsCache { standings, moved: BTreeSet::new() }));
        }
        Ok(Ref::filter_map(self.store.stood.borrow(), |stood| stood.as_ref().map(|(_, before)| before.standings.as_slice())).ok())
    }

    /// Slots of one document lie together: its row is read once for all of them.
    fn slots_where(&self, proposal: bool, most: usize) -> Result<Vec<(DocId, Standing)>, StoreError> {
        let mut statement = self.store.connection.prepare_cached(
            "SELECT num, doc, slot FROM open_slots JOIN documents USING (num) WHERE proposal = ?1 ORDER BY num, slot LIMIT ?2",
        )?;
        let mut view = self.store.connection.prepare_cached("SELECT view FROM views WHERE num = ?1")?;
        let mut rows = statement.query(params![proposal, i64::try_from(most).unwrap_or(i64::MAX)])?;
        let mut found = Vec::new();
        let mut of: Option<(i64, Vec<Standing>)> = None;
        while let Some(row) = rows.next()? {
            let (num, slot): (i64, String) = (row.get(0)?, row.get(2)?);
            let slot = Slot::named(&slot);
            let doc = DocId::from_bytes(fixed(row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?)?);
            if of.as_ref().is_none_or(|(held, _)| *held != num) {
                let bytes: Vec<u8> = view.query_row([num], |row| row.get(0))?;
                of = Some((num, row::standings(&bytes)?));
            }
            let at = |standings: &[Standing]| standings.binary_search_by(|standing| standing.slot.cmp(&slot)).ok();
            let standing = of.as_ref().and_then(|(_, standings)| at(standings).and_then(|at| standings.get(at)));
            let standing = standing.ok_or_else(|| StoreError::Damaged("an open slot without a standing".to_owned()))?;
            found.push((doc, standing.clone()));
        }
        Ok(found)
    }

    fn count_slots_where(&self, proposal: bool) -> Result<usize, StoreError> {
        let mut statement = self.store.connection.prepare_cached("SELECT count(*) FROM open_slots WHERE proposal = ?1")?;
        let count: i64 = statement.query_row([proposal], |row| row.get(0))?;
        Ok(usize::try_from(count).unwrap_or_default())
    }

    /// Slots that want a ruling, with their documents; those of one document lie together. At most so many.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn open_slots(&self, most: usize) -> Result<Vec<(DocId, Standing)>, StoreError> {
        self.slots_where(false, most)
    }

    /// How many slots want a ruling.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn count_open_slots(&self) -> Result<usize, StoreError> {
        self.count_slots_where(false)
    }

    /// Slots outside machines where something waits aside: what leads propose for cards and properties.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn proposals(&self) -> Result<Vec<(DocId, Standing)>, StoreError> {
        self.slots_where(true, usize::MAX)
    }
}
