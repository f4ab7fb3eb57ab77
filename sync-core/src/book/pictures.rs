//! The bytes of photos on a disk: a folder for each document, and in it one file for each picture, named by the hash of its bytes.
//!
//! A picture belongs to the document for which it was sent, and is found there alone. To know a hash is not to have the picture: who
//! notes it in another document has to send the bytes for that one too.
//!
//! A picture is there whole or not at all, wherever the power goes: it is written under another name, brought to the disk, and
//! only then given its own. What is read is held to its name, so a file that a disk has spoilt counts as not there.

use std::fs::{self, File};
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

use sha2::{Digest, Sha256};
use shared::bytes::Bytes32;
use shared::ids::DocId;
use shared::picture::{PictureError, PictureKind, check};

use crate::store::sync_folder_of;

/// The folder of a shop's pictures, beside its book.
pub const PHOTOS: &str = "photos";
/// What a picture's file ends with while it is being written.
const PART: &str = ".part";

/// Why a picture was not kept. What was there before still is.
#[derive(Debug, thiserror::Error)]
pub enum PicturesError {
    /// No picture that is taken.
    #[error("{0}; nothing was kept")]
    Picture(#[from] PictureError),
    /// The bytes are not those that the hash names.
    #[error(
        "the bytes are not those of the photo that was named: they have another SHA-256; nothing was kept. Send the picture as it was taken"
    )]
    WrongHash,
    /// The disk is full.
    #[error("the disk is full; the picture was not kept. Make room and try again")]
    Full,
    /// The folder cannot be read or written.
    #[error("{} cannot be read or written ({why}); the picture was not kept. Look at the folder's rights, and try again", path.display())]
    Folder {
        /// Which file or folder.
        path: PathBuf,
        /// What the system says.
        why: String,
    },
}

/// A folder of pictures.
#[derive(Debug)]
pub struct Pictures {
    folder: PathBuf,
    /// Tells files apart that are being written at once.
    next: AtomicU64,
}

/// The SHA-256 of some bytes.
#[must_use]
pub fn sha256(bytes: &[u8]) -> Bytes32 {
    Bytes32(Sha256::digest(bytes).into())
}

impl Pictures {
    /// The pictures in a folder, which is made when the first one is kept.
    #[must_use]
    pub const fn at(folder: PathBuf) -> Self {
        Self { folder, next: AtomicU64::new(0) }
    }

    /// The pictures of a shop, in the folder beside its book.
    #[must_use]
    pub fn of_shop(book: &Path) -> Self {
        Self::at(book.with_file_name(PHOTOS))
    }

    /// Keeps a picture for a document under its hash; once this returns it survives a power cut. Kept already, it stays as it is.
    ///
    /// # Errors
    /// [`PicturesError`], having kept nothing.
    pub fn keep(&self, doc: DocId, hash: Bytes32, bytes: &[u8]) -> Result<PictureKind, PicturesError> {
        let kind = check(bytes)?;
        if sha256(bytes) != hash {
            return Err(PicturesError::WrongHash);
        }
        let path = self.path(doc, hash);
        if self.read(doc, hash)?.is_none() {
            self.make_room(doc)?;
            self.write(&path, bytes)?;
        }
        // Also for one that was there: whoever wrote it may not have come to this yet.
        sync_folder_of(&path).map_err(|e| failed(&path, &e))?;
        Ok(kind)
    }

    /// The folder of a document's pictures, made where there is none.
    fn make_room(&self, doc: DocId) -> Result<(), PicturesError> {
        let room = self.of_document(doc);
        [&self.folder, &room].into_iter().try_for_each(|folder| private_folder(folder).map_err(|e| failed(folder, &e)))
    }

    fn write(&self, path: &Path, bytes: &[u8]) -> Result<(), PicturesError> {
        let (part, mut file) = self.part_of(path)?;
        let written = file.write_all(bytes).and_then(|()| file.sync_all()).and_then(|()| fs::rename(&part, path));
        written.map_err(|error| {
            // What cannot be taken away now goes when the folder is next swept.
            let _ = fs::remove_file(&part);
            failed(path, &error)
        })
    }

    /// A new file for what is being written, open to its owner alone.
    fn part_of(&self, path: &Path) -> Result<(PathBuf, File), PicturesError> {
        let mut options = File::options();
        options.write(true).create_new(true);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        loop {
            let mut name = path.file_name().unwrap_or_default().to_owned();
            name.push(format!(".{}{PART}", self.next.fetch_add(1, Ordering::Relaxed)));
            let part = path.with_file_name(name);
            match options.open(&part) {
                Ok(file) => return Ok((part, file)),
                // Of a program that was ended in the middle.
                Err(error) if error.kind() == ErrorKind::AlreadyExists => {}
                Err(error) => return Err(failed(&part, &error)),
            }
        }
    }

    /// The bytes of a document's picture; `None` where it was not kept for that document, or is not what its name says.
    ///
    /// # Errors
    /// [`PicturesError::Folder`].
    pub fn read(&self, doc: DocId, hash: Bytes32) -> Result<Option<Vec<u8>>, PicturesError> {
        let path = self.path(doc, hash);
        match fs::read(&path) {
            Ok(bytes) => Ok(Some(bytes).filter(|bytes| sha256(bytes) == hash)),
            Err(error) if error.kind() == ErrorKind::NotFound => Ok(None),
            Err(error) => Err(failed(&path, &error)),
        }
    }

    /// Whether a document's picture is here, without reading it.
    #[must_use]
    pub fn has(&self, doc: DocId, hash: Bytes32) -> bool {
        self.path(doc, hash).is_file()
    }

    /// Takes a document's picture away, where it is here.
    ///
    /// # Errors
    /// [`PicturesError::Folder`].
    pub fn remove(&self, doc: DocId, hash: Bytes32) -> Result<(), PicturesError> {
        let path = self.path(doc, hash);
        match fs::remove_file(&path) {
            Err(error) if error.kind() != ErrorKind::NotFound => Err(failed(&path, &error)),
            _ => Ok(()),
        }
    }

    /// Takes away what was being written when its program ended. Only for whoever alone writes here.
    pub fn sweep(&self) {
        let rooms = fs::read_dir(&self.folder).into_iter().flatten().flatten();
        for entry in rooms.flat_map(|room| fs::read_dir(room.path()).into_iter().flatten().flatten()) {
            if entry.file_name().to_string_lossy().ends_with(PART) {
                // One that stays takes room, and is never read.
                let _ = fs::remove_file(entry.path());
            }
        }
    }

    /// Puts every picture into another folder too, where it is not there; gives how many. On one disk they share their room.
    ///
    /// # Errors
    /// [`PicturesError`]: what was put there before it stays.
    pub fn copy_to(&self, other: &Self) -> Result<usize, PicturesError> {
        let mut copied = 0;
        for room in names_in(&self.folder)? {
            // Only its one spelling is a document's folder.
            let Some(doc) = room.parse().ok().filter(|doc: &DocId| doc.to_string() == room) else { continue };
            copied += self.copy_of(doc, other)?;
        }
        Ok(copied)
    }

    fn copy_of(&self, doc: DocId, other: &Self) -> Result<usize, PicturesError> {
        let mut copied = 0;
        for hash in names_in(&self.of_document(doc))?.iter().filter_map(|name| named(name)) {
            if other.has(doc, hash) {
                continue;
            }
            other.make_room(doc)?;
            // A link where the system has one: a picture never changes, it is only ever replaced by a file of its own.
            if fs::hard_link(self.path(doc, hash), other.path(doc, hash)).is_err() {
                let Some(bytes) = self.read(doc, hash)? else { continue };
                other.keep(doc, hash, &bytes)?;
            }
            copied += 1;
        }
        if copied > 0 {
            let any = other.of_document(doc).join(PART);
            sync_folder_of(&any).map_err(|e| failed(&any, &e))?;
        }
        Ok(copied)
    }

    fn of_document(&self, doc: DocId) -> PathBuf {
        self.folder.join(doc.to_string())
    }

    fn path(&self, doc: DocId, hash: Bytes32) -> PathBuf {
        self.of_document(doc).join(hash.to_string())
    }
}

/// The names in a folder; none where it is none.
fn names_in(folder: &Path) -> Result<Vec<String>, PicturesError> {
    let entries = match fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(error) if matches!(error.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) => return Ok(Vec::new()),
        Err(error) => return Err(failed(folder, &error)),
    };
    Ok(entries.flatten().filter_map(|entry| entry.file_name().into_string().ok()).collect())
}

/// The hash that a text names: 64 hexadecimal digits, lower case, so that a picture has one name.
#[must_use]
pub fn named(text: &str) -> Option<Bytes32> {
    let plain = text.len() == 64 && text.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b));
    let digits = plain.then(|| text.as_bytes().chunks(2).map(|two| u8::from_str_radix(std::str::from_utf8(two).ok()?, 16).ok()));
    Bytes32::from_slice(&digits?.collect::<Option<Vec<u8>>>()?)
}

/// Makes a folder, open to its owner alone, and brings its name to the disk.
pub(crate) fn private_folder(folder: &Path) -> std::io::Result<()> {
    if folder.is_dir() {
        return Ok(());
    }
    let mut builder = fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.create(folder)?;
    sync_folder_of(folder)
}

fn failed(path: &Path, error: &std::io::Error) -> PicturesError {
    match error.kind() {
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => PicturesError::Full,
        _ => PicturesError::Folder { path: path.to_owned(), why: error.to_string() },
    }
}

#[cfg(test)]
mod tests;
