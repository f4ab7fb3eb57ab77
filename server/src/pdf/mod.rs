//! Paper: the service record as a PDF to hand to a client. Facts in, bytes out; nothing of the book is decided here.
//!
//! [`lettering`] turns text into glyphs of the two fonts, [`sheet`] puts them on pages, [`layout`] says what goes where, and
//! [`print`] writes the file: tagged for screen readers (PDF/UA-1, which the library checks), the same bytes for the same facts.

mod layout;
mod lettering;
mod print;
mod sheet;

use std::str::FromStr;

use sync_core::queries::{SeasonRecord, ServiceRecord};

/// The sheet that a record is laid out for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Paper {
    /// 210 by 297 mm (ISO 216).
    A4,
    /// 8.5 by 11 in.
    #[default]
    Letter,
}

/// A text that names no sheet.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("a paper is a4 or letter: write ?paper=a4 or ?paper=letter")]
pub struct PaperNameError;

impl FromStr for Paper {
    type Err = PaperNameError;

    fn from_str(text: &str) -> Result<Self, PaperNameError> {
        match text {
            "a4" => Ok(Self::A4),
            "letter" => Ok(Self::Letter),
            _ => Err(PaperNameError),
        }
    }
}

impl Paper {
    /// Width and height in points, 72 to the inch.
    const fn size(self) -> (f32, f32) {
        match self {
            Self::A4 => (595.28, 841.89),
            Self::Letter => (612.0, 792.0),
        }
    }
}

/// Why no PDF could be made.
#[derive(Debug, thiserror::Error)]
pub enum PaperError {
    /// One of the two fonts in this program cannot be read: a defect of it.
    #[error("a font of this program cannot be read; please report it")]
    Font,
    /// The library did not write the file, or what it wrote would not be accessible: a defect.
    #[error("the page could not be written ({0}); please report it")]
    Unwritten(String),
}

/// The service record of one visit. One sheet, unless what was written fills more.
///
/// # Errors
/// [`PaperError`], for a defect of this program only.
pub fn service_record(record: &ServiceRecord, paper: Paper) -> Result<Vec<u8>, PaperError> {
    let title = format!("Service record, {}, {}", record.tag, record.when);
    print::written(layout::visit(record, paper)?, &title, &record.shop, record.made)
}

/// The service record of a machine over some days, on as many sheets as it takes, each with the machine at its head.
///
/// # Errors
/// [`PaperError`], for a defect of this program only.
pub fn season_record(record: &SeasonRecord, paper: Paper) -> Result<Vec<u8>, PaperError> {
    let title = format!("Service record, {}, {} to {}", record.tag, record.from, record.until);
    print::written(layout::season(record, paper)?, &title, &record.shop, record.made)
}
