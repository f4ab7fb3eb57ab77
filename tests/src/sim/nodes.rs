//! The shop and the devices: each a book on a disk that fails on purpose, with its own clock.

use std::collections::{BTreeMap, BTreeSet};

use shared::bytes::Bytes16;
use shared::ids::{DeviceId, PersonId, RecordId};
use sync_core::book::Book;
use sync_core::engine::BookError;
use sync_core::sys::clock::ClockReading;

use crate::crew::Dice;
use crate::disk::{Disk, Image, Phase};

/// A book on a disk.
#[derive(Debug)]
pub(super) struct Node {
    pub(super) name: String,
    pub(super) disk: Disk,
    /// Closed while the power is off, or where the book cannot be opened.
    pub(super) book: Option<Book>,
    pub(super) person: PersonId,
    pub(super) device: DeviceId,
    /// How far the wall clock is off, in ms.
    pub(super) clock_off_ms: i64,
    pub(super) boot: u8,
    pub(super) backups: Vec<Image>,
    pub(super) revoked: bool,
    /// What it held of what was reported kept, before a step in which the power may go.
    pub(super) owes: BTreeSet<RecordId>,
}

impl Node {
    pub(super) fn moment(&self, now_ms: i64) -> ClockReading {
        ClockReading { wall_ms: now_ms + self.clock_off_ms, steady_ms: now_ms, boot: Bytes16([self.boot; 16]) }
    }

    /// Opens the book, after the power came back where it was off. What a lying disk lost is told by `true`.
    pub(super) fn wake(&mut self, dice: &mut Dice) -> Result<bool, BookError> {
        self.close();
        let mut lost = false;
        if self.disk.is_off() {
            lost = self.disk.power_on(dice);
        }
        self.disk.keep_power();
        self.open(dice)?;
        Ok(lost)
    }

    /// Opens the book, which is closed.
    pub(super) fn open(&mut self, dice: &mut Dice) -> Result<(), BookError> {
        self.boot = self.boot.wrapping_add(1);
        let disk = &self.disk;
        self.book = Some(disk.during(Phase::Opening, || Book::over(disk.open()?, dice))?);
        Ok(())
    }

    /// Closes the book where it is open.
    pub(super) fn close(&mut self) {
        self.disk.close(self.book.take());
    }

    /// The book, opened where it is not. `None` where the disk does not let it be opened now.
    pub(super) fn book(&mut self, dice: &mut Dice) -> Option<&mut Book> {
        if self.book.is_none() {
            self.wake(dice).ok()?;
        }
        self.book.as_mut()
    }

    /// Whether the node holds a record, in its book or in quarantine.
    pub(super) fn holds(&self, record: RecordId) -> bool {
        let Some(book) = &self.book else { return false };
        book.store().records().held(record).ok().flatten().is_some()
            || book.store().quarantine().quarantined().is_ok_and(|waiting| waiting.iter().any(|q| q.record == Some(record)))
    }
}

/// What was reported kept: by whom, and in what words.
pub(super) type Kept = BTreeMap<RecordId, String>;
