//! The readers of a book, each for one kind of question: nothing that they have can write.
//!
//! They are as cheap as the reference that they hold; a caller takes one where it asks.

use shared::ids::PersonId;

use crate::book::Book;

/// Reads the shop as a whole: its roster, its cards, what is due, what is contested, what waits in quarantine.
#[derive(Debug, Clone, Copy)]
pub struct Reader<'a> {
    pub(crate) book: &'a Book,
}

/// Reads days: the day sheet, and the days that were closed.
#[derive(Debug, Clone, Copy)]
pub struct DayReader<'a> {
    pub(crate) book: &'a Book,
}

/// Finds what somebody names: by id, by the end of one, by tag or by name.
#[derive(Debug, Clone, Copy)]
pub struct Finder<'a> {
    pub(crate) book: &'a Book,
}

/// Reads one machine: its screens, its history, its service records.
#[derive(Debug, Clone, Copy)]
pub struct MachineReader<'a> {
    pub(crate) book: &'a Book,
}

/// Reads what is open to one person, and nothing else.
#[derive(Debug, Clone, Copy)]
pub struct PersonReader<'a> {
    pub(crate) book: &'a Book,
    pub(crate) person: PersonId,
}

/// Answers the questions of arithmetic about what is in the book.
#[derive(Debug, Clone, Copy)]
pub struct Reckoner<'a> {
    pub(crate) book: &'a Book,
}

impl Book {
    /// Reads the shop as a whole.
    #[must_use]
    pub const fn reader(&self) -> Reader<'_> {
        Reader { book: self }
    }

    /// Reads days.
    #[must_use]
    pub const fn days(&self) -> DayReader<'_> {
        DayReader { book: self }
    }

    /// Finds what somebody names.
    #[must_use]
    pub const fn finder(&self) -> Finder<'_> {
        Finder { book: self }
    }

    /// Reads one machine.
    #[must_use]
    pub const fn machines(&self) -> MachineReader<'_> {
        MachineReader { book: self }
    }

    /// Reads what is open to one person.
    #[must_use]
    pub const fn read_by(&self, person: PersonId) -> PersonReader<'_> {
        PersonReader { book: self, person }
    }

    /// Answers the questions of arithmetic.
    #[must_use]
    pub const fn reckoner(&self) -> Reckoner<'_> {
        Reckoner { book: self }
    }
}
