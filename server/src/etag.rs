//! Strong entity tags on what is looked at under /v1, and 304 where the caller has it already (RFC 9110 sections 8.8.3, 13.1.2).
//!
//! The tag is a hash of the body, so it needs no book-keeping and says nothing of the shop. An answer is still for its
//! caller alone and for no cache ("private, no-store"): a program that keeps an answer itself keeps its tag beside it.
//! HEAD gets none: the body that the tag is made from is not made for it (RFC 9110 section 9.3.2 allows that).

use axum::body::{Body, to_bytes};
use axum::extract::Request;
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::Response;
use base64::Engine;
use base64::prelude::BASE64_URL_SAFE_NO_PAD;
use hyper::body::Body as _;
use sha2::{Digest, Sha256};

use crate::problem_response::ApiError;

const CACHING: HeaderValue = HeaderValue::from_static("private, no-store");

/// Tags the answer to a GET under /v1, and answers 304 where the caller names that tag.
pub(crate) async fn conditional(request: Request, next: Next) -> Result<Response, ApiError> {
    let looked_at = request.method() == Method::GET && request.uri().path().starts_with("/v1/");
    let known: Vec<HeaderValue> = request.headers().get_all(header::IF_NONE_MATCH).iter().cloned().collect();
    let response = next.run(request).await;
    // A stream of events has no length, and no end to wait for; a picture has a tag of its own, and may be held.
    let tagged = response.headers().contains_key(header::ETAG);
    if !looked_at || tagged || response.status() != StatusCode::OK || response.body().size_hint().exact().is_none() {
        return Ok(response);
    }
    let (mut parts, body) = response.into_parts();
    let body = to_bytes(body, usize::MAX).await.map_err(|_| ApiError::broke("Nothing was changed. Ask again."))?;
    let tag = tag_of(&body);
    let unchanged = known.iter().any(|value| value.to_str().is_ok_and(|list| names(list, &tag)));
    parts.headers.insert(header::CACHE_CONTROL, CACHING);
    if let Ok(tag) = HeaderValue::from_str(&tag) {
        parts.headers.insert(header::ETAG, tag);
    }
    if unchanged {
        parts.status = StatusCode::NOT_MODIFIED;
        without_content(&mut parts.headers);
        return Ok(Response::from_parts(parts, Body::empty()));
    }
    Ok(Response::from_parts(parts, Body::from(body)))
}

fn tag_of(body: &[u8]) -> String {
    let hash = Sha256::digest(body);
    let (half, _) = hash.split_at(16);
    format!("\"{}\"", BASE64_URL_SAFE_NO_PAD.encode(half))
}

/// Whether an If-None-Match names a tag: by weak comparison, or all tags at once.
pub(crate) fn names(list: &str, tag: &str) -> bool {
    list.trim() == "*" || list.split(',').any(|one| one.trim().trim_start_matches("W/") == tag)
}

fn without_content(headers: &mut HeaderMap) {
    headers.remove(header::CONTENT_TYPE);
    headers.remove(header::CONTENT_LENGTH);
    headers.remove(header::CONTENT_DISPOSITION);
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The forms of If-None-Match in RFC 9110 section 13.1.2.
    #[test]
    fn a_tag_is_found_in_any_form_of_the_header() {
        let tag = tag_of(b"a");
        for known in [tag.clone(), format!("W/{tag}"), format!("\"x\", {tag}"), "*".to_owned()] {
            assert!(names(&known, &tag), "{known}");
        }
        for unknown in [String::new(), "\"x\"".to_owned(), tag.replace('"', ""), tag_of(b"b")] {
            assert!(!names(&unknown, &tag), "{unknown}");
        }
    }
}
