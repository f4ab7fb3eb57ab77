//! The disk as SQLite sees it: one file system for all disks.

use std::io::{Error, ErrorKind, Result};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use sqlite_vfs::{DatabaseHandle, LockKind, OpenAccess, OpenOptions, Vfs, WalDisabled};

use super::left::Write;
use super::{DISKS, State, locked};

/// Where SQLite puts what it cannot hold in memory while it works.
const TEMPORARY: &str = "temporary";

/// Every disk, by the beginning of the path.
pub(super) struct AllDisks;

/// An open file.
pub(super) struct Handle {
    state: Arc<Mutex<State>>,
    name: String,
    lock: LockKind,
}

impl AllDisks {
    fn disk(path: &str) -> Result<(Arc<Mutex<State>>, String)> {
        let (disk, file) = path.split_once('/').unwrap_or(("", path));
        if disk == TEMPORARY {
            // It goes with its handle, and its disk does not fail.
            return Ok((Arc::default(), file.to_owned()));
        }
        let disks = locked(&DISKS);
        let state = disks.get(disk).map(|d| Arc::clone(&d.state)).ok_or_else(|| Error::from(ErrorKind::NotFound))?;
        Ok((state, file.to_owned()))
    }
}

impl Vfs for AllDisks {
    type Handle = Handle;

    fn open(&self, path: &str, options: OpenOptions) -> Result<Handle> {
        let (state, name) = Self::disk(path)?;
        {
            let mut state = locked(&state);
            if state.off {
                return Err(Error::other("the power is off"));
            }
            if !state.now.contains_key(&name) {
                if options.access == OpenAccess::Read || options.access == OpenAccess::Write {
                    return Err(Error::from(ErrorKind::NotFound));
                }
                if state.read_only {
                    return Err(Error::from(ErrorKind::PermissionDenied));
                }
                state.now.insert(name.clone(), Vec::new());
            } else if state.read_only && options.access != OpenAccess::Read {
                return Err(Error::from(ErrorKind::PermissionDenied));
            }
        }
        Ok(Handle { state, name, lock: LockKind::None })
    }

    fn delete(&self, path: &str) -> Result<()> {
        let (state, name) = Self::disk(path)?;
        locked(&state).delete(&name)
    }

    fn exists(&self, path: &str) -> Result<bool> {
        let (state, name) = Self::disk(path)?;
        let state = locked(&state);
        Ok(state.now.contains_key(&name))
    }

    fn temporary_name(&self) -> String {
        format!("{TEMPORARY}/file")
    }

    fn random(&self, buffer: &mut [i8]) {
        buffer.fill(7);
    }

    fn sleep(&self, _: Duration) -> Duration {
        Duration::ZERO
    }
}

impl DatabaseHandle for Handle {
    type WalIndex = WalDisabled;

    fn size(&self) -> std::result::Result<u64, Error> {
        let state = locked(&self.state);
        if state.off {
            return Err(Error::other("the power is off"));
        }
        Ok(state.now.get(&self.name).map_or(0, |file| file.len() as u64))
    }

    fn read_exact_at(&mut self, buffer: &mut [u8], offset: u64) -> Result<()> {
        let state = locked(&self.state);
        if state.off {
            return Err(Error::other("the power is off"));
        }
        let offset = usize::try_from(offset).map_err(Error::other)?;
        let file = state.now.get(&self.name).map_or(&[][..], Vec::as_slice);
        let there = file.get(offset..).unwrap_or_default();
        let part = there.len().min(buffer.len());
        buffer[..part].copy_from_slice(&there[..part]);
        // SQLite wants what is not there as zeros, and to be told.
        buffer[part..].fill(0);
        if part < buffer.len() { Err(Error::from(ErrorKind::UnexpectedEof)) } else { Ok(()) }
    }

    fn write_all_at(&mut self, bytes: &[u8], offset: u64) -> Result<()> {
        let offset = usize::try_from(offset).map_err(Error::other)?;
        locked(&self.state).write(&self.name, Write::At(offset, bytes.to_vec()))
    }

    fn sync(&mut self, _: bool) -> Result<()> {
        locked(&self.state).sync(&self.name)
    }

    fn set_len(&mut self, size: u64) -> Result<()> {
        let size = usize::try_from(size).map_err(Error::other)?;
        locked(&self.state).write(&self.name, Write::Length(size))
    }

    fn lock(&mut self, lock: LockKind) -> Result<bool> {
        self.lock = lock;
        Ok(true)
    }

    fn reserved(&mut self) -> Result<bool> {
        Ok(matches!(self.lock, LockKind::Reserved | LockKind::Pending | LockKind::Exclusive))
    }

    fn current_lock(&self) -> Result<LockKind> {
        Ok(self.lock)
    }

    fn wal_index(&self, _: bool) -> Result<WalDisabled> {
        Ok(WalDisabled)
    }
}
