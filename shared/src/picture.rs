//! The pictures that a shop takes: which kinds, told by their first bytes, and how large.
//!
//! A name and a media type are what somebody says of a file; the first bytes are what it begins with. Nothing here looks
//! further into a picture than that.

use serde::{Deserialize, Serialize};

/// The largest picture that a shop takes, in bytes.
pub const LARGEST_PICTURE: usize = 8 * 1024 * 1024;

/// A kind of picture that a shop takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum PictureKind {
    /// JPEG.
    Jpeg,
    /// PNG.
    Png,
    /// WebP.
    Webp,
}

/// Why bytes are no picture that a shop takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum PictureError {
    /// The first bytes are of another kind of file.
    #[error("this is no picture that the shop takes: it begins neither as a JPEG nor as a PNG nor as a WebP file")]
    NotAPicture,
    /// Over [`LARGEST_PICTURE`].
    #[error("this picture has {size_bytes} bytes, and the shop takes at most {LARGEST_PICTURE}: take it smaller")]
    TooLarge {
        /// What it has.
        size_bytes: u64,
    },
}

impl PictureKind {
    /// The kind that the first bytes tell; `None` for any other.
    #[must_use]
    pub fn of(bytes: &[u8]) -> Option<Self> {
        // JPEG: ITU-T T.81 section B.1.1.3 and table B.1: the marker SOI is FF D8, and every marker begins with FF.
        if bytes.starts_with(&[0xff, 0xd8, 0xff]) {
            return Some(Self::Jpeg);
        }
        // PNG: PNG Specification (Third Edition) section 5.2, the signature.
        if bytes.starts_with(&[0x89, b'P', b'N', b'G', 0x0d, 0x0a, 0x1a, 0x0a]) {
            return Some(Self::Png);
        }
        // WebP: RFC 9649 section 2.4, the file header: RIFF, four bytes of size, WEBP.
        let webp = bytes.starts_with(b"RIFF") && bytes.get(8..12) == Some(b"WEBP".as_slice());
        webp.then_some(Self::Webp)
    }

    /// Its media type: image/jpeg (RFC 2046 section 4.2), image/png (PNG Specification, annex A), image/webp (RFC 9649 section 6).
    #[must_use]
    pub const fn media_type(self) -> &'static str {
        match self {
            Self::Jpeg => "image/jpeg",
            Self::Png => "image/png",
            Self::Webp => "image/webp",
        }
    }

    /// What a file of it usually ends with, without the point.
    #[must_use]
    pub const fn ending(self) -> &'static str {
        match self {
            Self::Jpeg => "jpg",
            Self::Png => "png",
            Self::Webp => "webp",
        }
    }
}

/// The kind of a picture that a shop takes.
///
/// # Errors
/// [`PictureError`] where it is larger than [`LARGEST_PICTURE`] bytes, or of another kind.
pub fn check(bytes: &[u8]) -> Result<PictureKind, PictureError> {
    if bytes.len() > LARGEST_PICTURE {
        return Err(PictureError::TooLarge { size_bytes: bytes.len() as u64 });
    }
    PictureKind::of(bytes).ok_or(PictureError::NotAPicture)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_kind_is_told_by_the_first_bytes_alone() {
        // The sources are beside each check above.
        assert_eq!(check(b"\xff\xd8\xff\xe0\0\x10JFIF"), Ok(PictureKind::Jpeg));
        assert_eq!(check(b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR"), Ok(PictureKind::Png));
        assert_eq!(check(b"RIFF\x24\0\0\0WEBPVP8 "), Ok(PictureKind::Webp));
        for other in [
            &b""[..],
            b"\xff\xd8",
            b"not really a picture",
            b"\x89PNG\n\x1a\n",
            b"RIFF\x24\0\0\0WAVEfmt ",
            b"RIFF\x24\0\0\0WEB",
            b"GIF89a",
            b"<svg xmlns=\"http://www.w3.org/2000/svg\"/>",
            b" \xff\xd8\xff\xe0",
        ] {
            assert_eq!(check(other), Err(PictureError::NotAPicture), "{other:?}");
        }
    }

    #[test]
    fn the_largest_is_taken_and_one_byte_more_is_not() {
        let mut bytes = b"\xff\xd8\xff\xe0".to_vec();
        bytes.resize(LARGEST_PICTURE, 0);
        assert_eq!(check(&bytes), Ok(PictureKind::Jpeg));
        bytes.push(0);
        assert_eq!(check(&bytes), Err(PictureError::TooLarge { size_bytes: LARGEST_PICTURE as u64 + 1 }));
    }
}
