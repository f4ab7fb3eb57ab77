//! Refusals of photos and their pictures.

use axum::http::{HeaderValue, StatusCode, header};
use shared::picture::PictureError;
use shared::problem::Code;
use sync_core::book::photo::PhotoError;
use sync_core::book::pictures::PicturesError;

use super::{ApiError, sentence};

impl ApiError {
    pub(crate) fn picture_not_here() -> Self {
        let detail = "The record of this photo is in the book, and its picture has not come yet. It comes with the exchange of the phone that took it.";
        Self::new(Code::NotFound, detail)
    }

    pub(crate) fn too_many_pictures() -> Self {
        let detail =
            "Other pictures are still on their way, of this device or of many. Nothing of this one was taken in. Try again in 2 s.";
        Self::new(Code::TooMany, detail).and(header::RETRY_AFTER, HeaderValue::from(2))
    }

    pub(crate) fn too_much_unread() -> Self {
        let detail = "This device has not read the answers to its other requests. Nothing of this one was done. Read them, or end their \
                      connections, and try again in 2 s.";
        Self::new(Code::TooMany, detail).and(header::RETRY_AFTER, HeaderValue::from(2))
    }
}

impl From<PhotoError> for ApiError {
    fn from(error: PhotoError) -> Self {
        let detail = sentence(&error.to_string());
        match error {
            PhotoError::Closed => Self::new(Code::DocumentClosed, detail),
            PhotoError::NotNoted | PhotoError::TakenBack => Self::new(Code::NotFound, detail),
            PhotoError::Book(book) => book.into(),
        }
    }
}

impl From<PicturesError> for ApiError {
    fn from(error: PicturesError) -> Self {
        let detail = sentence(&error.to_string());
        match error {
            PicturesError::Picture(PictureError::NotAPicture) => {
                Self::with_status(Code::Unreadable, StatusCode::UNSUPPORTED_MEDIA_TYPE, detail)
            }
            PicturesError::Picture(PictureError::TooLarge { .. }) => Self::new(Code::TooLarge, detail),
            PicturesError::WrongHash => Self::new(Code::BodyInvalid, detail),
            PicturesError::Full => Self::new(Code::DiskFull, detail),
            PicturesError::Folder { path, why } => {
                tracing::error!(path = %path.display(), why, "a picture cannot be read or written");
                // Where the shop keeps its files is nobody's business out there.
                let detail = format!("Pictures cannot be read or written at the shop now ({why}). Nothing was taken in. Try again later.");
                Self::with_status(Code::Internal, StatusCode::SERVICE_UNAVAILABLE, detail)
            }
        }
    }
}
