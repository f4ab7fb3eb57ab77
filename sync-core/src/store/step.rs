//! A step: what is kept whole or not at all. Every transaction begins and ends here, and nowhere else does one commit.

use super::{Store, StoreError};

/// A large step writes thousands of pages, and copying them right away would be waited for, too.
pub(super) const AFTER_LARGE_STEPS: u32 = 4096;
/// Where [`Store::checkpoint_wal`] follows each step when nobody waits: only if it does not come by.
const AT_THE_VERY_MOST: u32 = 4 * AFTER_LARGE_STEPS;
/// Small steps are waited for one by one. Over a log that was copied the next pages are written in place, and a file that need not
/// grow is on the disk sooner.
const AFTER_SMALL_STEPS: u32 = 1024;

impl Store {
    /// Runs a step in one transaction: all of it is kept, or nothing. Inside another one, the step belongs to that.
    ///
    /// # Errors
    /// The step's own error, or [`StoreError`] where SQLite cannot commit.
    pub fn atomically<T, E: From<StoreError>>(&self, step: impl FnOnce(&Self) -> Result<T, E>) -> Result<T, E> {
        self.in_one(AFTER_LARGE_STEPS, step)
    }

    /// As [`Store::atomically`], for a few records: somebody waits for each such step.
    ///
    /// # Errors
    /// As [`Store::atomically`].
    pub(crate) fn in_small_step<T, E: From<StoreError>>(&self, step: impl FnOnce(&Self) -> Result<T, E>) -> Result<T, E> {
        self.in_one(AFTER_SMALL_STEPS, step)
    }

    /// As [`Store::atomically`], where [`Store::checkpoint_wal`] follows once nobody waits.
    ///
    /// # Errors
    /// As [`Store::atomically`].
    pub(crate) fn in_step_tidied_after<T, E: From<StoreError>>(&self, step: impl FnOnce(&Self) -> Result<T, E>) -> Result<T, E> {
        self.in_one(AT_THE_VERY_MOST, step)
    }

    fn in_one<T, E: From<StoreError>>(&self, longest_log: u32, step: impl FnOnce(&Self) -> Result<T, E>) -> Result<T, E> {
        if self.is_in_step() {
            return step(self);
        }
        self.hold_log_to(longest_log)?;
        self.begin()?;
        let _undo = Undo(self);
        let result = step(self);
        self.finish(result)
    }

    pub(super) fn hold_log_to(&self, pages: u32) -> Result<(), StoreError> {
        if self.longest_log.get() != pages {
            self.connection.pragma_update(None, "wal_autocheckpoint", pages)?;
            self.longest_log.set(pages);
        }
        Ok(())
    }

    /// Whether a transaction is open: what is done now belongs to it.
    pub(crate) fn is_in_step(&self) -> bool {
        !self.connection.is_autocommit()
    }

    /// Undoes a transaction that a panic left open. Joined by the next step, it would never be committed.
    pub(crate) fn undo_left_open(&self) {
        self.forget_cached();
        drop(Undo(self));
    }

    /// Begins a transaction that [`Store::finish`] ends.
    pub(crate) fn begin(&self) -> Result<(), StoreError> {
        self.run_often("BEGIN IMMEDIATE")
    }

    /// Commits where the result is good and undoes where it is not.
    pub(crate) fn finish<T, E: From<StoreError>>(&self, result: Result<T, E>) -> Result<T, E> {
        let result = result.and_then(|value| self.run_often("COMMIT").map(|()| value).map_err(E::from));
        if result.is_err() {
            // A full disk makes SQLite undo by itself: what was looked up may be gone with that, too.
            self.forget_cached();
            // The first error is the one to tell; a rollback that fails leaves the transaction to be undone on open.
            drop(Undo(self));
        }
        result
    }

    pub(super) fn run(&self, sql: &str) -> Result<(), StoreError> {
        self.connection.execute_batch(sql).map_err(StoreError::from)
    }

    fn run_often(&self, sql: &str) -> Result<(), StoreError> {
        self.connection.prepare_cached(sql)?.execute([])?;
        Ok(())
    }
}

/// Undoes, when dropped, whatever transaction is still open then.
struct Undo<'a>(&'a Store);

impl Drop for Undo<'_> {
    fn drop(&mut self) {
        if self.0.is_in_step() {
            self.0.forget_cached();
            // Nothing can be done about a rollback that fails; the transaction is undone when the file is next opened.
            let _ = self.0.connection.execute_batch("ROLLBACK");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::MetaKey;

    /// How many pages the log of a book gets when it is written to in steps of some 25.
    fn log_after(steps: u32, step: impl Fn(&Store, &str) -> Result<(), StoreError>) -> u64 {
        let folder = tempfile::tempdir().unwrap();
        let place = folder.path().join("book.db");
        let store = Store::open(&place).unwrap();
        for n in 0..steps {
            step(&store, &n.to_string().repeat(50_000)).unwrap();
        }
        std::fs::metadata(place.with_extension("db-wal")).unwrap().len() / (4096 + 24)
    }

    #[test]
    fn the_log_of_small_steps_is_written_over_and_that_of_large_ones_grows() {
        let small = log_after(80, |store, much| store.in_small_step(|store| store.set_meta(&MetaKey::new("much"), &much)));
        let large = log_after(80, |store, much| store.atomically(|store| store.set_meta(&MetaKey::new("much"), &much)));
        assert!(small < 1_100, "{small} pages");
        assert!(large > 1_500, "{large} pages");
    }

    #[test]
    fn a_log_that_is_shortened_after_each_step_does_not_grow_on() {
        let step = |store: &Store, much: &str| store.in_step_tidied_after(|store| store.set_meta(&MetaKey::new("much"), &much));
        let left = log_after(220, step);
        let shortened = log_after(220, |store, much| step(store, much).and_then(|()| store.compaction().checkpoint_wal()));
        assert!(left > 4_500, "{left} pages");
        assert!(shortened < 4_200, "{shortened} pages");
    }
}
