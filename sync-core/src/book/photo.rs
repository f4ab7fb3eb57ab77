//! Photos: who may send the bytes of one and who may see them, and which of a device's own the shop has not got yet.
//!
//! The record is the statement, and its hash names the bytes; they travel apart, and this is no record but where they are.

use serde::{Deserialize, Serialize};
use shared::bytes::{Bytes16, Bytes32};
use shared::ids::{DocId, PersonId, RecordId};
use shared::problem::{Code, Problem};
use shared::record::{Body, Photo, Record};

use crate::book::Book;
use crate::engine::BookError;
use crate::judge::ledger::Ledger;
use crate::judge::roster::Roster;
use crate::store::{EPOCH, MetaKey, Store, StoreError};
use crate::sys::clock::ClockReading;

/// The name under which a device keeps where the bytes of its own photos are.
const OWN: MetaKey<Vec<OwnPhoto>> = MetaKey::new("photos");
/// So long the bytes stay on a device after the shop has said that it has them, in ms: a week, in which the shop makes a backup.
pub const STAYS_MS: i64 = 7 * 86_400_000;
/// A photo that the shop refused for now is offered again after so long, in ms.
const AGAIN_MS: i64 = 3_600_000;

/// Why the bytes of a photo are not for somebody to send or to see.
#[derive(Debug, thiserror::Error)]
pub enum PhotoError {
    /// There is no such document, or it is not open to them.
    #[error("there is no such document, or it is not open to this device; nothing was taken in. Ask the office to assign its property")]
    Closed,
    /// The document has no record of a photo with that hash.
    #[error(
        "the shop's book has no photo record with this hash in this document; nothing was taken in. Exchange first, then send the picture"
    )]
    NotNoted,
    /// Every record of it was taken back.
    #[error(
        "this photo was undone: its picture is neither taken nor shown any more. Nothing was taken in, and its record stays as history"
    )]
    TakenBack,
    /// The book.
    #[error(transparent)]
    Book(#[from] BookError),
}

impl From<StoreError> for PhotoError {
    fn from(error: StoreError) -> Self {
        Self::Book(error.into())
    }
}

/// Where the bytes of a photo are, as far as the device knows that noted it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "bytes")]
pub enum Whereabouts {
    /// Kept on this device, and nowhere else.
    Here,
    /// At the shop.
    AtShop {
        /// Since when by this device's clock, ms since 1970 UTC.
        since_ms: i64,
        /// In which epoch of the shop's: one that was put back from a backup may have lost them.
        epoch: Option<Bytes16>,
    },
    /// They will not get there: the shop does not take them, or they are gone from this device.
    Stopped {
        /// Why.
        code: Code,
    },
}

/// A photo that this device noted.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct OwnPhoto {
    /// The record.
    pub record: RecordId,
    /// Its document.
    pub doc: DocId,
    /// SHA-256 of the bytes.
    pub sha256: Bytes32,
    /// How many bytes.
    pub size_bytes: u64,
    /// What it shows.
    pub caption: String,
    /// Where the bytes are.
    #[serde(flatten)]
    pub bytes: Whereabouts,
    /// When the shop last refused them for now, ms since 1970 UTC.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub refused_ms: Option<i64>,
}

/// A photo of this device's whose bytes the shop has not got.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct PhotoDue {
    /// Which.
    #[serde(flatten)]
    pub photo: OwnPhoto,
    /// The shop has its record, so that the bytes may be sent now.
    pub ready: bool,
}

/// Remembers of a book that was just enrolled that it has no photos: else the whole book is looked through for them.
pub(crate) fn begin(store: &Store) -> Result<(), StoreError> {
    store.set_meta(&OWN, &Vec::<OwnPhoto>::new())
}

/// Remembers that this device has the bytes of photos that it wrote just now. A book in which nothing is remembered yet is looked
/// through when it is asked, and then has them.
pub(crate) fn written(store: &Store, records: &[Record]) -> Result<(), StoreError> {
    let new = records.iter().filter_map(|record| match &record.body {
        Body::Photo(photo) => Some(OwnPhoto::new(record.id, record.doc, photo)),
        _ => None,
    });
    let mut new = new.peekable();
    if new.peek().is_some()
        && let Some(mut photos) = store.meta(&OWN)?
    {
        photos.extend(new);
        store.set_meta(&OWN, &photos)?;
    }
    Ok(())
}

/// Whether a document has a photo with this hash, and one that was not taken back.
fn noted(ledger: &Ledger, roster: &Roster, sha256: Bytes32) -> Result<(), PhotoError> {
    let of_it = |body: &Body| matches!(body, Body::Photo(photo) if photo.sha256 == sha256);
    let mut all = ledger.entries().filter(|entry| of_it(&entry.record.body)).map(|entry| entry.record.id).peekable();
    if all.peek().is_none() {
        return Err(PhotoError::NotNoted);
    }
    if all.any(|id| ledger.voided_by(id, roster).is_none()) { Ok(()) } else { Err(PhotoError::TakenBack) }
}

/// The bytes of photos, as far as the book knows where they are.
#[derive(Debug, Clone, Copy)]
pub struct Photos<'a> {
    book: &'a Book,
}

impl Book {
    /// The bytes of photos.
    #[must_use]
    pub const fn photos(&self) -> Photos<'_> {
        Photos { book: self }
    }
}

impl Photos<'_> {
    /// Whether a person may send the bytes of a photo of a document, and see them: whoever may read the document, where it has
    /// a record of that photo which was not taken back. It does not matter who noted it: the hash lets nothing else in, and what is shown
    /// are bytes that were sent for this document (`pictures.rs`).
    ///
    /// # Errors
    /// [`PhotoError`]: why not.
    pub fn open_to(&self, person: PersonId, doc: DocId, sha256: Bytes32) -> Result<(), PhotoError> {
        if !self.book.is_open_to(person, doc)? {
            return Err(PhotoError::Closed);
        }
        noted(&*self.book.store.records().ledger_of(doc)?, self.book.roster()?, sha256)
    }

    /// The photos that this device noted, oldest first, and where the bytes of each are.
    ///
    /// # Errors
    /// [`BookError`] where the book belongs to no shop, or the store fails.
    pub fn own(&self) -> Result<Vec<OwnPhoto>, BookError> {
        let mut photos = match self.book.store.meta(&OWN)? {
            Some(photos) => photos,
            None => self.in_book()?,
        };
        let now_epoch: Option<Bytes16> = self.book.store.meta(&EPOCH)?;
        for photo in &mut photos {
            if matches!(photo.bytes, Whereabouts::AtShop { epoch, .. } if epoch != now_epoch) {
                photo.bytes = Whereabouts::Here;
            }
        }
        Ok(photos)
    }

    /// The photos in the book that are this device's: for a book from before their whereabouts were kept.
    fn in_book(&self) -> Result<Vec<OwnPhoto>, BookError> {
        let identity = self.book.identity()?;
        let mut photos = Vec::new();
        for num in self.book.store.records().documents_by_author(identity.person)? {
            for entry in self.book.store.records().ledger(num)?.entries().filter(|entry| entry.device == identity.device) {
                if let Body::Photo(photo) = &entry.record.body {
                    photos.push(OwnPhoto::new(entry.record.id, entry.record.doc, photo));
                }
            }
        }
        photos.sort_by_key(|photo| photo.record);
        Ok(photos)
    }

    /// The photos of this device whose bytes the shop has not got, oldest first. What was taken back or will not get there is
    /// not among them.
    ///
    /// # Errors
    /// As [`Photos::own`].
    pub fn due(&self, now: &ClockReading) -> Result<Vec<PhotoDue>, BookError> {
        let roster = self.book.roster()?;
        let mut due = Vec::new();
        for photo in self.own()? {
            if photo.bytes != Whereabouts::Here {
                continue;
            }
            let ledger = self.book.store.records().ledger_of(photo.doc)?;
            if ledger.voided_by(photo.record, roster).is_some() {
                continue;
            }
            let waits = photo.refused_ms.is_some_and(|at| (0..AGAIN_MS).contains(&now.wall_ms.saturating_sub(at)));
            let ready = !waits && ledger.receipt(photo.record).is_some();
            due.push(PhotoDue { photo, ready });
        }
        Ok(due)
    }

    /// The photos of this device that the shop has had for so long that the bytes need not stay here: see [`STAYS_MS`].
    ///
    /// # Errors
    /// As [`Photos::own`].
    pub fn to_let_go(&self, now: &ClockReading) -> Result<Vec<OwnPhoto>, BookError> {
        let mut photos = self.own()?;
        photos.retain(|photo| photo.let_go_ms().is_some_and(|at| at <= now.wall_ms));
        Ok(photos)
    }

    /// The shop has the bytes of a photo.
    ///
    /// # Errors
    /// As [`Photos::own`].
    pub fn note_at_shop(&self, doc: DocId, sha256: Bytes32, now: &ClockReading) -> Result<(), BookError> {
        let epoch = self.book.store.meta(&EPOCH)?;
        let at_shop = Whereabouts::AtShop { since_ms: now.wall_ms, epoch };
        self.each_own(doc, sha256, |photo| {
            photo.bytes = at_shop.clone();
            photo.refused_ms = None;
        })
    }

    /// The shop refused the bytes of a photo. What is wrong with the bytes themselves stays wrong, and they are not offered again;
    /// where the record or the right is missing they are, in an hour; anything else is over by the next exchange.
    ///
    /// # Errors
    /// As [`Photos::own`].
    pub fn note_refused(&self, doc: DocId, sha256: Bytes32, problem: &Problem, now: &ClockReading) -> Result<(), BookError> {
        match problem.code {
            Code::BodyInvalid | Code::EntryInvalid | Code::Unreadable | Code::TooLarge => self.note_stopped(doc, sha256, problem.code),
            Code::DocumentClosed | Code::NotFound => self.each_own(doc, sha256, |photo| photo.refused_ms = Some(now.wall_ms)),
            _ => Ok(()),
        }
    }

    /// The bytes of a photo are gone from this device, or are not those any more: they are not offered again, and that is said.
    ///
    /// # Errors
    /// As [`Photos::own`].
    pub fn note_gone(&self, doc: DocId, sha256: Bytes32) -> Result<(), BookError> {
        self.note_stopped(doc, sha256, Code::PhotoGone)
    }

    /// Not offered again. Where the shop has the bytes already, that stays so.
    fn note_stopped(&self, doc: DocId, sha256: Bytes32, code: Code) -> Result<(), BookError> {
        self.each_own(doc, sha256, |photo| {
            if photo.bytes == Whereabouts::Here {
                photo.bytes = Whereabouts::Stopped { code };
            }
        })
    }

    /// The bytes of a photo were let go here; what the shop has, it has.
    ///
    /// # Errors
    /// As [`Photos::own`]. [`BookError::Denied`] where the shop has not said that it has them.
    pub fn note_let_go(&self, doc: DocId, sha256: Bytes32) -> Result<(), BookError> {
        let mut photos = self.own()?;
        let of_it = |photo: &OwnPhoto| photo.doc == doc && photo.sha256 == sha256;
        if photos.iter().any(|photo| of_it(photo) && photo.bytes == Whereabouts::Here) {
            return Err(BookError::Denied("the shop has not got this picture yet: it stays on this device".to_owned()));
        }
        photos.retain(|photo| !of_it(photo) || !matches!(photo.bytes, Whereabouts::AtShop { .. }));
        Ok(self.book.store.set_meta(&OWN, &photos)?)
    }

    fn each_own(&self, doc: DocId, sha256: Bytes32, change: impl Fn(&mut OwnPhoto)) -> Result<(), BookError> {
        let mut photos = self.own()?;
        photos.iter_mut().filter(|photo| photo.doc == doc && photo.sha256 == sha256).for_each(change);
        Ok(self.book.store.set_meta(&OWN, &photos)?)
    }
}

impl OwnPhoto {
    /// When the bytes need not stay on this device any more, ms since 1970 UTC; `None` while the shop has not got them.
    #[must_use]
    pub const fn let_go_ms(&self) -> Option<i64> {
        match self.bytes {
            Whereabouts::AtShop { since_ms, .. } => Some(since_ms.saturating_add(STAYS_MS)),
            Whereabouts::Here | Whereabouts::Stopped { .. } => None,
        }
    }

    /// Why the bytes will not get to the shop, where they will not.
    #[must_use]
    pub const fn stopped(&self) -> Option<Code> {
        match self.bytes {
            Whereabouts::Stopped { code } => Some(code),
            Whereabouts::Here | Whereabouts::AtShop { .. } => None,
        }
    }

    fn new(record: RecordId, doc: DocId, photo: &Photo) -> Self {
        let Photo { sha256, size_bytes, caption, .. } = photo.clone();
        Self { record, doc, sha256, size_bytes, caption, bytes: Whereabouts::Here, refused_ms: None }
    }
}
