//! From text to what the kit takes, and from what the kit gives to text.

use std::str::FromStr;

use serde::Serialize;
use serde::de::DeserializeOwned;
use tappet_kit::KitError;

/// Reads an id, a valve, a slot; `what` names it in the sentence.
pub(crate) fn given<T: FromStr>(text: &str, what: &str) -> Result<T, KitError> {
    text.trim().parse().map_err(|_| KitError::Given(format!("this is no {what}: \"{text}\"")))
}

/// Reads JSON text; `what` names it in the sentence.
pub(crate) fn given_json<T: DeserializeOwned>(text: &str, what: &str) -> Result<T, KitError> {
    serde_json::from_str(text).map_err(|e| KitError::Given(format!("this is no {what}: {e}")))
}

/// A view as JSON text.
pub(crate) fn json<T: Serialize>(view: &T) -> Result<String, KitError> {
    serde_json::to_string(view).map_err(|e| KitError::Given(format!("this view cannot be written as JSON: {e}")))
}
