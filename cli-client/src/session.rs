//! One command's hold on the world: the environment, the open book, and the unit that lengths are shown in.

use std::path::{Path, PathBuf};

use serde::Serialize;
use serde::de::DeserializeOwned;
use shared::entry::{self, EntryError, Pair, Read, Span, notes_words};
use shared::ids::{DocId, PersonId, RecordId};
use shared::leaf::LeafSet;
use shared::length::{Length, LengthUnit};
use shared::sensible::Sensible;
use sync_core::book::Book;
use sync_core::engine::BookError;
use sync_core::store::{LEAVES, MetaKey, StoreError, UNIT};

use crate::args::Global;
use crate::copied::Copied;
use crate::environment::Environment;
use crate::exit::Failure;

/// An open book and everything around it.
#[derive(Debug)]
pub(crate) struct Session<'s, 'e> {
    pub(crate) env: &'s mut Environment<'e>,
    pub(crate) global: Global,
    pub(crate) book: Book,
    pub(crate) unit: LengthUnit,
    /// What was taken for inches and is not yet said.
    inches: Vec<String>,
    /// The copy that is open where the book's own disk cannot be written.
    copied: Option<Copied>,
}

impl<'s, 'e> Session<'s, 'e> {
    /// Opens the book. A file that is not there is made only where `found` allows it: looking at a book that does not
    /// exist must not leave an empty one behind.
    pub(crate) fn open(global: Global, found: bool, env: &'s mut Environment<'e>) -> Result<Self, Failure> {
        let path = book_path(&global, env)?;
        if found {
            make_folder(&path)?;
        } else if !path.exists() {
            return Err(Failure::NoBook(path));
        }
        let (book, copied) = match Book::open(&path, &mut *env.entropy) {
            Err(BookError::Store(StoreError::Unwritable(_))) if path.exists() => {
                let copied = Copied::of(&path)?;
                (Book::open_to_look(&copied.book, &mut *env.entropy)?, Some(copied))
            }
            opened => (opened?, None),
        };
        let unit = unit_of(&global, env, &book)?;
        Ok(Self { env, global, book, unit, inches: Vec::new(), copied })
    }

    /// That nothing can be kept, where the book's disk cannot be written.
    pub(crate) fn looks_only(&self) -> Option<&'static str> {
        let words = "The book's disk cannot be written: this was read from a copy of it, and nothing can be kept here until it can.";
        self.copied.is_some().then_some(words)
    }

    /// A length of one kind, as it was typed; a bare number is in the session's unit or, as `shared::entry` says, in inches.
    pub(crate) fn length(&mut self, text: &str, of: &Sensible<Length>) -> Result<Length, Failure> {
        let read = entry::length(text, self.unit, of);
        self.take_in(read, Read::note).map(|read| read.length)
    }

    /// One leaf, as it was typed.
    pub(crate) fn leaf(&mut self, text: &str) -> Result<Length, Failure> {
        let read = entry::leaf(text, self.unit);
        self.take_in(read, Read::note).map(|read| read.length)
    }

    /// The two leaves of a reading, as they were typed.
    pub(crate) fn pair(&mut self, read: Result<Pair, EntryError>) -> Result<Pair, Failure> {
        self.take_in(read, |pair| pair.notes.clone())
    }

    /// A clearance range, as it was typed.
    pub(crate) fn span(&mut self, text: &str) -> Result<Span, Failure> {
        let read = entry::span(text, self.unit);
        self.take_in(read, |span| span.notes.clone())
    }

    /// What was taken for inches, to be said once; nothing where nothing was.
    pub(crate) fn inches_words(&mut self) -> Option<String> {
        notes_words(&std::mem::take(&mut self.inches))
    }

    /// Notes what was taken for inches.
    pub(crate) fn note_inches(&mut self, notes: impl IntoIterator<Item = String>) {
        self.inches.extend(notes);
    }

    fn take_in<T, N: IntoIterator<Item = String>>(&mut self, read: Result<T, EntryError>, notes: impl Fn(&T) -> N) -> Result<T, Failure> {
        let read = read.map_err(|error| Failure::Given(error.to_string()))?;
        self.note_inches(notes(&read));
        Ok(read)
    }

    /// A value that the terminal keeps in the book for itself.
    pub(crate) fn kept<T: DeserializeOwned>(&self, key: &MetaKey<T>) -> Result<Option<T>, Failure> {
        Ok(self.book.store().meta(key).map_err(BookError::from)?)
    }

    /// Keeps such a value.
    pub(crate) fn keep<T: Serialize>(&self, key: &MetaKey<T>, value: &T) -> Result<(), Failure> {
        Ok(self.book.store().set_meta(key, value).map_err(BookError::from)?)
    }

    /// The unit to go by from now on.
    pub(crate) fn keep_unit(&mut self, unit: LengthUnit) -> Result<(), Failure> {
        self.keep(&UNIT, &unit)?;
        self.unit = unit;
        Ok(())
    }

    /// The person's own leaves; a plain set of the unit where none were entered.
    pub(crate) fn leaves(&self) -> Result<LeafSet, Failure> {
        let plain = match self.unit {
            LengthUnit::Thou | LengthUnit::Inch => LeafSet::inch(),
            LengthUnit::Mm => LeafSet::metric(),
        };
        Ok(self.own_leaves()?.unwrap_or(plain))
    }

    /// The leaves that the person entered.
    pub(crate) fn own_leaves(&self) -> Result<Option<LeafSet>, Failure> {
        self.kept(&LEAVES)
    }

    /// Keeps the person's leaves.
    pub(crate) fn keep_leaves(&self, set: &LeafSet) -> Result<(), Failure> {
        self.keep(&LEAVES, set)
    }

    /// A time as the shop's clock shows it.
    pub(crate) fn local(&self, ms: i64) -> Result<String, Failure> {
        Ok(self.book.roster()?.local(ms))
    }

    /// A machine by what people call it.
    pub(crate) fn machine(&self, given: &str) -> Result<DocId, Failure> {
        self.book.identity()?;
        Ok(self.book.finder().find_machine(given)?)
    }

    /// Who measured, where the office writes a paper sheet down.
    pub(crate) fn measurer(&self, given: Option<&str>) -> Result<Option<PersonId>, Failure> {
        Ok(given.map(|name| self.book.finder().find_person(name)).transpose()?)
    }

    /// The open visit that a step belongs to: of the one who measured, else of the book's own person.
    pub(crate) fn open_visit(&self, machine: DocId, measured_by: Option<PersonId>) -> Result<Option<RecordId>, Failure> {
        let person = measured_by.unwrap_or(self.book.identity()?.person);
        let row = self.book.store().machine_rows().machine(machine).map_err(BookError::from)?;
        Ok(row.and_then(|row| row.state.open_visits().find(|v| v.by == person).map(|v| v.visit)))
    }
}

/// The book file: named, by variable, or at its usual place.
pub(crate) fn book_path(global: &Global, env: &Environment<'_>) -> Result<PathBuf, Failure> {
    let named = global.book.clone().or_else(|| env.variables.book.clone());
    named.or_else(|| env.data_dir.as_ref().map(|dir| dir.join("book.db"))).ok_or(Failure::NoHome)
}

/// Makes the folder of a book, open to its owner alone: the book holds the device's keys.
fn make_folder(book: &Path) -> Result<(), Failure> {
    let Some(folder) = book.parent().filter(|folder| !folder.as_os_str().is_empty() && !folder.exists()) else { return Ok(()) };
    let mut builder = std::fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::DirBuilderExt;
        builder.mode(0o700);
    }
    builder.create(folder).map_err(|why| Failure::File { path: folder.to_owned(), why: why.to_string() })
}

fn unit_of(global: &Global, env: &Environment<'_>, book: &Book) -> Result<LengthUnit, Failure> {
    if let Some(unit) = global.unit {
        return Ok(unit);
    }
    if let Some(given) = &env.variables.unit {
        let wrong = |_| Failure::Given(format!("TAPPET_UNIT is \"{given}\", and lengths are shown in thou, in or mm"));
        return given.parse().map_err(wrong);
    }
    Ok(book.store().meta(&UNIT).map_err(BookError::from)?.unwrap_or_default())
}
