//! What a page's address says: the id in its path, the question at its end. What cannot be read is told as a page.

use std::str::FromStr;

use axum::extract::{FromRequestParts, Path, Query as RawQuery};
use axum::http::request::Parts;
use serde::Deserialize;
use serde::de::DeserializeOwned;

use super::error_page::ErrorPage;
use crate::problem_response::ApiError;

/// The id in a path; what is none names nothing.
#[derive(Debug)]
pub(super) struct Named<T>(pub(super) T);

/// The question at the end of an address.
#[derive(Debug)]
pub(super) struct Query<T>(pub(super) T);

/// From which line on a list is shown.
#[derive(Debug, Default, Deserialize)]
pub(super) struct From {
    #[serde(default)]
    pub(super) from: usize,
}

impl<T: FromStr, S: Send + Sync> FromRequestParts<S> for Named<T> {
    type Rejection = ErrorPage;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, ErrorPage> {
        let named = Path::<String>::from_request_parts(parts, state).await.ok();
        let id = named.and_then(|Path(text)| text.parse().ok());
        Ok(Self(id.ok_or_else(ApiError::no_such_route)?))
    }
}

impl<T: DeserializeOwned, S: Send + Sync> FromRequestParts<S> for Query<T> {
    type Rejection = ErrorPage;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, ErrorPage> {
        let RawQuery(asked) = RawQuery::from_request_parts(parts, state).await.map_err(ApiError::from)?;
        Ok(Self(asked))
    }
}
