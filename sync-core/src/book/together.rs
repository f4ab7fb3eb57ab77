//! Several steps as one: all of them are kept, or none.

use std::sync::Arc;

use crate::book::{Book, keystore};
use crate::engine::BookError;
use crate::judge::roster::Roster;
use crate::store::Identity;

/// A step that was begun: what the book comes back to where it is not kept.
#[derive(Debug)]
#[must_use = "a step that is not ended keeps nothing"]
pub struct Begun(Option<(Option<Identity>, Option<Arc<Roster>>)>);

impl Book {
    /// Begins a step that [`Book::end_step`] ends. What is written in between is kept with its end, or not at all. One that is begun within
    /// another is part of that one.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn begin_step(&mut self) -> Result<Begun, BookError> {
        if self.store.is_in_step() {
            return Ok(Begun(None));
        }
        let before = (self.identity.clone(), self.roster.clone());
        self.store.begin()?;
        Ok(Begun(Some(before)))
    }

    /// Ends it: keeps what was written where the result is good, and undoes it where it is not.
    ///
    /// # Errors
    /// The result's own; [`BookError`] where what was good cannot be kept.
    pub fn end_step<T, E: From<BookError>>(&mut self, begun: Begun, result: Result<T, E>) -> Result<T, E> {
        let Begun(Some(before)) = begun else { return result };
        // A commit that fails is an error of the store, whatever the steps' own errors are.
        let result = match result {
            Ok(value) => self.store.finish(Ok::<T, BookError>(value)).map_err(E::from),
            Err(error) => {
                let undone: Result<T, BookError> = self.store.finish(Err(BookError::Defect(String::new())));
                drop(undone);
                Err(error)
            }
        };
        if result.is_err() {
            (self.identity, self.roster) = before;
        }
        result
    }

    /// Runs several steps as one.
    pub(crate) fn as_one<T, E: From<BookError>>(&mut self, steps: impl FnOnce(&mut Self) -> Result<T, E>) -> Result<T, E> {
        let begun = self.begin_step()?;
        let result = steps(self);
        self.end_step(begun, result)
    }

    /// Comes back to what is kept, after a panic in the middle of a step.
    pub(crate) fn recover(&mut self) -> Result<(), BookError> {
        self.store.undo_left_open();
        self.sit_down(None);
        self.identity = keystore::identity_of(&self.store)?;
        self.reload_roster()
    }
}
