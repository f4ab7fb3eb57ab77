//! Which operation the power went at: what the program was doing, and which file it was on.

use std::collections::BTreeMap;
use std::fmt;

/// What a program is doing with its book.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub enum Phase {
    /// Opening it, with whatever has to be made good.
    Opening,
    /// A step.
    #[default]
    Step,
    /// Copying the log into the book's file in a step: from the first operation on that file until it is written out.
    Checkpoint,
    /// Closing it, where the log is copied into the file and goes.
    Closing,
}

/// Which file of a book.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Part {
    /// The file itself.
    Main,
    /// The write-ahead log (WAL).
    Log,
    /// The log's index in shared memory. A book is open in one program alone, so SQLite keeps the index in that program's memory:
    /// this file is never there, and the counts say so.
    Index,
    /// The journal of a file that has no log yet.
    Journal,
    /// Any other.
    Other,
}

/// An operation, by what the program was doing and the file it was on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Hit {
    /// What the program was doing.
    pub phase: Phase,
    /// The file.
    pub part: Part,
}

/// How many operations, or power cuts at them, by phase and file.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Hits(BTreeMap<Hit, u64>);

impl Part {
    pub(super) fn of(name: &str) -> Self {
        match name.strip_prefix("book.db") {
            Some("") => Self::Main,
            Some("-wal") => Self::Log,
            Some("-shm") => Self::Index,
            Some("-journal") => Self::Journal,
            _ => Self::Other,
        }
    }
}

impl Hits {
    /// Counts more.
    pub fn add(&mut self, hit: Hit, more: u64) {
        *self.0.entry(hit).or_default() += more;
    }

    /// Counts what another has counted.
    pub fn add_all(&mut self, other: &Self) {
        other.0.iter().for_each(|(hit, more)| self.add(*hit, *more));
    }

    /// How many of one phase on one file.
    #[must_use]
    pub fn of(&self, phase: Phase, part: Part) -> u64 {
        self.0.get(&Hit { phase, part }).copied().unwrap_or(0)
    }

    /// How many on one file.
    #[must_use]
    pub fn on(&self, part: Part) -> u64 {
        self.0.iter().filter(|(hit, _)| hit.part == part).map(|(_, count)| count).sum()
    }

    /// How many in all.
    #[must_use]
    pub fn all(&self) -> u64 {
        self.0.values().sum()
    }
}

impl fmt::Display for Hits {
    /// As in "step: WAL 12; closing: main 3, WAL 1; shm 0".
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for phase in [Phase::Opening, Phase::Step, Phase::Checkpoint, Phase::Closing] {
            let parts: Vec<String> =
                self.0.iter().filter(|(hit, _)| hit.phase == phase).map(|(hit, count)| format!("{} {count}", hit.part)).collect();
            write!(f, "{phase}: {}; ", if parts.is_empty() { "none".to_owned() } else { parts.join(", ") })?;
        }
        write!(f, "{} {}", Part::Index, self.on(Part::Index))
    }
}

impl fmt::Display for Phase {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Opening => "opening",
            Self::Step => "step",
            Self::Checkpoint => "checkpoint",
            Self::Closing => "closing",
        })
    }
}

impl fmt::Display for Part {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Main => "main",
            Self::Log => "WAL",
            Self::Index => "shm",
            Self::Journal => "journal",
            Self::Other => "other",
        })
    }
}
