//! The bytes of this device's photos on their way to the shop. The front end keeps the bytes; which are due, and what became of
//! them, is remembered here.
//!
//! After an exchange: for each of [`Kit::photos_due`] that is `ready`, [`Kit::photo_call`] with its bytes, send it, and hand the answer to
//! [`Kit::photo_sent`]; where the bytes are gone, [`Kit::photo_gone`]. Bytes may be let go once [`Kit::photos_to_let_go`] names them.

use serde::Serialize;
use shared::bytes::Bytes32;
use shared::ids::{DocId, RecordId};
use shared::picture::{self, PictureError};
use shared::problem::Code;
use shared::record::Photo;
use sync_core::book::photo::{OwnPhoto, PhotoDue};
use sync_core::book::pictures::sha256 as hash_of;
use sync_core::engine::BookError;

use crate::Kit;
use crate::call::{Call, success};
use crate::error::{KitError, sentence};

/// A photo that this device noted, and how long its bytes stay.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct KeptPhoto {
    /// Which, and where its bytes are.
    #[serde(flatten)]
    pub photo: OwnPhoto,
    /// When the bytes need not stay on this device any more, ms since 1970 UTC; `None` while the shop has not got them.
    pub let_go_ms: Option<i64>,
    /// Why they will not get to the shop, in a sentence.
    pub stopped: Option<String>,
}

impl Kit {
    /// Notes a photo by the hash of its bytes, which is given back. The bytes travel apart: keep them under that hash first, for
    /// [`Kit::photo_call`].
    ///
    /// # Errors
    /// [`KitError`], having kept nothing; with the code `entry-invalid` for bytes that are no JPEG, PNG or WebP file, or more than the
    /// shop takes.
    pub fn add_photo(&mut self, doc: DocId, bytes: &[u8], caption: &str) -> Result<(RecordId, Bytes32), KitError> {
        let entry = |error: PictureError| BookError::Entry(sentence(&error.to_string()));
        let media_type = picture::check(bytes).map_err(entry)?.media_type().to_owned();
        let sha256 = hash_of(bytes);
        let photo = Photo { sha256, size_bytes: bytes.len() as u64, media_type, caption: caption.to_owned(), visit: None };
        let record = self.by_hand(|book, hand| book.author().add_photo(doc, photo, hand))?;
        Ok((record, sha256))
    }

    /// Photos of this device whose bytes the shop has not got, oldest first. Those that are `ready` may be sent now.
    ///
    /// # Errors
    /// [`KitError`] where the book belongs to no shop, or the store fails.
    pub fn photos_due(&mut self) -> Result<Vec<PhotoDue>, KitError> {
        let now = self.around.now();
        Ok(self.book.photos().due(&now)?)
    }

    /// Every photo that this device noted and still keeps track of, oldest first, and where its bytes are: here, at the shop, or why they
    /// will not get there.
    ///
    /// # Errors
    /// As [`Kit::photos_due`].
    pub fn own_photos(&self) -> Result<Vec<KeptPhoto>, KitError> {
        let kept = |photo: OwnPhoto| KeptPhoto {
            let_go_ms: photo.let_go_ms(),
            stopped: photo.stopped().map(|code| format!("{}.", code.title())),
            photo,
        };
        Ok(self.book.photos().own()?.into_iter().map(kept).collect())
    }

    /// The request that brings the bytes of a photo to the shop.
    ///
    /// # Errors
    /// [`KitError::LogInFirst`]. [`KitError::Given`] where the bytes are not those of that photo any more: it is then not due any more
    /// either, and [`Kit::own_photos`] says why.
    pub fn photo_call(&mut self, doc: DocId, sha256: Bytes32, bytes: &[u8]) -> Result<Call, KitError> {
        let Some(token) = self.token().map(|token| format!("Bearer {token}")) else { return Err(KitError::LogInFirst) };
        let kind = picture::check(bytes).ok().filter(|_| hash_of(bytes) == sha256);
        let Some(kind) = kind else {
            let said = "the picture that is kept here is not the one that was noted any more";
            self.book.photos().note_gone(doc, sha256)?;
            return Err(KitError::Given(said.to_owned()));
        };
        Ok(Call::put(format!("/v1/photos/{doc}/{sha256}"), kind.media_type(), bytes.to_vec()).with("authorization", token))
    }

    /// Takes the answer to [`Kit::photo_call`] for the same photo.
    ///
    /// # Errors
    /// [`KitError::Refused`]: with the code `token-invalid`, log in and try again; with `document-closed` or `not-found` it is offered again
    /// in an hour; with `body-invalid`, `unreadable` or `too-large` it is not due any more. Others as they say: try with the next exchange.
    pub fn photo_sent(&mut self, doc: DocId, sha256: Bytes32, status: u16, body: &[u8]) -> Result<(), KitError> {
        let now = self.around.now();
        let problem = match success(status, body) {
            Ok(_) => return Ok(self.book.photos().note_at_shop(doc, sha256, &now)?),
            Err(KitError::Refused(problem)) => problem,
            Err(other) => return Err(other),
        };
        if problem.code == Code::TokenInvalid {
            self.forget_token();
        }
        self.book.photos().note_refused(doc, sha256, &problem, &now)?;
        Err(KitError::Refused(problem))
    }

    /// The bytes of a photo are gone from this device: it is not due any more, and [`Kit::own_photos`] says so.
    ///
    /// # Errors
    /// As [`Kit::photos_due`].
    pub fn photo_gone(&mut self, doc: DocId, sha256: Bytes32) -> Result<(), KitError> {
        Ok(self.book.photos().note_gone(doc, sha256)?)
    }

    /// Photos whose bytes the shop has had for a week: they need not stay on this device.
    ///
    /// # Errors
    /// As [`Kit::photos_due`].
    pub fn photos_to_let_go(&mut self) -> Result<Vec<OwnPhoto>, KitError> {
        let now = self.around.now();
        Ok(self.book.photos().to_let_go(&now)?)
    }

    /// The bytes of a photo were let go here.
    ///
    /// # Errors
    /// [`KitError`] with the code `role-may-not` where the shop has not got them: then they must stay.
    pub fn photo_let_go(&mut self, doc: DocId, sha256: Bytes32) -> Result<(), KitError> {
        Ok(self.book.photos().note_let_go(doc, sha256)?)
    }
}
