//! A copy of a book's files in a folder that only its owner may read, gone once nobody looks at it.

use std::path::{Path, PathBuf};

use tempfile::TempDir;

use crate::exit::Failure;

/// A copy of a book.
#[derive(Debug)]
pub(crate) struct Copied {
    /// Its file.
    pub(crate) book: PathBuf,
    _folder: TempDir,
}

impl Copied {
    /// Copies a book with its log: what was kept last may stand there alone.
    pub(crate) fn of(book: &Path) -> Result<Self, Failure> {
        let failed = |path: &Path, why: std::io::Error| Failure::File { path: path.to_owned(), why: why.to_string() };
        let folder = TempDir::with_prefix("tappet-").map_err(|why| failed(&std::env::temp_dir(), why))?;
        let copy = folder.path().join("book.db");
        for ending in ["", "-wal"] {
            let named = |path: &Path| {
                let mut name = path.as_os_str().to_owned();
                name.push(ending);
                PathBuf::from(name)
            };
            let (from, to) = (named(book), named(&copy));
            if from.exists() || ending.is_empty() {
                std::fs::copy(&from, &to).map_err(|why| failed(&from, why))?;
            }
        }
        Ok(Self { book: copy, _folder: folder })
    }
}
