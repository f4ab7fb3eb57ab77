//! Rows that screens read: standings and machine states. A function of the records, made anew whenever they change.

use std::cell::Ref;
use std::collections::BTreeSet;

use rusqlite::{OptionalExtension, params};
use shared::ids::{DocId, PropertyId};
use shared::slot::Slot;

use super::deriving::{Before, Derived, Rows, ToDerive, rows_of};
use super::{DocumentRow, Settled, Store, StoreError, fixed, pack, row, signed};
use crate::brief::Brief;
use crate::cores::on_all_cores;
use crate::machine::MachineState;
use crate::rights::Place;
use crate::roster::Roster;
use crate::standing::Standing;

/// So many documents are read at once, and worked on by all cores, before their rows are written.
const AT_ONCE: usize = 256;
/// The named value that says which form the derived rows have.
const ROWS: &str = "rows";

/// A machine's row.
#[derive(Debug, Clone, PartialEq)]
pub struct MachineRow {
    /// Its document.
    pub doc: DocId,
    /// Its state.
    pub state: MachineState,
}

/// A document whose rows are to be made anew.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct TouchedDocument {
    /// The store's own number of it.
    pub num: i64,
    /// What kind.
    pub place: Place,
}

impl From<&DocumentRow> for TouchedDocument {
    fn from(row: &DocumentRow) -> Self {
        Self { num: row.num, place: row.place }
    }
}

impl Store {
    /// Derives a document's rows anew from its records.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn derive(&self, document: &DocumentRow, roster: &Roster) -> Result<(), StoreError> {
        let ledger = self.ledger(document.num)?;
        let before = self.stood.borrow_mut().take_if(|(held, _)| *held == document.num).map(|(_, before)| before);
        let Some((rows, standings)) = rows_of(document.place, &ledger, roster, before)? else {
            return self.underive(document.num);
        };
        // In a visit one reading follows another: each asks what stood before it, and writes this row anew.
        self.write_rows(document.num, &Rows { view: pack::leave_loose(rows.view), ..rows })?;
        *self.stood.borrow_mut() = Some((document.num, Before { standings, moved: BTreeSet::new() }));
        Ok(())
    }

    /// Derives the rows of documents anew from their records.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn derive_all(&self, documents: &[TouchedDocument], roster: &Roster) -> Result<(), StoreError> {
        for some in documents.chunks(AT_ONCE) {
            let packed = some.iter().map(|document| self.to_derive(*document)).collect::<Result<Vec<_>, _>>()?;
            on_all_cores(packed, |packed| packed.derive(roster)).into_iter().try_for_each(|derived| self.keep_derived(derived))?;
        }
        Ok(())
    }

    /// What the rows of a document are derived from.
    pub(crate) fn to_derive(&self, document: TouchedDocument) -> Result<ToDerive, StoreError> {
        Ok(ToDerive { document, packs: self.packs_of(document.num)?, entries: Vec::new() })
    }

    /// The same of a document by its id, where this was appended to it last if anything was; `None` where there is no such document.
    pub(crate) fn to_derive_of(&self, doc: DocId, settled: Option<Settled>) -> Result<Option<ToDerive>, StoreError> {
        if let Some(Settled { document, from, entries }) = settled {
            return Ok(Some(ToDerive { document, packs: self.packs_before(document.num, from)?, entries }));
        }
        self.document(doc)?.map(|document| self.to_derive((&document).into())).transpose()
    }

    /// Keeps the rows that were derived of a document.
    pub(crate) fn keep_derived(&self, derived: Derived) -> Result<(), StoreError> {
        match derived.rows? {
            Some(rows) => self.write_rows(derived.num, &rows),
            None => self.underive(derived.num),
        }
    }

    /// Makes the derived rows anew where a program with another form of them, or with other rules, has made them.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn renew_rows(&self, roster: &Roster) -> Result<(), StoreError> {
        if self.meta(ROWS)? == Some(row::FORM) {
            return Ok(());
        }
        self.atomically(|store| store.derive_everything(roster))
    }

    /// Derives the rows of every document anew from its records.
    pub(super) fn derive_everything(&self, roster: &Roster) -> Result<(), StoreError> {
        let documents: Vec<TouchedDocument> = self.documents()?.iter().map(TouchedDocument::from).collect();
        self.derive_all(&documents, roster)?;
        self.set_meta(ROWS, &row::FORM)
    }

    /// Says of a book that holds nothing yet that its rows have the form of now.
    pub(super) fn begin_rows(&self) -> Result<(), StoreError> {
        if self.meta(ROWS)? == Some(row::FORM) || self.connection.prepare_cached("SELECT 1 FROM documents LIMIT 1")?.exists([])? {
            return Ok(());
        }
        self.set_meta(ROWS, &row::FORM)
    }

    pub(super) fn write_rows(&self, num: i64, rows: &Rows) -> Result<(), StoreError> {
        self.stood.borrow_mut().take_if(|(held, _)| *held == num);
        self.connection
            .prepare_cached("INSERT INTO views (num, view) VALUES (?1, ?2) ON CONFLICT (num) DO UPDATE SET view = ?2")?
            .execute(params![num, rows.view])?;
        // Most documents have none, and a look is much cheaper than to delete nothing: for that SQLite makes a table of its own.
        if self.connection.prepare_cached("SELECT 1 FROM open_slots WHERE num = ?1")?.exists([num])? {
            self.connection.prepare_cached("DELETE FROM open_slots WHERE num = ?1")?.execute([num])?;
        }
        for (slot, proposal) in &rows.open {
            self.connection
                .prepare_cached("INSERT INTO open_slots (num, slot, proposal) VALUES (?1, ?2, ?3)")?
                .execute(params![num, slot.0, proposal])?;
        }
        // A receipt stays: only what changed of it is written; one that is for nothing has no row.
        let mut came = self.connection.prepare_cached(
            "INSERT INTO came (at_ms, num, author, records, readings, notes) VALUES (?1, ?2, ?3, ?4, ?5, ?6)
             ON CONFLICT (at_ms, num, author) DO UPDATE SET records = ?4, readings = ?5, notes = ?6
             WHERE records <> ?4 OR readings <> ?5 OR notes <> ?6",
        )?;
        for ((at_ms, author), of) in &rows.came {
            let author = self.word(author.as_bytes())?;
            if of.records == 0 {
                let mut displaced = self.connection.prepare_cached("DELETE FROM came WHERE at_ms = ?1 AND num = ?2 AND author = ?3")?;
                displaced.execute(params![at_ms, num, author])?;
            } else {
                came.execute(params![at_ms, num, author, signed(of.records), signed(of.readings), signed(of.notes)])?;
            }
        }
        if let Some(machine) = &rows.machine {
            self.connection
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
        self.stood.borrow_mut().take_if(|(held, _)| *held == num);
        self.connection.prepare_cached("DELETE FROM views WHERE num = ?1")?.execute([num])?;
        self.connection.prepare_cached("DELETE FROM open_slots WHERE num = ?1")?.execute([num])?;
        self.connection.prepare_cached("DELETE FROM came WHERE num = ?1")?.execute([num])?;
        self.connection.prepare_cached("DELETE FROM machines WHERE num = ?1")?.execute([num])?;
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
        let Some(document) = self.document(doc)? else { return Ok(None) };
        if self.stood.borrow().as_ref().is_none_or(|(held, _)| *held != document.num) {
            let mut statement = self.connection.prepare_cached("SELECT view FROM views WHERE num = ?1")?;
            let bytes: Option<Vec<u8>> = statement.query_row([document.num], |row| row.get(0)).optional()?;
            let standings = bytes.map_or_else(|| Ok(Vec::new()), |bytes| row::standings(&bytes))?;
            *self.stood.borrow_mut() = Some((document.num, Before { standings, moved: BTreeSet::new() }));
        }
        Ok(Ref::filter_map(self.stood.borrow(), |stood| stood.as_ref().map(|(_, before)| before.standings.as_slice())).ok())
    }

    /// Slots of one document lie together: its row is read once for all of them.
    fn slots_where(&self, proposal: bool, most: usize) -> Result<Vec<(DocId, Standing)>, StoreError> {
        let mut statement = self.connection.prepare_cached(
            "SELECT num, doc, slot FROM open_slots JOIN documents USING (num) WHERE proposal = ?1 ORDER BY num, slot LIMIT ?2",
        )?;
        let mut view = self.connection.prepare_cached("SELECT view FROM views WHERE num = ?1")?;
        let mut rows = statement.query(params![proposal, i64::try_from(most).unwrap_or(i64::MAX)])?;
        let mut found = Vec::new();
        let mut of: Option<(i64, Vec<Standing>)> = None;
        while let Some(row) = rows.next()? {
            let (num, slot): (i64, String) = (row.get(0)?, row.get(2)?);
            let doc = DocId::from_bytes(fixed(row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?)?);
            if of.as_ref().is_none_or(|(held, _)| *held != num) {
                let bytes: Vec<u8> = view.query_row([num], |row| row.get(0))?;
                of = Some((num, row::standings(&bytes)?));
            }
            let at = |standings: &[Standing]| standings.binary_search_by(|standing| standing.slot.0.cmp(&slot)).ok();
            let standing = of.as_ref().and_then(|(_, standings)| at(standings).and_then(|at| standings.get(at)));
            let standing = standing.ok_or_else(|| StoreError::Damaged("an open slot without a standing".to_owned()))?;
            found.push((doc, standing.clone()));
        }
        Ok(found)
    }

    fn count_slots_where(&self, proposal: bool) -> Result<usize, StoreError> {
        let mut statement = self.connection.prepare_cached("SELECT count(*) FROM open_slots WHERE proposal = ?1")?;
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

    fn machines_where(&self, which: &str, parameters: impl rusqlite::Params) -> Result<Vec<MachineRow>, StoreError> {
        let sql = format!("SELECT doc, view FROM machines JOIN documents USING (num) JOIN views USING (num) {which}");
        let mut statement = self.connection.prepare_cached(&sql)?;
        let rows = statement.query_map(parameters, |row| Ok((row.get::<_, Vec<u8>>(0)?, row.get::<_, Vec<u8>>(1)?)))?;
        rows.map(|row| {
            let (doc, view) = row?;
            Ok(MachineRow { doc: DocId::from_bytes(fixed(&doc)?), state: row::state(&view)?.unwrap_or_default() })
        })
        .collect()
    }

    /// Every machine, by tag.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn machines(&self) -> Result<Vec<MachineRow>, StoreError> {
        self.machines_where("ORDER BY tag, doc", [])
    }

    /// The machines that somebody should look at, and those that may have been visited in a span of time, by tag.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn machines_of_day(&self, from_ms: i64, until_ms: i64) -> Result<Vec<MachineRow>, StoreError> {
        self.machines_where(
            "WHERE num IN (SELECT num FROM machines WHERE attention = 1
               UNION SELECT num FROM machines WHERE last_visit_ms >= ?1 AND first_visit_ms < ?2) ORDER BY tag, doc",
            [from_ms, until_ms],
        )
    }

    /// Every machine with a card, in brief, by tag.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn briefs(&self) -> Result<Vec<(DocId, Brief)>, StoreError> {
        let mut statement =
            self.connection.prepare_cached("SELECT doc, brief FROM machines JOIN documents USING (num) ORDER BY tag, doc")?;
        let mut rows = statement.query([])?;
        let mut briefs = Vec::new();
        while let Some(row) = rows.next()? {
            let doc = DocId::from_bytes(fixed(row.get_ref(0)?.as_blob().map_err(rusqlite::Error::from)?)?);
            let bytes = row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?;
            briefs.extend(row::brief_in(bytes)?.map(|brief| (doc, brief)));
        }
        Ok(briefs)
    }

    /// Every machine's tag.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn tags(&self) -> Result<Vec<(DocId, String)>, StoreError> {
        let mut statement = self.connection.prepare_cached("SELECT doc, tag FROM machines JOIN documents USING (num) ORDER BY tag, doc")?;
        let rows = statement.query_map([], |row| Ok((row.get::<_, Vec<u8>>(0)?, row.get::<_, String>(1)?)))?;
        rows.map(|row| {
            let (doc, tag) = row?;
            Ok((DocId::from_bytes(fixed(&doc)?), tag))
        })
        .collect()
    }

    /// How many machines there are.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn count_machines(&self) -> Result<usize, StoreError> {
        let count: i64 = self.connection.prepare_cached("SELECT count(*) FROM machines")?.query_row([], |row| row.get(0))?;
        Ok(usize::try_from(count).unwrap_or(0))
    }

    /// The tag of a machine, its state unread; `None` where the document is no machine.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn tag_of(&self, doc: DocId) -> Result<Option<String>, StoreError> {
        let mut statement = self.connection.prepare_cached("SELECT tag FROM machines JOIN documents USING (num) WHERE doc = ?1")?;
        Ok(statement.query_row([doc.as_bytes().as_slice()], |row| row.get(0)).optional()?)
    }

    /// One machine.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn machine(&self, doc: DocId) -> Result<Option<MachineRow>, StoreError> {
        Ok(self.machines_where("WHERE doc = ?1", [doc.as_bytes().as_slice()])?.pop())
    }

    /// The machines at a property, by tag.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn machines_of(&self, property: PropertyId) -> Result<Vec<MachineRow>, StoreError> {
        self.machines_where("WHERE property = ?1 ORDER BY tag, doc", [property.as_bytes().as_slice()])
    }

    /// The documents of the machines at a property, by number.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn machines_at(&self, property: PropertyId) -> Result<Vec<i64>, StoreError> {
        let mut statement = self.connection.prepare_cached("SELECT num FROM machines WHERE property = ?1")?;
        Ok(statement.query_map([property.as_bytes().as_slice()], |row| row.get(0))?.collect::<Result<_, _>>()?)
    }
}
