//! Databases that cannot be worked with: a copy, to look only, of one on a disk that cannot be written; of a damaged one, what can still
//! be read of the log and of the quarantine, row by row.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags, OptionalExtension};
use shared::ids::DocId;
use shared::wire::Recipe;

use super::log::changes_in;
use super::{QuarantineState, Store, StoreError, fixed, from_json};
use crate::change::segment_codec;
use crate::crypto::envelope;
use crate::store::Identity;

/// What could be read of a damaged book.
#[derive(Debug)]
pub(crate) struct Salvage {
    /// Whose book it is.
    pub(crate) identity: Identity,
    /// Changes by document, in the order of the log: of documents with something that the shop is not known to hold, and of the roster.
    pub(crate) changes: BTreeMap<DocId, Vec<Recipe>>,
    /// How many of them the shop is not known to hold.
    pub(crate) unsent: usize,
    /// Records that wait in quarantine, each with the document that it was meant for, oldest first.
    pub(crate) quarantined: Vec<(DocId, Vec<u8>)>,
    /// Parts of the log, and records in quarantine, that cannot be read.
    pub(crate) unreadable: usize,
}

/// A segment of the log as far as it could be read.
struct Found {
    doc: DocId,
    at_shop: bool,
    changes: Vec<Recipe>,
}

impl Store {
    /// As [`Store::open`], to look only: nothing is kept in it from then on.
    ///
    /// # Errors
    /// As [`Store::open`].
    pub fn open_to_look(path: &Path) -> Result<Self, StoreError> {
        let store = Self::open(path)?;
        store.connection.pragma_update(None, "query_only", true)?;
        Ok(store)
    }

    /// Reads what can be read of the database at a path. Its log stays beside it: only what SQLite finishes of a step that was cut off
    /// changes the file.
    ///
    /// # Errors
    /// [`StoreError`] where not even whose book it is can be read.
    pub(crate) fn salvage(path: &Path) -> Result<Salvage, StoreError> {
        salvaged(&Connection::open_with_flags(path, as_it_is())?)
    }

    /// As [`Store::salvage`], on a file system of SQLite's that the caller registered under a name.
    ///
    /// # Errors
    /// As [`Store::salvage`].
    pub(crate) fn salvage_on(path: &Path, file_system: &str) -> Result<Salvage, StoreError> {
        salvaged(&Connection::open_with_flags_and_vfs(path, as_it_is(), file_system)?)
    }
}

/// No file is made where there is none.
fn as_it_is() -> OpenFlags {
    OpenFlags::default().difference(OpenFlags::SQLITE_OPEN_CREATE)
}

fn salvaged(damaged: &Connection) -> Result<Salvage, StoreError> {
    damaged.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true)?;
    damaged.execute_batch("PRAGMA locking_mode=EXCLUSIVE; PRAGMA query_only=ON; PRAGMA trusted_schema=OFF;")?;
    let text: Option<String> = damaged.query_row("SELECT value FROM meta WHERE key = 'identity'", [], |row| row.get(0)).optional()?;
    let nobody = || StoreError::NotABook("it does not say whose book it is".to_owned());
    let identity: Identity = from_json(&text.ok_or_else(nobody)?)?;
    let (mut found, mut quarantined, mut unreadable) = (Vec::new(), Vec::new(), 0);
    for pos in positions(damaged)? {
        match segment(damaged, pos) {
            Ok(Some(segment)) => found.push(segment),
            Ok(None) => {}
            Err(_) => unreadable += 1,
        }
    }
    let (ids, all) = in_quarantine(damaged);
    unreadable += usize::from(!all);
    for id in ids {
        match waiting(damaged, id) {
            Ok(record) => quarantined.extend(record),
            Err(_) => unreadable += 1,
        }
    }
    let unsent = found.iter().filter(|segment| !segment.at_shop).map(|segment| segment.changes.len()).sum();
    let mut wanted: BTreeSet<DocId> = found.iter().filter(|segment| !segment.at_shop).map(|segment| segment.doc).collect();
    if unsent + quarantined.len() > 0 {
        wanted.extend([identity.root.shop.roster(), identity.root.shop.engines()]);
    }
    let mut changes: BTreeMap<DocId, Vec<Recipe>> = BTreeMap::new();
    for segment in found.into_iter().filter(|segment| wanted.contains(&segment.doc)) {
        changes.entry(segment.doc).or_default().extend(segment.changes);
    }
    Ok(Salvage { identity, changes, unsent, quarantined, unreadable })
}

/// From the first position of the log that can be found to the last: what lies between is asked for one by one.
fn positions(damaged: &Connection) -> Result<std::ops::RangeInclusive<i64>, StoreError> {
    let end = |order: &str| {
        let sql = format!("SELECT pos FROM segments ORDER BY pos {order} LIMIT 1");
        damaged.query_row(&sql, [], |row| row.get::<_, i64>(0)).optional()
    };
    // Where one end cannot be read, what SQLite counted out stands in for it.
    let counted =
        || damaged.query_row("SELECT seq FROM sqlite_sequence WHERE name = 'segments'", [], |row| row.get::<_, i64>(0)).optional();
    let first = end("ASC").ok().flatten().unwrap_or(1);
    let last = match end("DESC") {
        Ok(Some(last)) => last,
        _ => counted()?.unwrap_or(0),
    };
    Ok(first..=last)
}

/// The numbers in quarantine that can be found, from both ends, and whether those are all.
fn in_quarantine(damaged: &Connection) -> (BTreeSet<i64>, bool) {
    let mut ids = BTreeSet::new();
    for order in ["ASC", "DESC"] {
        let mut from_here = || -> Result<(), rusqlite::Error> {
            let mut statement = damaged.prepare(&format!("SELECT id FROM quarantine ORDER BY id {order}"))?;
            let mut rows = statement.query([])?;
            while let Some(row) = rows.next()? {
                ids.insert(row.get(0)?);
            }
            Ok(())
        };
        if from_here().is_ok() {
            return (ids, true);
        }
    }
    (ids, false)
}

/// A record that waits in quarantine; `None` where there is none of this number, or it does not wait.
fn waiting(damaged: &Connection, id: i64) -> Result<Option<(DocId, Vec<u8>)>, StoreError> {
    let mut statement = damaged.prepare_cached("SELECT doc, bytes, state FROM quarantine WHERE id = ?1")?;
    let row = statement.query_row([id], |row| Ok((row.get::<_, Vec<u8>>(0)?, row.get::<_, Vec<u8>>(1)?, row.get::<_, String>(2)?)));
    let Some((doc, bytes, state)) = row.optional()? else { return Ok(None) };
    if from_json::<QuarantineState>(&state)? != QuarantineState::Waiting {
        return Ok(None);
    }
    // What is no record cannot travel as one: a single one of them would keep a receiver from reading the bundle at all.
    envelope::decode_unverified(&bytes).map_err(|e| StoreError::Damaged(e.to_string()))?;
    Ok(Some((DocId::from_bytes(fixed(&doc)?), bytes)))
}

/// One segment; `None` where there is none at this position.
fn segment(damaged: &Connection, pos: i64) -> Result<Option<Found>, StoreError> {
    let mut statement = damaged.prepare_cached("SELECT num, at_shop, encoded FROM segments WHERE pos = ?1")?;
    let row = statement.query_row([pos], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, bool>(1)?, row.get::<_, Vec<u8>>(2)?)));
    let Some((num, at_shop, bytes)) = row.optional()? else { return Ok(None) };
    let doc = match document(damaged, num) {
        Ok(doc) => doc,
        // The records name it, too.
        Err(_) => doc_of(&bytes)?,
    };
    let changes = changes_in(doc, &bytes, true)?.into_iter().map(|(recipe, _)| recipe).collect();
    Ok(Some(Found { doc, at_shop, changes }))
}

fn document(damaged: &Connection, num: i64) -> Result<DocId, StoreError> {
    let doc: Vec<u8> = damaged.prepare_cached("SELECT doc FROM documents WHERE num = ?1")?.query_row([num], |row| row.get(0))?;
    Ok(DocId::from_bytes(fixed(&doc)?))
}

fn doc_of(bytes: &[u8]) -> Result<DocId, StoreError> {
    let records = segment_codec::decode(bytes)?.into_iter().flat_map(|short| short.records);
    let opened = records.filter_map(|record| envelope::decode_unverified(&record.0).ok()).next();
    opened.map(|opened| opened.record.doc).ok_or_else(|| StoreError::Damaged("a segment of the log with no record".to_owned()))
}
