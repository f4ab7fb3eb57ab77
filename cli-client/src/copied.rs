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

/// A new folder that only its owner may read: a book holds the device's keys.
fn private() -> std::io::Result<TempDir> {
    let mut builder = tempfile::Builder::new();
    builder.prefix("tappet-");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(std::fs::Permissions::from_mode(0o700));
    }
    builder.tempdir()
}

impl Copied {
    /// Copies a book with its log: what was kept last may stand there alone.
    pub(crate) fn of(book: &Path) -> Result<Self, Failure> {
        let failed = |path: &Path, why: std::io::Error| Failure::File { path: path.to_owned(), why: why.to_string() };
        let folder = private().map_err(|why| failed(&std::env::temp_dir(), why))?;
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
