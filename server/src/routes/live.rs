//! GET /v1/events: what moved, as it moves.

use std::sync::Arc;

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::IntoResponse;

use crate::bearer::WithToken;
use crate::events::{self, Moved};
use crate::problem_response::ApiError;
use crate::state::ServerState;

/// What moved, as it moves: server-sent events
///
/// `moved` names the documents open to the caller that moved, with the log's position; the first one names none. `resync` says that
/// too much moved to name: look at everything again. A comment comes every 15 s. The stream ends with the token, with the device's
/// revocation, and after 5 minutes at the latest: come back with the last event's id as Last-Event-ID and miss nothing.
#[utoipa::path(
    get,
    path = "/v1/events",
    tag = "any device",
    params(("last-event-id" = Option<String>, Header, description = "The id of the last event that was seen.")),
    responses(
        (
            status = 200,
            description = "The stream; the data of each event is of this type.",
            body = Moved,
            content_type = "text/event-stream",
        ),
    ),
)]
pub(crate) async fn events(State(state): State<ServerState>, caller: WithToken, headers: HeaderMap) -> Result<impl IntoResponse, ApiError> {
    let WithToken { caller, token } = caller;
    let last_event = headers.get("last-event-id").and_then(|id| id.to_str().ok()).map(str::to_owned);
    let who: events::Who = Arc::new(move |shop, now| Ok(shop.read(|book| book.tokens().bearer_with_role(&token, now))?.1));
    events::stream(state, caller.device, who, last_event).await
}
