//! The bytes of photos at the shop: whether somebody may send or see one, keeping it, handing it out.

use shared::bytes::Bytes32;
use shared::ids::{DocId, PersonId};

use super::SqliteShop;
use crate::book::photo::PhotoError;
use crate::book::pictures::PicturesError;

/// The bytes of photos. None of these but the first needs the book: an upload holds nobody up.
#[expect(clippy::missing_errors_doc, reason = "each fails as the function that it stands for")]
pub trait Photos {
    /// Whether a person may send and see the bytes of a photo of a document: see [`crate::book::Book::photo_open_to`].
    fn photo_open_to(&self, person: PersonId, doc: DocId, sha256: Bytes32) -> Result<(), PhotoError>;
    /// Keeps the bytes of a photo for a document: see [`crate::book::pictures::Pictures::keep`].
    fn keep_picture(&self, doc: DocId, sha256: Bytes32, bytes: &[u8]) -> Result<(), PicturesError>;
    /// The bytes of a photo, where they were sent for this document.
    fn picture(&self, doc: DocId, sha256: Bytes32) -> Result<Option<Vec<u8>>, PicturesError>;
    /// Whether they were, without reading them.
    fn has_picture(&self, doc: DocId, sha256: Bytes32) -> bool;
}

impl Photos for SqliteShop {
    fn photo_open_to(&self, person: PersonId, doc: DocId, sha256: Bytes32) -> Result<(), PhotoError> {
        self.lock().0.photo_open_to(person, doc, sha256)
    }

    fn keep_picture(&self, doc: DocId, sha256: Bytes32, bytes: &[u8]) -> Result<(), PicturesError> {
        self.pictures.keep(doc, sha256, bytes).map(drop)
    }

    fn picture(&self, doc: DocId, sha256: Bytes32) -> Result<Option<Vec<u8>>, PicturesError> {
        self.pictures.read(doc, sha256)
    }

    fn has_picture(&self, doc: DocId, sha256: Bytes32) -> bool {
        self.pictures.has(doc, sha256)
    }
}
