//! The store by its tables: each type reads and writes the rows of one concern, over the one connection.

use super::Store;

/// Who signs in: codes, desks, sessions, contacts.
#[derive(Debug, Clone, Copy)]
pub struct Logins<'a> {
    pub(super) store: &'a Store,
}

/// Which documents are open to whom, since where in the log.
#[derive(Debug, Clone, Copy)]
pub struct Grants<'a> {
    pub(super) store: &'a Store,
}

/// The log of changes, in segments, and what is indexed of it.
#[derive(Debug, Clone, Copy)]
pub struct Log<'a> {
    pub(super) store: &'a Store,
}

/// Which changes of this device the shop has not got.
#[derive(Debug, Clone, Copy)]
pub struct Outbox<'a> {
    pub(super) store: &'a Store,
}

/// Single records, and the ledgers that they make.
#[derive(Debug, Clone, Copy)]
pub struct Records<'a> {
    pub(super) store: &'a Store,
}

/// One row for each machine: what screens read first.
#[derive(Debug, Clone, Copy)]
pub struct MachineRows<'a> {
    pub(super) store: &'a Store,
}

/// Standings and slots, as they were derived last.
#[derive(Debug, Clone, Copy)]
pub struct Projections<'a> {
    pub(super) store: &'a Store,
}

/// One row for each document: its place, its heads, what it lacks.
#[derive(Debug, Clone, Copy)]
pub struct Documents<'a> {
    pub(super) store: &'a Store,
}

/// What was refused and waits for the office.
#[derive(Debug, Clone, Copy)]
pub struct Quarantine<'a> {
    pub(super) store: &'a Store,
}

/// The room that the file takes.
#[derive(Debug, Clone, Copy)]
pub struct Compaction<'a> {
    pub(super) store: &'a Store,
}

impl Store {
    /// Who signs in.
    #[must_use]
    pub const fn logins(&self) -> Logins<'_> {
        Logins { store: self }
    }

    /// Which documents are open to whom.
    #[must_use]
    pub const fn grants(&self) -> Grants<'_> {
        Grants { store: self }
    }

    /// The log of changes.
    #[must_use]
    pub const fn log(&self) -> Log<'_> {
        Log { store: self }
    }

    /// Which changes the shop has not got.
    #[must_use]
    pub const fn outbox(&self) -> Outbox<'_> {
        Outbox { store: self }
    }

    /// Single records, and ledgers.
    #[must_use]
    pub const fn records(&self) -> Records<'_> {
        Records { store: self }
    }

    /// One row for each machine.
    #[must_use]
    pub const fn machine_rows(&self) -> MachineRows<'_> {
        MachineRows { store: self }
    }

    /// Standings and slots.
    #[must_use]
    pub const fn projections(&self) -> Projections<'_> {
        Projections { store: self }
    }

    /// One row for each document.
    #[must_use]
    pub const fn documents(&self) -> Documents<'_> {
        Documents { store: self }
    }

    /// What was refused and waits.
    #[must_use]
    pub const fn quarantine(&self) -> Quarantine<'_> {
        Quarantine { store: self }
    }

    /// The room that the file takes.
    #[must_use]
    pub const fn compaction(&self) -> Compaction<'_> {
        Compaction { store: self }
    }
}
