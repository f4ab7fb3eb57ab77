//! Documents: their heads as rows, so that none need be opened.

use rusqlite::{OptionalExtension, Row, params};
use shared::bytes::{Blob, Bytes32};
use shared::ids::{DocId, PersonId, PropertyId};
use std::collections::BTreeSet;

use super::{StoreError, fixed, unsigned};
use crate::change::replica::genesis_hash;
use crate::judge::permissions::{DocKind, Site};
use crate::store::tables::Documents;

/// How much the changes of a document hold; a record that stands in two of them counts twice.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Size {
    /// Signed bytes of records.
    pub bytes: u64,
    /// Records.
    pub records: u64,
}

impl Size {
    /// Both together.
    #[must_use]
    pub const fn and(self, other: Self) -> Self {
        Self { bytes: self.bytes.saturating_add(other.bytes), records: self.records.saturating_add(other.records) }
    }

    /// With a change's records too.
    #[must_use]
    pub fn with(self, records: &[Blob]) -> Self {
        let bytes: u64 = records.iter().map(|record| record.0.len() as u64).sum();
        Self { bytes: self.bytes.saturating_add(bytes), records: self.records.saturating_add(records.len() as u64) }
    }
}

/// A document's row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DocumentRow {
    /// The store's own number of it.
    pub num: i64,
    /// Which document.
    pub doc: DocId,
    /// What kind.
    pub place: DocKind,
    /// Heads now.
    pub heads: Vec<Bytes32>,
    /// How much its changes hold.
    pub size: Size,
    /// Something that a change sent here builds on is not here: it is asked of the shop.
    pub lacking: bool,
}

/// Number, place, founder and property of a document, as they are kept.
type SiteRow = (i64, String, Option<Vec<u8>>, Option<Vec<u8>>);

fn hashes(bytes: &[u8]) -> Result<Vec<Bytes32>, StoreError> {
    bytes.chunks(32).map(|chunk| fixed(chunk).map(Bytes32)).collect()
}

pub(super) fn joined(hashes: &[Bytes32]) -> Vec<u8> {
    hashes.iter().flat_map(|h| h.0).collect()
}

impl Documents<'_> {
    /// A document's row.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn document(&self, doc: DocId) -> Result<Option<DocumentRow>, StoreError> {
        let mut statement =
            self.store.connection.prepare_cached("SELECT num, doc, place, heads, lacking, bytes, records FROM documents WHERE doc = ?1")?;
        let row = statement.query_row([doc.as_bytes().as_slice()], |row| Ok(document_row(row))).optional()?;
        row.transpose()
    }

    /// Every document, in the order in which they came.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn all(&self) -> Result<Vec<DocumentRow>, StoreError> {
        self.documents_where("ORDER BY num")
    }

    fn documents_where(&self, which: &str) -> Result<Vec<DocumentRow>, StoreError> {
        let sql = format!("SELECT num, doc, place, heads, lacking, bytes, records FROM documents {which}");
        let mut statement = self.store.connection.prepare_cached(&sql)?;
        statement.query_map([], |row| Ok(document_row(row)))?.map(|row| row?).collect()
    }

    /// A document's row by the store's own number.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn document_by_num(&self, num: i64) -> Result<Option<DocumentRow>, StoreError> {
        let mut statement =
            self.store.connection.prepare_cached("SELECT num, doc, place, heads, lacking, bytes, records FROM documents WHERE num = ?1")?;
        let row = statement.query_row([num], |row| Ok(document_row(row))).optional()?;
        row.transpose()
    }

    /// Documents of which something is lacking here, in the order in which they came.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn documents_lacking(&self) -> Result<Vec<DocumentRow>, StoreError> {
        self.documents_where("WHERE lacking = 1 ORDER BY num")
    }

    /// Documents with something that the shop is not known to hold: not offered yet, or of this device's own and not receipted.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn documents_waiting(&self) -> Result<BTreeSet<DocId>, StoreError> {
        let mut statement = self.store.connection.prepare_cached(
            "SELECT doc FROM documents WHERE num IN (SELECT num FROM segments WHERE at_shop = 0 UNION SELECT num FROM records WHERE due = 1)",
        )?;
        let rows = statement.query_map([], |row| row.get::<_, Vec<u8>>(0))?;
        rows.map(|doc| Ok(DocId::from_bytes(fixed(&doc?)?))).collect()
    }

    /// Documents with something that came after a position of the log.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn moved_since(&self, pos: u64) -> Result<Vec<DocId>, StoreError> {
        let mut statement = self
            .store
            .connection
            .prepare_cached("SELECT doc FROM documents WHERE num IN (SELECT num FROM segments WHERE pos > ?1) ORDER BY num")?;
        let rows = statement.query_map([super::signed(pos)], |row| row.get::<_, Vec<u8>>(0))?;
        rows.map(|doc| Ok(DocId::from_bytes(fixed(&doc?)?))).collect()
    }

    /// What kind of document it is; `None` where there is none yet.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn place(&self, doc: DocId) -> Result<Option<DocKind>, StoreError> {
        Ok(self.document(doc)?.map(|row| row.place))
    }

    /// A document's row, made where there is none.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn found_document(&self, doc: DocId, place: DocKind) -> Result<DocumentRow, StoreError> {
        if let Some(row) = self.document(doc)? {
            return Ok(row);
        }
        self.store.connection.prepare_cached("INSERT INTO documents (doc, place, heads) VALUES (?1, ?2, ?3)")?.execute(params![
            doc.as_bytes().as_slice(),
            place.name(),
            genesis_hash(doc).0.as_slice()
        ])?;
        self.document(doc)?.ok_or_else(|| StoreError::Damaged("a document that was just made is not there".to_owned()))
    }

    /// Notes who founded a document.
    pub(super) fn set_founder(&self, num: i64, founder: PersonId) -> Result<(), StoreError> {
        let founder = self.store.records().word(founder.as_bytes())?;
        self.store.connection.prepare_cached("UPDATE documents SET founder = ?2 WHERE num = ?1")?.execute([num, founder])?;
        Ok(())
    }

    /// The documents that a person founded.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn documents_founded_by(&self, person: PersonId) -> Result<Vec<i64>, StoreError> {
        let mut statement = self.store.connection.prepare_cached("SELECT num FROM documents WHERE founder = ?1")?;
        Ok(statement.query_map([self.store.records().word(person.as_bytes())?], |row| row.get(0))?.collect::<Result<_, _>>()?)
    }

    /// A document as far as its readers and writers depend on it; `None` where there is none yet.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn site(&self, doc: DocId) -> Result<Option<Site>, StoreError> {
        let mut statement = self.store.connection.prepare_cached(
            "SELECT documents.num, place, words.bytes, property FROM documents
             LEFT JOIN words ON words.word = founder LEFT JOIN machines ON machines.num = documents.num WHERE doc = ?1",
        )?;
        let row: Option<SiteRow> =
            statement.query_row([doc.as_bytes().as_slice()], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?))).optional()?;
        let Some((num, place, founder, at)) = row else { return Ok(None) };
        let place = DocKind::from_name(&place).ok_or_else(|| StoreError::Damaged(format!("a document of kind {place}")))?;
        let founder = founder.map(|founder| fixed(&founder).map(PersonId::from_bytes)).transpose()?;
        let property = match (place, at) {
            (DocKind::Property, _) => Some(PropertyId::from_bytes(*doc.as_bytes())),
            (DocKind::Machine, Some(at)) => Some(PropertyId::from_bytes(fixed(&at)?)),
            // Nothing has been derived of it yet: what founded it says where it is.
            (DocKind::Machine, None) => {
                let ledger = self.store.records().ledger(num)?;
                ledger.entries().find_map(|entry| Site::founded_by(&entry.record)).and_then(|site| site.property)
            }
            _ => None,
        };
        Ok(Some(Site { place, property, founder }))
    }

    /// Notes whether something is lacking here that the shop must be asked for.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn set_lacking(&self, doc: DocId, lacking: bool) -> Result<(), StoreError> {
        self.store
            .connection
            .prepare_cached("UPDATE documents SET lacking = ?2 WHERE doc = ?1")?
            .execute(params![doc.as_bytes().as_slice(), lacking])?;
        Ok(())
    }
}

#[cfg(test)]
impl Documents<'_> {
    /// Says of a document that it holds one record more than it does.
    pub(crate) fn set_size_wrong(&self, num: i64) -> Result<(), StoreError> {
        self.store.connection.execute("UPDATE documents SET records = records + 1 WHERE num = ?1", [num])?;
        Ok(())
    }
}

fn document_row(row: &Row<'_>) -> Result<DocumentRow, StoreError> {
    let place: String = row.get(2)?;
    Ok(DocumentRow {
        num: row.get(0)?,
        doc: DocId::from_bytes(fixed(&row.get::<_, Vec<u8>>(1)?)?),
        place: DocKind::from_name(&place).ok_or_else(|| StoreError::Damaged(format!("a document of kind {place}")))?,
        heads: hashes(&row.get::<_, Vec<u8>>(3)?)?,
        lacking: row.get(4)?,
        size: Size { bytes: unsigned(row.get(5)?), records: unsigned(row.get(6)?) },
    })
}
