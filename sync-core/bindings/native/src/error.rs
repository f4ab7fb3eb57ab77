//! What every step can fail with, as another language sees it.

use tappet_kit::KitError;

/// Why a step was not done. Nothing of it was kept; what was kept before, is.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, uniffi::Error)]
pub enum TappetError {
    /// The step was not done.
    #[error("{sentence}")]
    NotDone {
        /// Stays the same when sentences are bettered or translated: decide by it. The list is `KitError::code`'s and, where the
        /// shop refused, the server's.
        code: String,
        /// What was wrong, what was kept, what to do next: show it.
        sentence: String,
        /// The shop's time, where it was told because this device's clock is off.
        shop_time_ms: Option<i64>,
    },
}

impl From<KitError> for TappetError {
    fn from(error: KitError) -> Self {
        Self::NotDone { code: error.code().to_owned(), sentence: error.sentence(), shop_time_ms: error.shop_time_ms() }
    }
}

/// A watcher that failed. Whatever the step had kept stays kept.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, uniffi::Error)]
pub enum WatchError {
    /// It says why.
    #[error("the watcher failed: {why}")]
    Failed {
        /// Why.
        why: String,
    },
}

impl From<uniffi::UnexpectedUniFFICallbackError> for WatchError {
    fn from(error: uniffi::UnexpectedUniFFICallbackError) -> Self {
        Self::Failed { why: error.reason }
    }
}
