//! The rows of machines, as lists and pages ask for them.

use rusqlite::OptionalExtension;
use shared::ids::{DocId, PropertyId};

use super::{StoreError, fixed, row};
use crate::judge::machine::MachineState;
use crate::judge::machine_summary::MachineSummary;
use crate::store::tables::MachineRows;

/// A machine's row.
#[derive(Debug, Clone, PartialEq)]
pub struct MachineRow {
    /// Its document.
    pub doc: DocId,
    /// Its state.
    pub state: MachineState,
}

/// Of machines in brief, those that somebody should look at.
const WANTING_ATTENTION: &str = "WHERE attention = 1";

fn summaries_sql(which: &str) -> String {
    format!("SELECT doc, brief FROM machines JOIN documents USING (num) {which} ORDER BY tag, doc")
}

impl MachineRows<'_> {
    fn machines_where(&self, which: &str, parameters: impl rusqlite::Params) -> Result<Vec<MachineRow>, StoreError> {
        let sql = format!("SELECT doc, view FROM machines JOIN documents USING (num) JOIN views USING (num) {which}");
        let mut statement = self.store.connection.prepare_cached(&sql)?;
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
    pub fn machine_summaries(&self) -> Result<Vec<(DocId, MachineSummary)>, StoreError> {
        self.summaries_where("")
    }

    /// Those that somebody should look at, a visit of theirs being open, say; in brief, by tag. Reads no others.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn summaries_wanting_attention(&self) -> Result<Vec<(DocId, MachineSummary)>, StoreError> {
        self.summaries_where(WANTING_ATTENTION)
    }

    fn summaries_where(&self, which: &str) -> Result<Vec<(DocId, MachineSummary)>, StoreError> {
        let mut statement = self.store.connection.prepare_cached(&summaries_sql(which))?;
        let mut rows = statement.query([])?;
        let mut machine_summaries = Vec::new();
        while let Some(row) = rows.next()? {
            let doc = DocId::from_bytes(fixed(row.get_ref(0)?.as_blob().map_err(rusqlite::Error::from)?)?);
            let bytes = row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?;
            machine_summaries.extend(row::brief_in(bytes)?.map(|brief| (doc, brief)));
        }
        Ok(machine_summaries)
    }

    /// Every machine's tag.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn tags(&self) -> Result<Vec<(DocId, String)>, StoreError> {
        let mut statement =
            self.store.connection.prepare_cached("SELECT doc, tag FROM machines JOIN documents USING (num) ORDER BY tag, doc")?;
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
        let count: i64 = self.store.connection.prepare_cached("SELECT count(*) FROM machines")?.query_row([], |row| row.get(0))?;
        Ok(usize::try_from(count).unwrap_or(0))
    }

    /// The tag of a machine, its state unread; `None` where the document is no machine.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn tag_of(&self, doc: DocId) -> Result<Option<String>, StoreError> {
        let mut statement = self.store.connection.prepare_cached("SELECT tag FROM machines JOIN documents USING (num) WHERE doc = ?1")?;
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
        let mut statement = self.store.connection.prepare_cached("SELECT num FROM machines WHERE property = ?1")?;
        Ok(statement.query_map([property.as_bytes().as_slice()], |row| row.get(0))?.collect::<Result<_, _>>()?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::Store;

    #[test]
    fn machines_that_want_attention_are_found_without_reading_the_others() {
        let store = Store::in_memory().unwrap();
        let plan = |which: &str| -> String {
            let sql = format!("EXPLAIN QUERY PLAN {}", summaries_sql(which));
            let mut statement = store.connection.prepare(&sql).unwrap();
            let lines = statement.query_map([], |row| row.get::<_, String>(3)).unwrap();
            lines.map(Result::unwrap).collect::<Vec<_>>().join("; ")
        };
        assert!(plan(WANTING_ATTENTION).contains("machines_attention"), "{}", plan(WANTING_ATTENTION));
        assert!(!plan("").contains("machines_attention"), "{}", plan(""));
    }
}
