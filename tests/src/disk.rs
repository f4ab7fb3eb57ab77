//! A disk in memory that fails on purpose: power cuts at any operation with torn and lost writes, a disk that says "synced"
//! and has not, a full disk, one that turned read-only. SQLite runs on it as on any other file system.
//!
//! - `cuts`: which operation the power went at, by what the program was doing and by which file.
//! - `left`: what a power cut leaves of writes that no sync covered. It follows from dice alone, so a run can be repeated.
//! - `vfs`: the disk as SQLite sees it.

use std::collections::{BTreeMap, HashMap};
use std::io::{Error, ErrorKind, Result};
use std::sync::{Arc, LazyLock, Mutex, MutexGuard, PoisonError};

use sync_core::book::Book;
use sync_core::store::{Store, StoreError};

use crate::crew::Dice;

mod cuts;
mod left;
mod vfs;

pub use cuts::{Hit, Hits, Part, Phase};
use left::{Write, leave};

const NAME: &str = "disk-that-fails";
/// Every disk by its name; SQLite knows one file system, whose paths begin with a disk's name.
static DISKS: LazyLock<Mutex<HashMap<String, Disk>>> = LazyLock::new(|| {
    sqlite_vfs::register(NAME, vfs::AllDisks, false).expect("a file system of this name is registered once");
    Mutex::default()
});

/// A disk.
#[derive(Clone, Debug)]
pub struct Disk {
    name: String,
    state: Arc<Mutex<State>>,
}

/// Files by their names.
type Files = BTreeMap<String, Vec<u8>>;

/// The files of a disk, as a copy of them would be.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Image(Files);

#[derive(Debug, Default)]
struct State {
    /// Files as a reader sees them.
    now: Files,
    /// Files as a power cut would leave them if nothing more were written out by itself.
    safe: Files,
    /// Writes that no sync has covered, in order.
    open: Vec<(String, Write)>,
    /// Writes that a sync covered and that the disk only claims to have written out, in order.
    claimed: Vec<(String, Write)>,
    /// Syncs are claimed only.
    lying: bool,
    /// No file may grow beyond this many bytes for all of them.
    room: Option<usize>,
    read_only: bool,
    /// The operation at which the power is cut.
    fatal: Option<Fatal>,
    off: bool,
    /// What the program is doing.
    phase: Phase,
    /// The log is being copied into the book's file.
    copying: bool,
    /// Operations so far that changed a file or wrote it out.
    operations: Hits,
    /// The operation that the power went at.
    hit: Option<Hit>,
}

/// So many operations until the power is cut; on one file, or on any.
#[derive(Debug, Clone, Copy)]
struct Fatal {
    left: u32,
    on: Option<Part>,
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
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

    /// Does something that counts as another phase of the program than its steps.
    pub fn during<T>(&self, phase: Phase, what: impl FnOnce() -> T) -> T {
        locked(&self.state).phase = phase;
        let outcome = what();
        let mut state = locked(&self.state);
        (state.phase, state.copying) = (Phase::Step, false);
        outcome
    }

    /// Closes the book that is open on it.
    pub fn close(&self, book: Option<Book>) {
        self.during(Phase::Closing, || drop(book));
    }

    /// A copy of its files as they are now.
    #[must_use]
    pub fn image(&self) -> Image {
        Image(locked(&self.state).now.clone())
    }

    /// Puts a copy's files in the place of its own.
    pub fn put_back(&self, image: &Image) {
        let mut state = locked(&self.state);
        let operations = std::mem::take(&mut state.operations);
        *state = State { now: image.0.clone(), safe: image.0.clone(), operations, ..State::default() };
    }

    /// Cuts the power at the `n`th operation from now that would change a file or write it out.
    pub fn cut_power_in(&self, n: u32) {
        locked(&self.state).fatal = Some(Fatal { left: n, on: None });
    }

    /// Cuts the power at the `n`th operation from now on one file.
    pub fn cut_power_on(&self, part: Part, n: u32) {
        locked(&self.state).fatal = Some(Fatal { left: n, on: Some(part) });
    }

    /// Whether the power is off.
    #[must_use]
    pub fn is_off(&self) -> bool {
        locked(&self.state).off
    }

    /// Cuts the power now, between two operations.
    pub fn cut_power(&self) {
        locked(&self.state).off = true;
    }

    /// The operation that the power went at; `None` while it is on, and where it went between two.
    #[must_use]
    pub fn hit(&self) -> Option<Hit> {
        locked(&self.state).hit
    }

    /// Takes back a power cut that did not come.
    pub fn keep_power(&self) {
        locked(&self.state).fatal = None;
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

    /// How long a file is, in bytes; of one that is not there, nothing.
    #[must_use]
    pub fn length_of(&self, part: Part) -> usize {
        locked(&self.state).now.iter().filter(|(name, _)| Part::of(name) == part).map(|(_, file)| file.len()).sum()
    }

    /// Operations so far that changed a file or wrote it out.
    #[must_use]
    pub fn operations(&self) -> Hits {
        locked(&self.state).operations.clone()
    }

    /// The power comes back. Of what no sync covered, anything may be there, as the dice fall; of what the disk only claimed to
    /// have written out, a beginning. True where something claimed was lost.
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
            leave(&open, &mut state.safe, dice);
        }
        state.now = state.safe.clone();
        (state.off, state.fatal, state.hit, state.copying) = (false, None, None, false);
        (state.lying, state.read_only, state.room) = (false, false, None);
        lost
    }
}

impl State {
    /// Counts an operation on a file; at the fatal one the power goes.
    fn step(&mut self, name: &str) -> Result<()> {
        if self.off {
            return Err(Error::other("the power is off"));
        }
        let part = Part::of(name);
        self.copying |= part == Part::Main && self.phase == Phase::Step;
        let hit = Hit { phase: if self.copying { Phase::Checkpoint } else { self.phase }, part };
        self.operations.add(hit, 1);
        if let Some(Fatal { left, .. }) = self.fatal.as_mut().filter(|fatal| fatal.on.is_none_or(|on| on == part)) {
            if *left == 0 {
                (self.off, self.fatal, self.hit) = (true, None, Some(hit));
                return Err(Error::other("the power went"));
            }
            *left -= 1;
        }
        if self.read_only { Err(Error::from(ErrorKind::PermissionDenied)) } else { Ok(()) }
    }

    fn write(&mut self, name: &str, write: Write) -> Result<()> {
        let was_off = self.off;
        if let Err(error) = self.step(name) {
            if self.off && !was_off {
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
        self.step(name)?;
        self.copying &= Part::of(name) != Part::Main;
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

    fn delete(&mut self, name: &str) -> Result<()> {
        let was_off = self.off;
        if let Err(error) = self.step(name) {
            if self.off && !was_off {
                self.open.push((name.to_owned(), Write::Gone));
            }
            return Err(error);
        }
        if !self.now.contains_key(name) {
            return Err(Error::from(ErrorKind::NotFound));
        }
        Write::Gone.apply(&mut self.now, name);
        // The store has the folder written out after a deletion (synchronous=EXTRA), which this interface does not pass on.
        self.open.retain(|(n, _)| n != name);
        if self.lying || !self.claimed.is_empty() {
            self.claimed.push((name.to_owned(), Write::Gone));
        } else {
            Write::Gone.apply(&mut self.safe, name);
        }
        Ok(())
    }
}
