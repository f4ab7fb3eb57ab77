//! Photos: noted by their hash, and their bytes brought to the shop. The front end keeps the bytes until the shop has them.

use tappet_kit::KitError;

use crate::asking::given;
use crate::error::TappetError;
use crate::kit::TappetKit;
use crate::plain::{Call, PhotoKept, PhotoOf, PhotoWaiting};

const DOC: &str = "machine's or property's id";

/// The hash that a text names.
fn hash(text: &str) -> Result<shared::bytes::Bytes32, KitError> {
    sync_core::book::pictures::named(text).ok_or_else(|| KitError::Given(format!("\"{text}\" is no SHA-256 in 64 hexadecimal digits")))
}

#[uniffi::export]
impl TappetKit {
    /// Notes a photo by the hash of its bytes. Keep the bytes under that hash, for `photo_call`.
    ///
    /// # Errors
    /// `entry-invalid` for bytes that are no JPEG, PNG or WebP file, or more than the shop takes. Nothing is kept then.
    pub fn add_photo(&self, doc: &str, bytes: Vec<u8>, caption: &str) -> Result<PhotoKept, TappetError> {
        self.does(|kit| Ok(kit.add_photo(given(doc, DOC)?, &bytes, caption)?.into()))
    }

    /// Photos of this device whose bytes the shop has not got, oldest first. After an exchange, send those that are `ready`.
    ///
    /// # Errors
    /// `not-enrolled`; the store.
    pub fn photos_due(&self) -> Result<Vec<PhotoWaiting>, TappetError> {
        self.ask(|kit| {
            let due = kit.photos_due()?.into_iter();
            Ok(due.map(|due| PhotoWaiting { photo: due.photo.into(), ready: due.ready }).collect())
        })
    }

    /// Every photo that this device noted and still keeps track of, oldest first, and where its bytes are.
    ///
    /// # Errors
    /// As [`TappetKit::photos_due`].
    pub fn own_photos(&self) -> Result<Vec<PhotoOf>, TappetError> {
        self.ask(|kit| Ok(kit.own_photos()?.into_iter().map(|kept| kept.photo.into()).collect()))
    }

    /// The request that brings the bytes of a photo to the shop.
    ///
    /// # Errors
    /// `log-in-first`; `given-unreadable` where the bytes are not those of that photo any more: it is then not due any more.
    pub fn photo_call(&self, doc: &str, sha256: &str, bytes: Vec<u8>) -> Result<Call, TappetError> {
        self.ask(|kit| Ok(kit.photo_call(given(doc, DOC)?, hash(sha256)?, &bytes)?.into()))
    }

    /// Takes the answer to `photo_call` for the same photo: from now on it is at the shop.
    ///
    /// # Errors
    /// The shop's own code. With `token-invalid`, log in and try again; with `document-closed` or `not-found` it is offered again in an
    /// hour; with `body-invalid`, `unreadable` or `too-large` it is not due any more.
    pub fn photo_sent(&self, doc: &str, sha256: &str, status: u16, body: Vec<u8>) -> Result<(), TappetError> {
        self.ask(|kit| kit.photo_sent(given(doc, DOC)?, hash(sha256)?, status, &body))
    }

    /// The bytes of a photo are gone from this device: it is not due any more.
    ///
    /// # Errors
    /// As [`TappetKit::photos_due`].
    pub fn photo_gone(&self, doc: &str, sha256: &str) -> Result<(), TappetError> {
        self.ask(|kit| kit.photo_gone(given(doc, DOC)?, hash(sha256)?))
    }

    /// Photos whose bytes the shop has had for a week: they need not stay on this device.
    ///
    /// # Errors
    /// As [`TappetKit::photos_due`].
    pub fn photos_to_let_go(&self) -> Result<Vec<PhotoOf>, TappetError> {
        self.ask(|kit| Ok(kit.photos_to_let_go()?.into_iter().map(Into::into).collect()))
    }

    /// The bytes of a photo were let go here.
    ///
    /// # Errors
    /// `role-may-not` where the shop has not got them: then they must stay.
    pub fn photo_let_go(&self, doc: &str, sha256: &str) -> Result<(), TappetError> {
        self.ask(|kit| kit.photo_let_go(given(doc, DOC)?, hash(sha256)?))
    }
}
