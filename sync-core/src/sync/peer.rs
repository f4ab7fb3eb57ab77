//! A book as one side of an exchange: what it has to hand over, and what it takes.

use crate::book::Book;

/// One side of an exchange, as it takes what came: a request, an answer, a bundle, a decision on what waits.
#[derive(Debug)]
pub struct Peer<'a> {
    pub(crate) book: &'a mut Book,
}

/// What a book has to hand over: to the shop, or to another device. Reading it changes nothing.
#[derive(Debug, Clone, Copy)]
pub struct Outgoing<'a> {
    pub(crate) book: &'a Book,
}

impl Book {
    /// What this book has to hand over.
    #[must_use]
    pub const fn outgoing(&self) -> Outgoing<'_> {
        Outgoing { book: self }
    }

    /// This book as one side of an exchange.
    #[must_use]
    pub const fn peer(&mut self) -> Peer<'_> {
        Peer { book: self }
    }
}
