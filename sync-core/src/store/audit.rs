//! What a verification asks of the file: SQLite's own check, and every derived row as text.

use std::collections::BTreeSet;

use sha2::{Digest, Sha256};
use shared::bytes::Bytes32;

use super::{Store, StoreError};
use crate::change::segment_codec;

impl Store {
    /// What SQLite finds damaged; `None` where it finds nothing.
    pub(crate) fn damage(&self) -> Result<Option<String>, StoreError> {
        let found: String = self.connection.query_row("PRAGMA integrity_check(20)", [], |row| row.get(0))?;
        Ok((found != "ok").then_some(found))
    }

    /// Takes every derived row away, and makes the rows of records again.
    pub(crate) fn index_again(&self) -> Result<(), StoreError> {
        self.connection.execute_batch(
            "DELETE FROM views; DELETE FROM came; DELETE FROM open_slots; DELETE FROM machines; DELETE FROM records; DELETE FROM authors;",
        )?;
        for document in self.documents().all()? {
            self.records().index_records(document.num, Some(&BTreeSet::new()))?;
        }
        Ok(())
    }

    /// Every derived row as text, for comparing with a rebuild.
    pub(crate) fn derived_dump(&self) -> Result<Vec<String>, StoreError> {
        let mut lines = Vec::new();
        for sql in [
            "SELECT 'record ' || hex(id) || ' ' || num || ' ' || written_ms || ' ' || coalesce(received_ms, '') || ' ' || due || ' ' || receipt
               FROM records ORDER BY id",
            "SELECT 'came ' || at_ms || ' ' || num || ' ' || author || ' ' || records || ' ' || readings || ' ' || notes FROM came ORDER BY at_ms, num, author",
            "SELECT 'author ' || author || ' ' || num FROM authors ORDER BY author, num",
            "SELECT 'open ' || num || ' ' || slot || ' ' || proposal FROM open_slots ORDER BY num, slot, proposal",
            "SELECT 'machine ' || num || ' ' || tag || ' ' || coalesce(hex(property), '') || ' ' || hex(brief) || ' ' || coalesce(first_visit_ms, '')
               || ' ' || coalesce(last_visit_ms, '') || ' ' || attention FROM machines ORDER BY num",
        ] {
            let mut statement = self.connection.prepare(sql)?;
            let rows = statement.query_map([], |row| row.get::<_, String>(0))?;
            lines.extend(rows.collect::<Result<Vec<_>, _>>()?);
        }
        // A row is the same whether it is compressed or not.
        let mut views = self.connection.prepare("SELECT num, view FROM views ORDER BY num")?;
        for row in views.query_map([], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, Vec<u8>>(1)?)))? {
            let (num, view) = row?;
            lines.push(match segment_codec::decompressed(&view) {
                Ok(plain) => format!("view {num} {}", Bytes32(Sha256::digest(&plain).into())),
                Err(error) => format!("view {num}: {error}"),
            });
        }
        Ok(lines)
    }
}
