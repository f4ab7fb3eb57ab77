//! Who writes in a book, and who is told before writing: the two faces of the verbs.

use crate::book::Book;

/// The only writer of the trade's verbs: each keeps all of its records, or none.
#[derive(Debug)]
pub struct Author<'a> {
    pub(crate) book: &'a mut Book,
}

/// Says what a hand is to know before it acts: the guide's next step, the leaf to try, whether "cold" still counts.
#[derive(Debug, Clone, Copy)]
pub struct Advisor<'a> {
    pub(crate) book: &'a Book,
}

impl Book {
    /// Writes by the trade's verbs.
    #[must_use]
    pub const fn author(&mut self) -> Author<'_> {
        Author { book: self }
    }

    /// Says what a hand is to know before it acts.
    #[must_use]
    pub const fn advisor(&self) -> Advisor<'_> {
        Advisor { book: self }
    }
}
