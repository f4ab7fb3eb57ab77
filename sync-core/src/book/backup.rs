//! Keeping the book: backups of it, and a shop put back from one.
//!
//! A shop put back begins a new epoch. At their next exchange its devices then offer again all that it lacks, so a backup
//! need not be of today: it must have the shop's keys, and the devices have the rest.

use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};

use jiff::civil::DateTime;
use jiff::tz::TimeZone;
use shared::bytes::Bytes16;

use crate::book::pictures::{PHOTOS, Pictures, PicturesError};
use crate::book::{Book, shop_clock};
use crate::engine::{self, BookError, Verification};
use crate::judge::roster::Roster;
use crate::store::{Backup, BackupDraft, BackupError, EPOCH, Identity, MetaKey, Owner, Store, StoreError, few, sync_folder_of};
use crate::sys::clock::ClockReading;
use crate::sys::rng::{CryptoRng, random};

/// When a write was last tried, to tell whether there is room: ms since 1970 UTC.
const READY: MetaKey<i64> = MetaKey::new("ready");
/// A time of day in a file's name, always UTC: 20261125T170312Z.
const STAMP: &str = "%Y%m%dT%H%M%SZ";
/// For so long after a step that was kept, ms, nobody who asks is told by another.
const READY_FOR_MS: i64 = 1_000;
/// The folder of a shop's backups, beside its book.
pub const BACKUPS: &str = "backups";
/// What follows the stamp in the name of a backup.
const ENDING: &str = ".db";

/// Why a shop was not put back. The present book, if there is one, is where it was and as it was.
#[derive(Debug, thiserror::Error)]
pub enum RestoreError {
    /// There is no such backup.
    #[error("there is no backup at {}; nothing was changed. Check the name", .0.display())]
    NoBackup(PathBuf),
    /// A server has the shop's book open.
    #[error("the book at {} is in use; nothing was changed. Stop the server, then restore", .0.display())]
    InUse(PathBuf),
    /// The backup is of a device, or of nobody.
    #[error("{} is no shop's book; nothing was changed. A device's backup is restored by putting the file in its book's place", .0.display())]
    NotAShop(PathBuf),
    /// The backup does not verify.
    #[error("{} does not verify ({faults}); nothing was changed. Take an older backup", path.display())]
    Faults {
        /// Which.
        path: PathBuf,
        /// The faults, the first few in their own words.
        faults: String,
    },
    /// The backup cannot be read as a book.
    #[error("{} cannot be read as a backup: {source}", path.display())]
    Unreadable {
        /// Which.
        path: PathBuf,
        /// Why.
        source: BookError,
    },
    /// The present book cannot be moved aside.
    #[error("{} cannot be moved aside ({why}); the shop was not put back. Look at the folder's rights, and restore again", path.display())]
    SetAside {
        /// Which.
        path: PathBuf,
        /// What the system says.
        why: String,
    },
    /// The new book cannot be written.
    #[error(transparent)]
    Backup(#[from] BackupError),
}

/// A shop that was put back.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Restored {
    /// What the backup held.
    pub verified: Verification,
    /// Where the book that stood there is now.
    pub aside: Option<PathBuf>,
    /// Pictures of photos that came back with it.
    pub pictures: usize,
}

/// A backup in a folder of backups.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct BackupLine {
    /// When it was made, in ms since 1970 UTC.
    pub made_ms: i64,
    /// Its file's name.
    pub name: String,
    /// Its size.
    pub bytes: u64,
}

/// What is done for the file when nobody waits, and its backups. What is in the book does not change by it.
#[derive(Debug, Clone, Copy)]
pub struct Upkeep<'a> {
    book: &'a Book,
}

impl Book {
    /// What is done for the file, and its backups.
    #[must_use]
    pub const fn upkeep(&self) -> Upkeep<'_> {
        Upkeep { book: self }
    }

    /// That a shop's book can keep something now. Asked again within a second of the last step that was kept, it writes nothing.
    ///
    /// # Errors
    /// [`BookError::Store`], as for a full disk; nothing is lost.
    pub fn ready(&mut self, now: &ClockReading) -> Result<(), BookError> {
        let lately = |last: &ClockReading| last.boot == now.boot && (0..READY_FOR_MS).contains(&(now.steady_ms - last.steady_ms));
        if self.last_kept.as_ref().is_some_and(lately) {
            return Ok(());
        }
        let last = self.last_kept;
        self.store.atomically(|store| {
            shop_clock::note_where_set(store, last.as_ref(), now)?;
            Ok::<_, BookError>(store.set_meta(&READY, &now.wall_ms)?)
        })?;
        self.last_kept = Some(*now);
        Ok(())
    }
}

impl Upkeep<'_> {
    /// Tidies the log of documents, up to a count of them, when nobody waits: what is in the book does not change, only
    /// the room it takes. Gives how many were tidied; 0: there is nothing to do.
    ///
    /// # Errors
    /// [`BookError::Store`].
    pub fn tidy(&self, most: usize) -> Result<usize, BookError> {
        Ok(self.book.store.atomically(|store| store.compaction().tidy(most))?)
    }

    /// Copies the database's log into its file where it has grown long, when nobody waits.
    ///
    /// # Errors
    /// [`BookError::Store`]; nothing is lost.
    pub fn checkpoint_wal(&self) -> Result<(), BookError> {
        Ok(self.book.store.compaction().checkpoint_wal()?)
    }

    /// Writes the file anew without the holes that tidying has left, where that is worth it: for a moment when nobody waits.
    ///
    /// # Errors
    /// [`BookError::Store`]; the file is as it was.
    pub fn vacuum(&self) -> Result<bool, BookError> {
        Ok(self.book.store.compaction().vacuum()?)
    }

    /// Makes a backup of the book in a new file: copied in one step, read back, on the disk, and only then under its name.
    ///
    /// # Errors
    /// [`BackupError`]; no file is left then.
    pub fn backup_to(&self, path: &Path) -> Result<Backup, BackupError> {
        keep(self.book.store.copy_for(path, self.book.actor())?)
    }

    /// The part of a backup that needs the book; [`keep`] does the rest without it.
    ///
    /// # Errors
    /// [`BackupError`]; no file is left then.
    pub fn copy_for(&self, path: &Path) -> Result<BackupDraft, BackupError> {
        self.book.store.copy_for(path, self.book.actor())
    }
}

/// A backup's content as a book in memory; the file is only read.
///
/// # Errors
/// [`RestoreError`] where there is none, or it is no book.
pub fn open_backup(path: &Path, entropy: &mut dyn CryptoRng) -> Result<Book, RestoreError> {
    let unreadable = |source: BookError| RestoreError::Unreadable { path: path.to_owned(), source };
    if !path.is_file() {
        return Err(RestoreError::NoBackup(path.to_owned()));
    }
    let store = Store::of_backup(path).map_err(|e| match e {
        StoreError::InUse => RestoreError::InUse(path.to_owned()),
        other => unreadable(other.into()),
    })?;
    Book::over(store, entropy).map_err(unreadable)
}

/// Puts a shop back from a backup: proves the backup, moves the present book aside, puts the backup in its place, and
/// begins a new epoch, so that the devices offer again all that it lacks.
///
/// # Errors
/// [`RestoreError`]; nothing is changed then.
pub fn restore_shop(from: &Path, to: &Path, now: &ClockReading, entropy: &mut dyn CryptoRng) -> Result<Restored, RestoreError> {
    if to.exists() && Store::in_use(to) {
        return Err(RestoreError::InUse(to.to_owned()));
    }
    let book = open_backup(from, entropy)?;
    if !book.identity.as_ref().is_some_and(Identity::is_shop) {
        return Err(RestoreError::NotAShop(from.to_owned()));
    }
    let unreadable = |source: BookError| RestoreError::Unreadable { path: from.to_owned(), source };
    let verified = book.verify().map_err(unreadable)?;
    if !verified.faults.is_empty() {
        return Err(RestoreError::Faults { path: from.to_owned(), faults: few(&verified.faults) });
    }
    book.store.set_meta(&EPOCH, &Bytes16(random(entropy))).map_err(|e| unreadable(e.into()))?;
    // Written whole beside its place before anything is moved.
    let aside = SetAside::name(to, now);
    let draft = book.store.copy_for(&aside.spare, book.actor())?;
    draft.keep_verified()?;
    let moved = aside.and_replace();
    if moved.is_err() {
        // The spare is a copy of a backup that is still there.
        let _ = fs::remove_file(&aside.spare);
    }
    moved?;
    let pictures = copy_pictures(&Pictures::at(from.with_file_name(PHOTOS)), &Pictures::of_shop(to))?;
    Ok(Restored { verified, aside: aside.replaced.exists().then_some(aside.replaced), pictures })
}

/// Makes a backup of a shop's book in a new file, with the pictures of its photos in the folder `photos` beside that file.
///
/// # Errors
/// [`BackupError`]: no file is left where the book cannot be copied; where a picture cannot, the file stays.
pub fn back_up_shop(book: &Book, at: &Path, to: &Path) -> Result<Backup, BackupError> {
    let made = book.upkeep().backup_to(to)?;
    copy_pictures(&Pictures::of_shop(at), &Pictures::at(to.with_file_name(PHOTOS)))?;
    Ok(made)
}

/// Copies the pictures that are not there yet; gives how many.
pub(crate) fn copy_pictures(from: &Pictures, to: &Pictures) -> Result<usize, BackupError> {
    from.copy_to(to).map_err(|error| match error {
        PicturesError::Folder { path, why } => BackupError::Pictures { path, why },
        other => BackupError::Pictures { path: PathBuf::from(PHOTOS), why: other.to_string() },
    })
}

/// Where the present book goes, and where the new one waits.
struct SetAside {
    place: PathBuf,
    replaced: PathBuf,
    spare: PathBuf,
}

impl SetAside {
    fn name(place: &Path, now: &ClockReading) -> Self {
        let dated = |word: &str, n: u32| {
            let again = if n == 0 { String::new() } else { format!("-{n}") };
            with_ending(place, &format!(".{word}-{}{again}", stamp(now)))
        };
        let free = |word: &str| (0..u32::MAX).map(|n| dated(word, n)).find(|path| path.symlink_metadata().is_err());
        let [replaced, spare] = ["replaced", "restoring"].map(|word| free(word).unwrap_or_else(|| dated(word, 0)));
        Self { place: place.to_owned(), replaced, spare }
    }

    /// Moves the book with its side files aside, and the new one into its place. Whatever fails, what was moved goes back.
    fn and_replace(&self) -> Result<(), RestoreError> {
        let mut moved: Vec<(PathBuf, PathBuf)> = Vec::new();
        let steps = ["-wal", "-shm", ""].map(|side| (with_ending(&self.place, side), with_ending(&self.replaced, side)));
        let put_back = |moved: &[(PathBuf, PathBuf)]| {
            for (from, to) in moved.iter().rev() {
                // Where even this fails, the error below names the file, and it lies beside its place.
                let _ = fs::rename(to, from);
            }
        };
        for (from, to) in steps {
            match fs::rename(&from, &to) {
                Ok(()) => moved.push((from, to)),
                Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
                Err(error) => {
                    put_back(&moved);
                    return Err(RestoreError::SetAside { path: from, why: error.to_string() });
                }
            }
        }
        if let Err(error) = fs::rename(&self.spare, &self.place) {
            put_back(&moved);
            return Err(BackupError::Unwritable { path: self.place.clone(), why: error.to_string() }.into());
        }
        sync_folder_of(&self.place).map_err(|e| BackupError::Unwritable { path: self.place.clone(), why: e.to_string() }.into())
    }
}

fn with_ending(path: &Path, ending: &str) -> PathBuf {
    let mut name = OsString::from(path);
    name.push(ending);
    PathBuf::from(name)
}

fn stamp(now: &ClockReading) -> String {
    jiff::Timestamp::from_millisecond(now.wall_ms).unwrap_or_default().strftime(STAMP).to_string()
}

/// The name of a backup made now.
#[must_use]
pub fn backup_name(now: &ClockReading) -> String {
    format!("{}{ENDING}", stamp(now))
}

/// The backups in a folder, newest first. What bears another kind of name is none; a folder that is not there has none.
///
/// # Errors
/// [`BackupError::Unwritable`] where the folder cannot be read.
pub fn backups_in(folder: &Path) -> Result<Vec<BackupLine>, BackupError> {
    let failed = |why: std::io::Error| BackupError::Unwritable { path: folder.to_owned(), why: why.to_string() };
    let entries = match fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(failed(error)),
    };
    let mut lines = Vec::new();
    for entry in entries {
        let entry = entry.map_err(failed)?;
        let Ok(name) = entry.file_name().into_string() else { continue };
        let Some(made_ms) = made_when(&name) else { continue };
        let bytes = entry.metadata().map_err(failed)?.len();
        lines.push(BackupLine { made_ms, name, bytes });
    }
    lines.sort_unstable();
    lines.reverse();
    Ok(lines)
}

fn made_when(name: &str) -> Option<i64> {
    let at = DateTime::strptime(STAMP, name.strip_suffix(ENDING)?).ok()?;
    Some(at.to_zoned_datetime(TimeZone::UTC).ok()?.timestamp().as_millisecond())
}

/// Proves a copy, as somebody who puts it back will, brings it to the disk, and gives it its name.
///
/// # Errors
/// [`BackupError`]; no file is left then.
pub fn keep(draft: BackupDraft) -> Result<Backup, BackupError> {
    let faults = faults_in(draft.part()).map_err(|e| BackupError::Untrue(e.to_string()))?;
    if !faults.is_empty() {
        return Err(BackupError::Unsound(few(&faults)));
    }
    draft.keep_verified()
}

/// What a verification finds wrong with a copy, read as a backup is read that is put back.
fn faults_in(part: &Path) -> Result<Vec<String>, StoreError> {
    let copy = Store::of_backup(part)?;
    let Some(identity) = copy.owner()? else { return Ok(Vec::new()) };
    copy.set_owner(Owner { device: identity.device, shop: identity.root.device });
    let roster = Roster::build(identity.root, &*copy.records().ledger_of(identity.root.shop.roster())?);
    Ok(engine::verify(&copy, &roster, &identity)?.faults)
}

#[cfg(test)]
mod tests;
