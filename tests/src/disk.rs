//! A disk in memory that fails on purpose: power cuts at any write with torn and lost writes, a disk that says "synced"
//! and has not, a full disk, one that turned read-only. SQLite runs on it as on any other file system.
//!
//! What a power cut leaves follows from dice alone, so a run can be repeated.

use std::collections::{BTreeMap, HashMap};
use std::io::{Error, ErrorKind, Result};
use std::sync::{Arc, LazyLock, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use sqlite_vfs::{DatabaseHandle, LockKind, OpenAccess, OpenOptions, Vfs, WalDisabled};
use sync_core::store::{Store, StoreError};

use crate::crew::Dice;

const NAME: &str = "disk-that-fails";
/// Every disk by its name; SQLite knows one file system, whose paths begin with a disk's name.
static DISKS: LazyLock<Mutex<HashMap<String, Disk>>> = LazyLock::new(|| {
    sqlite_vfs::register(NAME, AllDisks, false).expect("a file system of this name is registered once");
    Mutex::default()
});

/// A disk.
#[derive(Clone, Debug)]
pub struct Disk {
    name: String,
    state: Arc<Mutex<State>>,
}

/// The files of a disk, as a copy of them would be.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Image(BTreeMap<String, Vec<u8>>);

#[derive(Debug, Default)]
struct State {
    /// Files as a reader sees them.
    now: BTreeMap<String, Vec<u8>>,
    /// Files as a power cut would leave them if nothing more were written out by itself.
    safe: BTreeMap<String, Vec<u8>>,
    /// Writes that no sync has covered, in order.
    open: Vec<(String, Write)>,
    /// Writes that a sync covered and that the disk only claims to have written out, in order.
    claimed: Vec<(String, Write)>,
    /// Syncs are claimed only.
    lying: bool,
    /// No file may grow beyond this many bytes for all of them.
    room: Option<usize>,
    read_only: bool,
    /// So many operations until the power is cut.
    cut_in: Option<u32>,
    off: bool,
    operations: u64,
}

#[derive(Debug, Clone)]
enum Write {
    At(usize, Vec<u8>),
    Length(usize),
    Gone,
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Write {
    fn apply(&self, files: &mut BTreeMap<String, Vec<u8>>, name: &str) {
        match self {
            Self::At(offset, bytes) => {
                let file = files.entry(name.to_owned()).or_default();
                if file.len() < offset + bytes.len() {
                    file.resize(offset + bytes.len(), 0);
                }
                file[*offset..offset + bytes.len()].copy_from_slice(bytes);
            }
            Self::Length(length) => files.entry(name.to_owned()).or_default().resize(*length, 0),
            Self::Gone => {
                files.remove(name);
            }
        }
    }

    /// The write as far as it got when the power went.
    fn torn(&self, dice: &mut Dice) -> Self {
        match self {
            Self::At(offset, bytes) => {
                let part = usize::try_from(dice.throw() % (bytes.len() as u64 + 1)).unwrap_or(0);
                Self::At(*offset, bytes[..part].to_vec())
            }
            whole => whole.clone(),
        }
    }
}

impl Image {
    /// The files of a disk with one book, as they are after a copy was put there.
    #[must_use]
    pub fn of_book(bytes: Vec<u8>) -> Self {
        Self(BTreeMap::from([("book.db".to_owned(), bytes)]))
    }
}

impl Disk {
    /// A disk of this name, empty or with the files of an image.
    #[must_use]
    pub fn new(name: &str, image: &Image) -> Self {
        let state = State { now: image.0.clone(), safe: image.0.clone(), ..State::default() };
        let disk = Self { name: name.to_owned(), state: Arc::new(Mutex::new(state)) };
        locked(&DISKS).insert(name.to_owned(), disk.clone());
        disk
    }

    /// Forgets the disk: what is open on it goes on, and nothing opens it again.
    pub fn take_away(&self) {
        locked(&DISKS).remove(&self.name);
    }

    /// Opens the store on it.
    ///
    /// # Errors
    /// As the store's.
    pub fn open(&self) -> std::result::Result<Store, StoreError> {
        Store::open_on(format!("{}/book.db", self.name).as_ref(), NAME)
    }

    /// A copy of its files as they are now.
    #[must_use]
    pub fn image(&self) -> Image {
        Image(locked(&self.state).now.clone())
    }

    /// Puts a copy's files in the place of its own.
    pub fn put_back(&self, image: &Image) {
        *locked(&self.state) = State { now: image.0.clone(), safe: image.0.clone(), ..State::default() };
    }

    /// Cuts the power at the `n`th operation from now that would change a file or write it out.
    pub fn cut_power_in(&self, n: u32) {
        locked(&self.state).cut_in = Some(n);
    }

    /// Whether the power is off.
    #[must_use]
    pub fn is_off(&self) -> bool {
        locked(&self.state).off
    }

    /// Cuts the power now.
    pub fn cut_power(&self) {
        locked(&self.state).off = true;
    }

    /// Takes back a power cut that did not come.
    pub fn keep_power(&self) {
        locked(&self.state).cut_in = None;
    }

    /// From now on syncs are claimed only, or honest again.
    pub fn lie(&self, lying: bool) {
        locked(&self.state).lying = lying;
    }

    /// Leaves room for so many bytes more, or for all.
    pub fn leave_room(&self, bytes: Option<usize>) {
        let mut state = locked(&self.state);
        state.room = bytes.map(|more| more + state.now.values().map(Vec::len).sum::<usize>());
    }

    /// Turns read-only, or back.
    pub fn read_only(&self, read_only: bool) {
        locked(&self.state).read_only = read_only;
    }

    /// Operations so far that changed a file or wrote it out.
    #[must_use]
    pub fn operations(&self) -> u64 {
        locked(&self.state).operations
    }

    /// The power comes back. Of what no sync covered, each write is there, torn or lost, as the dice fall; of what the
    /// disk only claimed to have written out, a beginning. True where something claimed was lost.
    pub fn power_on(&self, dice: &mut Dice) -> bool {
        let mut state = locked(&self.state);
        let state = &mut *state;
        let claimed = std::mem::take(&mut state.claimed);
        let open = std::mem::take(&mut state.open);
        let kept = usize::try_from(dice.throw() % (claimed.len() as u64 + 1)).unwrap_or(0);
        for (name, write) in &claimed[..kept] {
            write.apply(&mut state.safe, name);
        }
        let lost = kept < claimed.len();
        if !lost {
            for (name, write) in &open {
                match dice.throw() % 3 {
                    0 => write.apply(&mut state.safe, name),
                    1 => write.torn(dice).apply(&mut state.safe, name),
                    _ => {}
                }
            }
        }
        state.now = state.safe.clone();
        (state.off, state.cut_in, state.lying, state.read_only, state.room) = (false, None, false, false, None);
        lost
    }
}

impl State {
    /// Counts an operation; at the fatal one the power goes.
    fn step(&mut self) -> Result<()> {
        if self.off {
            return Err(Error::other("the power is off"));
        }
        self.operations += 1;
        if let Some(left) = &mut self.cut_in {
            if *left == 0 {
                self.off = true;
                return Err(Error::other("the power went"));
            }
            *left -= 1;
        }
        if self.read_only { Err(Error::from(ErrorKind::PermissionDenied)) } else { Ok(()) }
    }

    fn write(&mut self, name: &str, write: Write) -> Result<()> {
        if let Err(error) = self.step() {
            if self.off && self.cut_in == Some(0) {
                self.cut_in = None;
                self.open.push((name.to_owned(), write));
            }
            return Err(error);
        }
        if let (Some(room), Write::At(offset, bytes)) = (self.room, &write) {
            let others: usize = self.now.iter().filter(|(n, _)| *n != name).map(|(_, f)| f.len()).sum();
            let own = self.now.get(name).map_or(0, Vec::len).max(offset + bytes.len());
            if others + own > room {
                return Err(Error::from(ErrorKind::WriteZero));
            }
        }
        write.apply(&mut self.now, name);
        self.open.push((name.to_owned(), write));
        Ok(())
    }

    fn sync(&mut self, name: &str) -> Result<()> {
        self.step()?;
        let (of_file, others): (Vec<_>, Vec<_>) = std::mem::take(&mut self.open).into_iter().partition(|(n, _)| n == name);
        self.open = others;
        self.claimed.extend(of_file);
        if !self.lying {
            for (name, write) in std::mem::take(&mut self.claimed) {
                write.apply(&mut self.safe, &name);
            }
        }
        Ok(())
    }
}

struct AllDisks;

/// An open file.
struct Handle {
    state: Arc<Mutex<State>>,
    name: String,
    lock: LockKind,
}

impl AllDisks {
    fn disk(path: &str) -> Result<(Arc<Mutex<State>>, String)> {
        let (disk, file) = path.split_once('/').unwrap_or(("", path));
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
        let mut state = locked(&state);
        state.step()?;
        if !state.now.contains_key(&name) {
            return Err(Error::from(ErrorKind::NotFound));
        }
        Write::Gone.apply(&mut state.now, &name);
        // The store has the folder written out after a deletion (synchronous=EXTRA), which this interface does not pass on.
        let name = name.as_str();
        state.open.retain(|(n, _)| n != name);
        if state.lying || !state.claimed.is_empty() {
            state.claimed.push((name.to_owned(), Write::Gone));
        } else {
            Write::Gone.apply(&mut state.safe, name);
        }
        Ok(())
    }

    fn exists(&self, path: &str) -> Result<bool> {
        let (state, name) = Self::disk(path)?;
        let state = locked(&state);
        Ok(state.now.contains_key(&name))
    }

    fn temporary_name(&self) -> String {
        "temporary/file".to_owned()
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
