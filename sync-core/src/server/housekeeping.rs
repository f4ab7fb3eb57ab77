//! What a shop's server does for the book when nobody waits.

use super::SqliteShop;
use crate::engine::BookError;
use crate::sys::moment::Moment;

/// Housekeeping of a shop.
#[expect(clippy::missing_errors_doc, reason = "each fails as the function of Book that it stands for")]
pub trait Housekeeping {
    /// Tidies the log of documents, up to a count of them; gives how many were tidied.
    fn tidy(&self, most: usize) -> Result<usize, BookError>;
    /// That the book can keep something now: where nothing was kept lately, by keeping something.
    fn ready(&self, now: &Moment) -> Result<(), BookError>;
    /// Does what storing has left to be done after an exchange.
    fn shorten_log(&self) -> Result<(), BookError>;
}

impl Housekeeping for SqliteShop {
    fn tidy(&self, most: usize) -> Result<usize, BookError> {
        self.lock().0.tidy(most)
    }

    fn ready(&self, now: &Moment) -> Result<(), BookError> {
        self.lock().0.ready(now)
    }

    fn shorten_log(&self) -> Result<(), BookError> {
        self.lock().0.shorten_log()
    }
}
