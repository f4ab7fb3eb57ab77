//! For whoever watches over the server: whether it is up, whether its book answers, and what it counts.

use std::time::Duration;

use axum::extract::{FromRequestParts, State};
use axum::http::request::Parts;
use axum::http::{HeaderMap, header};
use axum::response::IntoResponse;
use serde::Serialize;
use sync_core::store::QuarantineState;
use utoipa::ToSchema;

use crate::bearer::Office;
use crate::guards::{host_of, is_here};
use crate::json::Json;
use crate::metrics::Now;
use crate::problem_response::ApiError;
use crate::serve::FromHere;
use crate::state::ServerState;

/// A book that does not answer by then is not ready.
const READY_WITHIN: Duration = Duration::from_secs(1);

/// How the server is.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Health {
    /// up or ready.
    status: &'static str,
}

/// That the server is up
///
/// Asks nothing of the book.
#[utoipa::path(get, path = "/health", tag = "anyone", responses((status = 200, description = "It is up.", body = Health)))]
pub(crate) async fn health() -> Json<Health> {
    Json(Health { status: "up" })
}

/// That the book can keep something, within a second
///
/// With the disk full it cannot: 507.
#[utoipa::path(get, path = "/ready", tag = "anyone", responses((status = 200, description = "It does.", body = Health)))]
pub(crate) async fn ready(State(state): State<ServerState>) -> Result<Json<Health>, ApiError> {
    let now = state.now();
    tokio::time::timeout(READY_WITHIN, state.write(move |book, _| book.ready(&now))).await.map_err(|_| ApiError::not_ready())??;
    Ok(Json(Health { status: "ready" }))
}

/// What a program that reads counts sends, and our own number for the request. Anything else may be a proxy's word for whom it
/// passes on, and proxies have many words: what is not known to be harmless is for somebody with a token.
const OF_A_SCRAPER: [&str; 9] = [
    "host",
    "user-agent",
    "accept",
    "accept-encoding",
    "accept-language",
    "connection",
    "content-length",
    "x-prometheus-scrape-timeout-seconds",
    "x-request-id",
];

/// Whether a request says nothing but what a program on this computer would, and asks this computer by its own name.
fn of_a_scraper(headers: &HeaderMap) -> bool {
    headers.keys().all(|name| OF_A_SCRAPER.contains(&name.as_str())) && host_of(headers).is_some_and(|host| is_here(&host))
}

/// Someone on this very computer, or the office.
#[derive(Debug)]
pub(crate) struct Watcher;

impl FromRequestParts<ServerState> for Watcher {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, state: &ServerState) -> Result<Self, ApiError> {
        if parts.extensions.get::<FromHere>().is_some() && of_a_scraper(&parts.headers) {
            return Ok(Self);
        }
        Office::from_request_parts(parts, state).await.map(|_| Self)
    }
}

/// What the server counts, in Prometheus' exposition format
///
/// For the office, and without a token for programs on the server's own computer.
#[utoipa::path(
    get,
    path = "/metrics",
    tag = "office",
    responses((status = 200, description = "The counts.", body = String, content_type = "text/plain")),
)]
pub(crate) async fn metrics(State(state): State<ServerState>, _: Watcher) -> Result<impl IntoResponse, ApiError> {
    let (waiting, end) = state
        .read(|book| {
            let waiting = book.reader().count_quarantined(QuarantineState::Waiting)?;
            Ok::<_, ApiError>((waiting, book.outgoing().log_end()?))
        })
        .await?;
    let text = state.measures.text(Now { waiting, streams: state.events.live(), position: end.position });
    Ok(([(header::CONTENT_TYPE, "text/plain; version=0.0.4; charset=utf-8")], text))
}
