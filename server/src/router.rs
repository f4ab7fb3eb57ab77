//! Every route on one page, grouped by who may call it.

use axum::Router;
use axum::extract::{DefaultBodyLimit, Request, State};
use axum::middleware::{Next, from_fn, from_fn_with_state};
use axum::response::Response;
use axum::routing::{get, post};
use shared::picture::LARGEST_PICTURE;
use shared::wire::LARGEST_BODY;

use crate::problem_response::ApiError;
use crate::rate_limit::Peer;
use crate::routes::{
    backups, calendar, days, description, exchange, exports, joining, lists, live, looking, paper, photos, piston, quarantine, reckoning,
    warmth, watching,
};
use crate::state::ServerState;
use crate::{etag, guards, idempotency, metrics, middleware, pages, phone};

/// The largest body of anything but an exchange or a picture, in bytes.
pub const LARGEST_SMALL_BODY: usize = 16 * 1024;

/// The server's routes with everything that surrounds them.
pub fn router(state: ServerState) -> Router {
    let (started_ms, within) = (state.now().wall_ms, state.limits.answer);

    let anyone = Router::new()
        .route("/.well-known/jwks.json", get(joining::keys))
        .route("/v1/enrol", post(joining::enrol))
        .route("/v1/token", post(joining::token))
        // A calendar sends no token: its address has a secret.
        .route("/v1/due.ics", get(calendar::due))
        .route("/ready", get(watching::ready))
        .route_layer(from_fn_with_state(state.clone(), at_a_strangers_pace))
        // That the server is up is told at any pace: it asks nothing of the book.
        .route("/health", get(watching::health))
        .route("/v1/openapi.json", get(description::document))
        .route("/docs", get(description::page));

    let any_device = Router::new()
        .route("/v1/exchange", post(exchange::exchange).layer(DefaultBodyLimit::max(LARGEST_BODY)))
        .route("/v1/due", get(looking::due))
        .route("/v1/settings", get(looking::settings))
        .route("/v1/events", get(live::events))
        .route("/v1/calendar-feed", post(calendar::feed))
        .route("/v1/machines.csv", get(exports::machines))
        .route("/v1/due.csv", get(exports::due))
        .route("/v1/readings.csv", get(exports::readings))
        .route("/v1/hours.csv", get(exports::hours))
        .route("/v1/engine-cards.csv", get(exports::engine_cards))
        .route("/v1/status", get(lists::status))
        .route("/v1/properties", get(lists::properties))
        .route("/v1/properties/{id}", get(lists::property))
        .route("/v1/machines", get(lists::machines))
        .route("/v1/engine-cards", get(lists::engine_cards))
        .route("/v1/reckon/crank", get(piston::crank))
        .route("/v1/reckon/tdc", get(piston::tdc));

    let whoever_may_read_the_machine = Router::new()
        .route("/v1/machines/{id}", get(looking::machine))
        .route("/v1/machines/{id}/history", get(lists::history))
        .route("/v1/machines/{id}/slot", get(looking::slot))
        .route("/v1/visits/{id}/service-record", get(lists::service_record))
        .route("/v1/visits/{id}/service-record.pdf", get(paper::service_record))
        .route("/v1/machines/{id}/season.pdf", get(paper::season))
        .route("/v1/records/{id}", get(lists::record))
        .route("/v1/photos/{id}/{sha256}", get(photos::picture).put(photos::send).layer(DefaultBodyLimit::max(LARGEST_PICTURE)))
        .route("/v1/machines/{id}/sure", get(reckoning::sure))
        .route("/v1/machines/{id}/leaves", get(reckoning::leaves))
        .route("/v1/machines/{id}/turn", get(reckoning::turn))
        .route("/v1/machines/{id}/warm", get(warmth::warm))
        .route("/v1/machines/{id}/meter", get(reckoning::meter))
        .route("/v1/machines/{id}/usage", get(reckoning::usage))
        .route("/v1/machines/{id}/due", get(reckoning::due))
        .route("/v1/machines/{id}/drift", get(reckoning::drift));

    let office_or_lead = Router::new()
        .route("/v1/day-sheet", get(looking::day_sheet))
        .route("/v1/contested", get(looking::contested))
        .route("/v1/days", get(days::list))
        .route("/v1/days/{day}", get(days::one))
        .route("/v1/days/{day}/machines/{id}", get(days::evening))
        .route("/v1/people", get(lists::people))
        .route("/v1/devices", get(lists::devices))
        .route("/v1/quarantine", get(quarantine::list))
        // A person's carry is also for that person.
        .route("/v1/people/{id}/carry", get(reckoning::carry))
        .route("/v1/agreement", get(reckoning::agreement))
        .route("/v1/round", get(reckoning::round));

    let office = Router::new()
        .route("/v1/codes", post(joining::codes))
        // Also for programs on this very computer, without a token.
        .route("/metrics", get(watching::metrics))
        .route("/v1/backups", get(backups::list).post(backups::make))
        .route("/v1/quarantine/{id}/release", post(quarantine::release))
        .route("/v1/quarantine/{id}/keep-out", post(quarantine::keep_out))
        .route_layer(from_fn_with_state(state.clone(), idempotency::answer_once));

    let routes = anyone
        .merge(any_device)
        .merge(whoever_may_read_the_machine)
        .merge(office_or_lead)
        .merge(office)
        .merge(pages::routes(&state))
        .merge(phone::routes())
        .fallback(async || ApiError::no_such_route())
        .method_not_allowed_fallback(async || ApiError::wrong_method())
        .layer(from_fn(etag::conditional))
        .layer(from_fn_with_state(state.clone(), guards::host))
        .layer(DefaultBodyLimit::max(LARGEST_SMALL_BODY))
        .with_state(state.clone());
    middleware::around(routes, started_ms, within)
        .layer(from_fn_with_state(state.clone(), metrics::count))
        .layer(from_fn_with_state(state, guards::headers))
}

/// Counts a request of whoever shows no token, before anything is read of it.
async fn at_a_strangers_pace(State(state): State<ServerState>, request: Request, next: Next) -> Result<Response, ApiError> {
    state.pace.stranger(Peer::of(request.extensions()), &state.now()).map_err(ApiError::too_many_strangers)?;
    Ok(next.run(request).await)
}
