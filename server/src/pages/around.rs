//! What surrounds every page: what a browser may do with it, a time limit, and a page even where something broke.

use std::time::Duration;

use axum::extract::{Request, State};
use axum::http::{HeaderName, HeaderValue, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use tracing::Instrument;

use super::error_page::ErrorPage;
use super::sent::Sent;
use crate::problem_response::ApiError;
use crate::state::ServerState;

/// A page's own files, and nothing of anybody else's.
const MAY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; connect-src 'self'; \
                   form-action 'self'; frame-ancestors 'none'; base-uri 'none'";

const GUARDS: [(HeaderName, &str); 4] = [
    (header::CONTENT_SECURITY_POLICY, MAY),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::REFERRER_POLICY, "no-referrer"),
    (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
];

pub(super) async fn around(State(state): State<ServerState>, request: Request, next: Next) -> Response {
    // A little less than all that a request may take, so that a page says it, and not a problem.
    let within = state.limits.answer.saturating_sub(Duration::from_secs(1).min(state.limits.answer / 10));
    let (request, sent) = Sent::of(request).await;
    // In a task of its own a panic ends that task alone, and is told here.
    let answer = tokio::time::timeout(within, tokio::spawn(next.run(request).in_current_span())).await;
    let mut response = match answer {
        Ok(Ok(response)) => response,
        Ok(Err(_)) => ErrorPage::from(ApiError::broke("It is not known what was taken in. Look before you send it again.")).into_response(),
        Err(_) => ErrorPage::from(ApiError::too_slow(within)).into_response(),
    };
    if let Some(sent) = sent {
        response = sent.shown(response, &state).await;
    }
    let headers = response.headers_mut();
    for (name, value) in GUARDS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    // An asset says itself how long it may be held.
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}
