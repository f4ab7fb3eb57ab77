//! Files that the user names: one written whole and never over another, one read no further than it may be large.

use std::fs::File;
use std::io::{self, Read, Write};
use std::path::Path;

use crate::exit::Failure;

/// Writes a file that must not exist yet, and is on the disk when this returns.
pub(crate) fn write_new(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    let failed = |why: io::Error| Failure::Unwritten { path: path.to_owned(), why: why.to_string() };
    let mut file = File::create_new(path).map_err(failed)?;
    file.write_all(bytes).and_then(|()| file.sync_all()).map_err(|why| {
        // Half a file is none; that it cannot be taken away either is not the news.
        let _ = std::fs::remove_file(path);
        failed(why)
    })
}

/// A file's bytes, and one more than the most that it may have: enough to tell that it is too large, and a device or a pipe does not
/// fill the memory.
pub(crate) fn read_at_most(path: &Path, most: usize) -> Result<Vec<u8>, Failure> {
    let failed = |why: io::Error| Failure::File { path: path.to_owned(), why: why.to_string() };
    let mut bytes = Vec::new();
    let file = File::open(path).map_err(failed)?;
    file.take(most as u64 + 1).read_to_end(&mut bytes).map_err(failed)?;
    Ok(bytes)
}
