//! What the signed records alone weigh, and what SQLite alone takes for them: the measure for bytes, files and times.

use std::fs;
use std::path::Path;

use serde::Serialize;
use shared::record::Body;
use sync_core::book::Book;
use sync_core::crypto::envelope;

use super::seed::Seeded;
use super::{Work, about, bare, open, words};

/// Zstd's level, as the exchange's bodies have it.
const LEVEL: i32 = 3;

/// Some records as one batch: their bytes one after another, in the order of the shop's log.
#[derive(Debug, Default, Clone, Serialize)]
pub struct Batch {
    /// How many.
    pub records: usize,
    /// Their signed bytes.
    pub bytes: usize,
    /// The same compressed at once, zstd's level 3.
    pub zstd: usize,
}

/// What `fleet sizes` tells.
#[derive(Debug, Serialize)]
pub struct Sizes {
    /// What the first device wrote on its day.
    pub upload: Batch,
    /// What the others wrote.
    pub catchup: Batch,
    /// The same, with the shop's receipts for everything of the day: the first device's own are among them.
    pub catchup_with_arrivals: Batch,
    /// What a device is filled with in the morning, receipts among it.
    pub fill: Batch,
    /// Everything at the shop at the end.
    pub all: Batch,
    /// The file of the shop's book, its log written through.
    pub shop_db_bytes: u64,
    /// Everything that a device is filled with, into a plain SQLite table in one transaction, in ms.
    pub bare_copy_ms: f64,
    /// The median commit of one record of 500 bytes to such a table, in ms.
    pub bare_commit_ms: f64,
}

struct Record {
    id: [u8; 16],
    bytes: Vec<u8>,
    arrival: bool,
    /// Of the shop's own device: its receipts, and what opening the office's desk put on the roster.
    of_shop: bool,
    of_first: bool,
    of_day: bool,
}

/// Weighs a run once it is over. Nobody may have the shop's book open.
///
/// # Errors
/// A sentence.
pub fn sizes(work: &Work) -> Result<Sizes, String> {
    let seeded = Seeded::read(&work.seeded())?;
    let first = open(&work.device_book(0))?.identity().map_err(words)?.device;
    let shop = open(&work.shop_book())?;
    let own = shop.identity().map_err(words)?.device;
    let mut records = Vec::new();
    each_record(&shop, |bytes| {
        let opened = envelope::decode_unverified(&bytes).map_err(words)?;
        let arrival = matches!(opened.record.body, Body::Arrival(_));
        let (of_shop, of_first, of_day) = (opened.device == own, opened.device == first, opened.record.at_ms >= seeded.day_from_ms);
        records.push(Record { id: *opened.record.id.as_bytes(), bytes, arrival, of_shop, of_first, of_day });
        Ok(())
    })?;
    // Closed, SQLite writes the log through and takes it away.
    drop(shop);
    let shop_db_bytes = closed_size(&work.shop_book())?;
    let batch = |which: fn(&Record) -> bool| batch(records.iter().filter(|record| which(record)).map(|record| record.bytes.as_slice()));
    let in_the_morning = records.iter().filter(|record| !record.of_day).map(|record| (record.id.as_slice(), record.bytes.as_slice()));
    Ok(Sizes {
        upload: batch(|r| r.of_day && r.of_first)?,
        catchup: batch(|r| r.of_day && !r.of_shop && !r.of_first)?,
        catchup_with_arrivals: batch(|r| r.of_day && (r.arrival || (!r.of_shop && !r.of_first)))?,
        fill: batch(|r| !r.of_day)?,
        all: batch(|_| true)?,
        shop_db_bytes,
        bare_copy_ms: bare::copy_ms(&work.bare(), in_the_morning)?,
        bare_commit_ms: bare::commit_ms(&work.bare())?,
    })
}

/// Every record of a book, in the order of its log: the one place that lists them.
fn each_record(book: &Book, mut take: impl FnMut(Vec<u8>) -> Result<(), String>) -> Result<(), String> {
    for pos in 1..=book.store().log().log_end().map_err(words)? {
        for logged in book.store().log().changes_at(pos).map_err(words)? {
            for record in logged.recipe.records {
                take(record.0)?;
            }
        }
    }
    Ok(())
}

fn batch<'r>(records: impl Iterator<Item = &'r [u8]>) -> Result<Batch, String> {
    let mut batch = Batch::default();
    let mut joined = Vec::new();
    for record in records {
        batch.records += 1;
        joined.extend_from_slice(record);
    }
    batch.bytes = joined.len();
    batch.zstd = zstd::encode_all(joined.as_slice(), LEVEL).map_err(words)?.len();
    Ok(batch)
}

/// The size of a book's file, which must be alone: a log beside it would hold more of it.
fn closed_size(path: &Path) -> Result<u64, String> {
    let log = path.with_extension("db-wal");
    if fs::metadata(&log).is_ok_and(|log| log.len() > 0) {
        return Err(format!("{} is still there: somebody has the book open", log.display()));
    }
    Ok(fs::metadata(path).map_err(about(path))?.len())
}
