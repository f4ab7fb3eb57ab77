//! Lists in pages: `{items, next}` and a Link to the next page (RFC 8288).
//!
//! The cursor is the place of the last item in the list's order, not a count: what comes or goes between two pages
//! shifts nothing. To a caller it is opaque.

use axum::http::{HeaderValue, Uri, header};
use axum::response::{IntoResponse, Response};
use base64::Engine;
use base64::prelude::BASE64_URL_SAFE_NO_PAD;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use shared::length::LengthUnit;
use utoipa::{IntoParams, ToSchema};

use super::given;
use crate::json::Json;
use crate::problem_response::ApiError;

/// Items of a page where the caller names no number.
const USUAL: usize = 100;
/// The most items of a page.
const MOST: usize = 500;

/// Which page is asked for.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct Paging {
    /// The most items of the page; 100 where none is given.
    #[param(minimum = 1, maximum = 500)]
    pub(crate) limit: Option<usize>,
    /// Where the page begins: `next` of the page before.
    pub(crate) after: Option<String>,
}

/// Which page is asked for, of the lines that are found.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct PagingFind {
    /// The most items of the page; 100 where none is given.
    #[param(minimum = 1, maximum = 500)]
    limit: Option<usize>,
    /// Where the page begins: `next` of the page before.
    after: Option<String>,
    /// Words that a line must say, all of them, in any order.
    find: Option<String>,
}

impl PagingFind {
    /// The page, and what is sought.
    pub(crate) fn parts(self) -> (Paging, String) {
        (Paging { limit: self.limit, after: self.after }, self.find.unwrap_or_default())
    }
}

/// Which page is asked for, and in which unit its lengths are.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct PagingIn {
    /// The most items of the page; 100 where none is given.
    #[param(minimum = 1, maximum = 500)]
    limit: Option<usize>,
    /// Where the page begins: `next` of the page before.
    after: Option<String>,
    /// Unit of lengths in words: thou, where none is given, in or mm.
    #[param(value_type = Option<LengthUnit>, inline)]
    unit: Option<String>,
}

impl PagingIn {
    /// The page and the unit apart.
    pub(crate) fn parts(self) -> Result<(Paging, LengthUnit), ApiError> {
        Ok((Paging { limit: self.limit, after: self.after }, given::unit(self.unit.as_deref())?))
    }
}

/// A page of a list.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Page<T: ToSchema> {
    /// What is on it.
    pub(crate) items: Vec<T>,
    /// What to send as `after` for the next page; absent on the last one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) next: Option<String>,
}

impl Paging {
    fn limit(&self) -> Result<usize, ApiError> {
        let limit = self.limit.unwrap_or(USUAL);
        let say = format!("A page has from 1 to {MOST} items: write ?limit=100");
        (1..=MOST).contains(&limit).then_some(limit).ok_or_else(|| ApiError::unreadable(&say))
    }

    /// The place behind which the page begins, where one is given.
    pub(crate) fn place<K: DeserializeOwned>(&self) -> Result<Option<K>, ApiError> {
        self.after.as_deref().map(place::<K>).transpose()
    }

    /// As many items as the page and one more, which tells that there is another page.
    pub(crate) fn one_more(&self) -> Result<usize, ApiError> {
        Ok(self.limit()? + 1)
    }

    /// The page of a list that is sorted by this key.
    pub(crate) fn of<T, K>(&self, uri: &Uri, items: Vec<T>, key: impl Fn(&T) -> K) -> Result<Response, ApiError>
    where
        T: Serialize + ToSchema,
        K: Ord + Serialize + DeserializeOwned,
    {
        let limit = self.limit()?;
        let after = self.place::<K>()?;
        let mut items: Vec<T> = items.into_iter().filter(|item| after.as_ref().is_none_or(|after| key(item) > *after)).collect();
        let more = items.len() > limit;
        items.truncate(limit);
        let next = items.last().filter(|_| more).map(|last| cursor(&key(last)));
        let link = next.as_deref().map(|next| link(uri, next));
        let mut response = Json(Page { items, next }).into_response();
        if let Some(Ok(link)) = link {
            response.headers_mut().insert(header::LINK, link);
        }
        Ok(response)
    }
}

pub(crate) fn cursor(key: &impl Serialize) -> String {
    BASE64_URL_SAFE_NO_PAD.encode(serde_json::to_vec(key).unwrap_or_default())
}

fn place<K: DeserializeOwned>(cursor: &str) -> Result<K, ApiError> {
    let bytes = BASE64_URL_SAFE_NO_PAD.decode(cursor).ok();
    let key = bytes.and_then(|bytes| serde_json::from_slice(&bytes).ok());
    key.ok_or_else(|| ApiError::unreadable("after is what the page before this one gave as next: ask without it for the first page"))
}

/// The same question with another beginning.
pub(crate) fn link(uri: &Uri, next: &str) -> Result<HeaderValue, axum::http::header::InvalidHeaderValue> {
    let kept = uri.query().unwrap_or_default().split('&').filter(|pair| !pair.is_empty() && !pair.starts_with("after="));
    let query: Vec<&str> = kept.collect();
    let joint = if query.is_empty() { "" } else { "&" };
    HeaderValue::from_str(&format!("<{}?{}{joint}after={next}>; rel=\"next\"", uri.path(), query.join("&")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_link_keeps_the_question_and_moves_its_beginning() {
        let uri: Uri = "/v1/people?limit=2&after=old&unit=mm".parse().unwrap();
        assert_eq!(link(&uri, "new").unwrap(), "</v1/people?limit=2&unit=mm&after=new>; rel=\"next\"");
        assert_eq!(link(&"/v1/people".parse().unwrap(), "new").unwrap(), "</v1/people?after=new>; rel=\"next\"");
    }

    #[test]
    fn a_cursor_is_read_back_and_a_foreign_one_is_refused() {
        let key = ("Ünal".to_owned(), 3);
        assert_eq!(place::<(String, i32)>(&cursor(&key)).unwrap(), key);
        for bad in ["", "x", "bm8", "%%%"] {
            assert!(place::<(String, i32)>(bad).is_err(), "{bad}");
        }
    }
}
