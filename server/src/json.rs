//! JSON as the server answers it: the same strings, with every character that misleads escaped (`shared/src/text.rs`).
//!
//! A program reads what it always read; somebody who looks at an answer as it comes, in a terminal or a log, is not misled.

use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use shared::text::visible_in_json;

use crate::problem_response::ApiError;

/// An answer in JSON.
#[derive(Debug)]
pub(crate) struct Json<T>(pub(crate) T);

impl<T: Serialize> IntoResponse for Json<T> {
    fn into_response(self) -> Response {
        match serde_json::to_string(&self.0) {
            Ok(text) => {
                let kind = HeaderValue::from_static("application/json");
                ([(header::CONTENT_TYPE, kind)], visible_in_json(&text).into_owned()).into_response()
            }
            Err(error) => {
                tracing::error!(%error, "an answer has no JSON");
                ApiError::broke("The answer could not be written. Nothing was changed.").into_response()
            }
        }
    }
}
