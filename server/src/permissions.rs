//! The book's folder and files are its owner's alone: it holds the shop's keys.
//!
//! What is plainly the book's is closed, and the log says so. A folder that holds anything else is somebody's, and is
//! refused instead: closing it could shut others out of what is theirs.

use std::path::{Path, PathBuf};

use crate::error::ServerError;

/// The endings of the book's own files: the database, its log and the log's index.
const OWN: [&str; 3] = ["", "-wal", "-shm"];

fn own_files(book: &Path) -> [PathBuf; 3] {
    OWN.map(|ending| {
        let mut name = book.as_os_str().to_owned();
        name.push(ending);
        PathBuf::from(name)
    })
}

/// Makes the book's folder, open to its owner alone, or sees to it that the one there is.
pub(crate) fn folder(folder: &Path) -> Result<(), ServerError> {
    let unmade = |source| ServerError::Folder { folder: folder.to_owned(), source };
    let mut builder = std::fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.create(folder).map_err(unmade)?;
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let mode = std::fs::metadata(folder).map_err(unmade)?.permissions().mode() & 0o777;
        if mode & 0o077 == 0 {
            return Ok(());
        }
        for entry in std::fs::read_dir(folder).map_err(unmade)? {
            let name = entry.map_err(unmade)?.file_name();
            // The book, its side files, what a restore moved aside, and the folders of backups and pictures.
            let folders = [sync_core::book::backup::BACKUPS, sync_core::book::pictures::PHOTOS];
            let own = name.to_str().is_some_and(|name| name.starts_with(crate::config::BOOK) || folders.contains(&name));
            if !own {
                return Err(ServerError::OpenFolder { folder: folder.to_owned(), mode });
            }
        }
        std::fs::set_permissions(folder, std::fs::Permissions::from_mode(0o700)).map_err(unmade)?;
        tracing::warn!("the book's folder was open to other accounts of this computer (mode {mode:03o}) and has been closed to them");
    }
    Ok(())
}

/// Sees to it that the book's files, where there are any yet, are open to their owner alone.
#[cfg(unix)]
pub(crate) fn files_of(book: &Path) -> Result<(), ServerError> {
    use std::os::unix::fs::PermissionsExt;
    for file in own_files(book) {
        let Ok(found) = std::fs::metadata(&file) else { continue };
        let mode = found.permissions().mode() & 0o777;
        if mode & 0o077 == 0 {
            continue;
        }
        let closed = std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o600));
        closed.map_err(|source| ServerError::OpenFile { file, source })?;
        tracing::warn!("a file of the book was open to other accounts of this computer (mode {mode:03o}) and has been closed to them");
    }
    Ok(())
}

#[cfg(not(unix))]
pub(crate) fn files_of(_: &Path) -> Result<(), ServerError> {
    Ok(())
}
