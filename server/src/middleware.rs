//! What surrounds every route: request ids, log lines, the time limit, and an answer even to a panic.
//!
//! A log line has the method, the route's pattern and the status. No body, no header, no query, no id out of a path.

use std::any::Any;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use axum::Router;
use axum::extract::{MatchedPath, Request};
use axum::http::{HeaderName, HeaderValue, Method, header};
use axum::middleware::{Next, from_fn, map_request, map_response};
use axum::response::{IntoResponse, Response};
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::request_id::{MakeRequestId, PropagateRequestIdLayer, RequestId, SetRequestIdLayer};
use tower_http::trace::{DefaultOnResponse, TraceLayer};
use tracing::{Level, Span};

use crate::limits::PICTURE_TIMES;
use crate::problem_response::{ApiError, name_request};

const REQUEST_ID: HeaderName = HeaderName::from_static("x-request-id");

/// Puts the layers around a router, outermost last. A request takes at most `within`.
pub fn around(router: Router, started_ms: i64, within: Duration) -> Router {
    let ids = Numbers { started_ms, next: Arc::default() };
    router
        .layer(from_fn(move |request, next| in_time(within, request, next)))
        .layer(CatchPanicLayer::custom(|_: Box<dyn Any + Send>| {
            ApiError::broke("It is not known what was taken in. Send it again.").into_response()
        }))
        .layer(from_fn(named))
        .layer(map_response(keep_private))
        .layer(PropagateRequestIdLayer::new(REQUEST_ID))
        .layer(TraceLayer::new_for_http().make_span_with(span_of).on_response(DefaultOnResponse::new().level(Level::INFO)))
        .layer(SetRequestIdLayer::new(REQUEST_ID, ids))
        .layer(map_request(own_ids_only))
}

/// Request ids: when this server started, and a running number.
#[derive(Clone)]
struct Numbers {
    started_ms: i64,
    next: Arc<AtomicU64>,
}

impl MakeRequestId for Numbers {
    fn make_request_id<B>(&mut self, _: &axum::http::Request<B>) -> Option<RequestId> {
        let number = self.next.fetch_add(1, Ordering::Relaxed);
        HeaderValue::from_str(&format!("{:x}-{number}", self.started_ms)).ok().map(RequestId::new)
    }
}

/// A caller's own id would be whatever text it likes, in our log.
async fn own_ids_only(mut request: Request) -> Request {
    request.headers_mut().remove(REQUEST_ID);
    request
}

fn span_of(request: &Request) -> Span {
    let route = request.extensions().get::<MatchedPath>().map_or("none", MatchedPath::as_str);
    let id = request.headers().get(REQUEST_ID).and_then(|id| id.to_str().ok()).unwrap_or_default();
    tracing::info_span!("request", id, method = %request.method(), route)
}

/// Names the request in a problem that is answered to it.
async fn named(request: Request, next: Next) -> Response {
    let id = request.headers().get(REQUEST_ID).and_then(|id| id.to_str().ok()).unwrap_or_default().to_owned();
    name_request(next.run(request).await, &id)
}

/// Nothing that the shop says is for a cache in between.
async fn keep_private(mut response: Response) -> Response {
    response.headers_mut().entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}

async fn in_time(within: Duration, request: Request, next: Next) -> Response {
    let sends_a_picture = request.method() == Method::PUT && request.uri().path().starts_with("/v1/photos/");
    let within = if sends_a_picture { within * PICTURE_TIMES } else { within };
    tokio::time::timeout(within, next.run(request)).await.unwrap_or_else(|_| ApiError::too_slow(within).into_response())
}
