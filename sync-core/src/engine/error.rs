//! What the book cannot do: one error for every step of it, with one code on every surface.

use shared::problem::Code;
use shared::record::RecordError;

use crate::change::replica::ReplicaError;
use crate::crypto::envelope::EnvelopeError;
use crate::crypto::keys::KeysSealed;
use crate::store::StoreError;

/// What the book cannot do, in a sentence.
#[derive(Debug, thiserror::Error)]
pub enum BookError {
    /// The book belongs to no shop yet.
    #[error("this device is not enrolled in a shop yet; nothing was kept. Ask the office for a one-time code and enrol")]
    NotEnrolled,
    /// The book belongs to a shop already.
    #[error("this device is enrolled already; nothing was changed. Another enrolment needs another book file")]
    Enrolled,
    /// The private keys are sealed, and this opening has no key for them.
    #[error(
        "the private keys of this book are sealed, and it was opened without their key; nothing was changed. Open it with the key that it was sealed with, or without keys, for reading and for saving what is not at the shop"
    )]
    Sealed,
    /// The key that was handed in is not the one that the private keys are sealed with, or they are damaged.
    #[error(
        "this key does not open the private keys of the book: it is another one, or they are damaged; nothing was changed. Hand in the key that they were sealed with. If it is lost, open the book without keys, save what is not at the shop, and enrol anew in another book"
    )]
    KeyWrong,
    /// The person's role does not allow it.
    #[error("not kept: {0}")]
    Denied(String),
    /// The record's content cannot be.
    #[error("not kept: {0}")]
    Record(#[from] RecordError),
    /// What was named is not in the book.
    #[error("{0}; nothing was kept")]
    Unknown(String),
    /// The book says something else than it did when this was decided on.
    #[error("{0}; nothing was kept. Look again, and decide again")]
    Moved(String),
    /// What was entered cannot be.
    #[error("{0} Nothing was kept")]
    Entry(String),
    /// The arithmetic has no answer to what was asked.
    #[error("{0}")]
    Reckoning(String),
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A message of the exchange cannot be taken.
    #[error("{0}")]
    Message(String),
    /// An answer that comes late, to a request older than the last answer taken.
    #[error("this answer is to an older request; nothing was taken from it, and nothing is missing. Exchange again")]
    LateAnswer,
    /// A change that this program made does not hold together. A defect of this program.
    #[error("this program made a change that does not hold together ({0}); nothing of it was kept. Please report it")]
    Defect(String),
}

impl BookError {
    /// The code, the same on every surface: terminal, server and kits.
    #[must_use]
    pub const fn code(&self) -> Code {
        match self {
            Self::NotEnrolled => Code::NotEnrolled,
            Self::Enrolled => Code::EnrolledAlready,
            Self::Sealed => Code::BookSealed,
            Self::KeyWrong => Code::KeyWrong,
            Self::Denied(_) => Code::RoleMayNot,
            Self::Record(_) => Code::BodyInvalid,
            Self::Unknown(_) => Code::NotFound,
            Self::Moved(_) => Code::Moved,
            Self::Entry(_) => Code::EntryInvalid,
            Self::Reckoning(_) => Code::NoAnswer,
            Self::Message(_) => Code::Unreadable,
            Self::LateAnswer => Code::LateAnswer,
            Self::Defect(_) => Code::Defect,
            Self::Store(StoreError::InUse) => Code::BookInUse,
            Self::Store(StoreError::NotABook(_)) => Code::NotABook,
            Self::Store(StoreError::TooNew) => Code::BookTooNew,
            Self::Store(StoreError::Full) => Code::DiskFull,
            Self::Store(StoreError::Unwritable(_)) => Code::BookUnwritable,
            Self::Store(StoreError::Damaged(_)) => Code::BookDamaged,
            Self::Store(StoreError::Sqlite(_)) => Code::BookFailed,
        }
    }
}

impl From<KeysSealed> for BookError {
    fn from(KeysSealed: KeysSealed) -> Self {
        Self::Sealed
    }
}

impl From<EnvelopeError> for BookError {
    fn from(error: EnvelopeError) -> Self {
        match error {
            EnvelopeError::Payload(record) => Self::Record(record),
            other => Self::Defect(other.to_string()),
        }
    }
}

impl From<ReplicaError> for BookError {
    fn from(error: ReplicaError) -> Self {
        Self::Defect(error.to_string())
    }
}
