//! Everything that can go wrong, each with a code that stays and a sentence for people.

use shared::problem::Problem;
use sync_core::engine::BookError;
use sync_core::store::StoreError;
use sync_core::sync::BodyError;

/// Why a step was not done. Decide by [`KitError::code`]; show [`KitError::sentence`].
#[derive(Debug, thiserror::Error)]
pub enum KitError {
    /// The book.
    #[error(transparent)]
    Book(#[from] BookError),
    /// The shop refused; the code is the shop's own.
    #[error("{}", .0.detail)]
    Refused(Box<Problem>),
    /// The shop's server is there and does not work now.
    #[error("the shop's server cannot be used now: {0}; nothing is lost, try again later")]
    ShopAway(String),
    /// The answer is none.
    #[error("the answer cannot be used: {0}; nothing was taken from it")]
    Answer(String),
    /// A message cannot be written or read.
    #[error(transparent)]
    Body(#[from] BodyError),
    /// There is no token, or it holds no more.
    #[error("this device is not logged in at the shop; log in, and try again")]
    LogInFirst,
    /// What was handed in is not of the agreed form.
    #[error("{0}; nothing was kept")]
    Given(String),
}

impl KitError {
    /// The code: stays the same when sentences are bettered or translated.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::Refused(problem) => problem.code.name(),
            Self::ShopAway(_) => "shop-away",
            Self::Answer(_) | Self::Body(_) => "answer-unreadable",
            Self::LogInFirst => "log-in-first",
            Self::Given(_) => "given-unreadable",
            Self::Book(error) => error.code().name(),
        }
    }

    /// Whether the book's file is damaged, or is no book: what the shop has not got is then saved by [`crate::salvage`].
    #[must_use]
    pub fn is_damage(&self) -> bool {
        matches!(self, Self::Book(BookError::Store(StoreError::NotABook(_) | StoreError::Damaged(_))))
    }

    /// What was wrong, what was kept, what to do next.
    #[must_use]
    pub fn sentence(&self) -> String {
        sentence(&self.to_string())
    }

    /// The shop's time, where it was told because this device's clock is off; ms since 1970 UTC.
    #[must_use]
    pub fn shop_time_ms(&self) -> Option<i64> {
        match self {
            Self::Refused(problem) => problem.shop_time_ms,
            _ => None,
        }
    }
}

impl From<StoreError> for KitError {
    fn from(error: StoreError) -> Self {
        Self::Book(error.into())
    }
}

/// A text of the core as a sentence of its own.
pub(crate) fn sentence(said: &str) -> String {
    let mut letters = said.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
    let end = if said.ends_with(['.', '?', '!']) { "" } else { "." };
    format!("{first}{}{end}", letters.as_str())
}
