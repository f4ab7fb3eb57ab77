//! Rows that screens read: standings and machine states. A function of the records, rebuilt whenever they change.

use rusqlite::{OptionalExtension, params};
use shared::ids::{DocId, PropertyId};
use shared::record::Body;
use shared::slot::Slot;

use super::{DocumentRow, Store, StoreError, fixed, from_json, to_json};
use crate::ledger::Ledger;
use crate::machine::MachineState;
use crate::rights::Place;
use crate::roster::Roster;
use crate::standing::{Standing, stands};

/// A machine's row.
#[derive(Debug, Clone, PartialEq)]
pub struct MachineRow {
    /// Its document.
    pub doc: DocId,
    /// Its state.
    pub state: MachineState,
}

impl Store {
    /// Derives a document's rows anew from its records.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn derive(&self, document: &DocumentRow, roster: &Roster) -> Result<(), StoreError> {
        let ledger = self.ledger(document.num)?;
        if ledger.entries().next().is_none() {
            return self.underive(document.num);
        }
        self.note_receipts(&ledger)?;
        let standings: Vec<Standing> = ledger.slots().map(|slot| stands(slot, &ledger, roster)).collect();
        self.connection.prepare_cached("DELETE FROM standings WHERE num = ?1")?.execute([document.num])?;
        let mut insert =
            self.connection.prepare_cached("INSERT INTO standings (num, slot, wants_ruling, standing) VALUES (?1, ?2, ?3, ?4)")?;
        for standing in &standings {
            insert.execute(params![document.num, standing.slot.0, standing.wants_ruling(), to_json(standing)?])?;
        }
        if document.place == Place::Machine {
            let state = MachineState::fold(&ledger, &standings, roster);
            self.connection
                .prepare_cached(
                    "INSERT INTO machines (num, tag, property, state) VALUES (?1, ?2, ?3, ?4)
                     ON CONFLICT (num) DO UPDATE SET tag = ?2, property = ?3, state = ?4",
                )?
                .execute(params![document.num, state.tag(), state.property().map(|p| p.as_bytes().to_vec()), to_json(&state)?])?;
        }
        Ok(())
    }

    fn note_receipts(&self, ledger: &Ledger) -> Result<(), StoreError> {
        for entry in ledger.entries() {
            if let Body::Arrival(arrival) = &entry.record.body {
                self.mark_received(&arrival.records, arrival.at)?;
            }
        }
        Ok(())
    }

    /// Takes away a document's derived rows: it holds no record any more.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn underive(&self, num: i64) -> Result<(), StoreError> {
        self.connection.prepare_cached("DELETE FROM standings WHERE num = ?1")?.execute([num])?;
        self.connection.prepare_cached("DELETE FROM machines WHERE num = ?1")?.execute([num])?;
        Ok(())
    }

    /// How a slot stands; `None` where nothing speaks about it.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn standing(&self, doc: DocId, slot: &Slot) -> Result<Option<Standing>, StoreError> {
        let mut statement =
            self.connection.prepare_cached("SELECT standing FROM standings JOIN documents USING (num) WHERE doc = ?1 AND slot = ?2")?;
        let text: Option<String> = statement.query_row(params![doc.as_bytes().as_slice(), slot.0], |row| row.get(0)).optional()?;
        text.map(|text| from_json(&text)).transpose()
    }

    /// How the slots of a document stand.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn standings(&self, doc: DocId) -> Result<Vec<Standing>, StoreError> {
        let mut statement =
            self.connection.prepare_cached("SELECT standing FROM standings JOIN documents USING (num) WHERE doc = ?1 ORDER BY slot")?;
        let rows = statement.query_map([doc.as_bytes().as_slice()], |row| row.get::<_, String>(0))?;
        rows.map(|text| from_json(&text?)).collect()
    }

    /// Every slot that wants a ruling, with its document.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn open_slots(&self) -> Result<Vec<(DocId, Standing)>, StoreError> {
        let mut statement = self
            .connection
            .prepare_cached("SELECT doc, standing FROM standings JOIN documents USING (num) WHERE wants_ruling = 1 ORDER BY num, slot")?;
        let rows = statement.query_map([], |row| Ok((row.get::<_, Vec<u8>>(0)?, row.get::<_, String>(1)?)))?;
        rows.map(|row| {
            let (doc, text) = row?;
            Ok((DocId::from_bytes(fixed(&doc)?), from_json(&text)?))
        })
        .collect()
    }

    /// Slots outside machines where something waits aside: what leads propose for cards and properties.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn proposals(&self) -> Result<Vec<(DocId, Standing)>, StoreError> {
        let mut statement = self.connection.prepare_cached(
            "SELECT doc, standing FROM standings JOIN documents USING (num)
             WHERE place IN ('engines', 'property') AND standing NOT LIKE '%\"aside\":[]%' ORDER BY num, slot",
        )?;
        let rows = statement.query_map([], |row| Ok((row.get::<_, Vec<u8>>(0)?, row.get::<_, String>(1)?)))?;
        rows.map(|row| {
            let (doc, text) = row?;
            Ok((DocId::from_bytes(fixed(&doc)?), from_json(&text)?))
        })
        .collect()
    }

    /// Every machine, by tag.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn machines(&self) -> Result<Vec<MachineRow>, StoreError> {
        let mut statement =
            self.connection.prepare_cached("SELECT doc, state FROM machines JOIN documents USING (num) ORDER BY tag, doc")?;
        let rows = statement.query_map([], |row| Ok((row.get::<_, Vec<u8>>(0)?, row.get::<_, String>(1)?)))?;
        rows.map(|row| machine_row(row?)).collect()
    }

    /// One machine.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn machine(&self, doc: DocId) -> Result<Option<MachineRow>, StoreError> {
        let mut statement = self.connection.prepare_cached("SELECT doc, state FROM machines JOIN documents USING (num) WHERE doc = ?1")?;
        let row = statement.query_row([doc.as_bytes().as_slice()], |row| Ok((row.get(0)?, row.get(1)?))).optional()?;
        row.map(machine_row).transpose()
    }

    /// The documents of the machines at a property, by number.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn machines_at(&self, property: PropertyId) -> Result<Vec<i64>, StoreError> {
        let mut statement = self.connection.prepare_cached("SELECT num FROM machines WHERE property = ?1")?;
        Ok(statement.query_map([property.as_bytes().as_slice()], |row| row.get(0))?.collect::<Result<_, _>>()?)
    }

    /// Every derived row as text, for comparing with a rebuild.
    pub(super) fn derived_dump(&self) -> Result<Vec<String>, StoreError> {
        let mut lines = Vec::new();
        for sql in [
            "SELECT 'standing ' || hex(doc) || ' ' || slot || ' ' || wants_ruling || ' ' || standing FROM standings JOIN documents USING (num) ORDER BY doc, slot",
            "SELECT 'machine ' || hex(doc) || ' ' || tag || ' ' || coalesce(hex(property), '') || ' ' || state FROM machines JOIN documents USING (num) ORDER BY doc",
            "SELECT 'document ' || hex(doc) || ' ' || place || ' ' || hex(heads) FROM documents ORDER BY doc",
        ] {
            let mut statement = self.connection.prepare(sql)?;
            let rows = statement.query_map([], |row| row.get::<_, String>(0))?;
            lines.extend(rows.collect::<Result<Vec<_>, _>>()?);
        }
        Ok(lines)
    }
}

fn machine_row((doc, text): (Vec<u8>, String)) -> Result<MachineRow, StoreError> {
    Ok(MachineRow { doc: DocId::from_bytes(fixed(&doc)?), state: from_json(&text)? })
}
