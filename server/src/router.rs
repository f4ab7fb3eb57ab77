//! Every route on one page, grouped by who may call it: where each is, and what it takes and gives, stands beside its handler, once for
//! the router and for the API's description.

use axum::Router;
use axum::extract::{DefaultBodyLimit, Request, State};
use axum::middleware::{Next, from_fn, from_fn_with_state};
use axum::response::Response;
use shared::picture::LARGEST_PICTURE;
use shared::wire::LARGEST_BODY;
use utoipa::openapi::OpenApi;
use utoipa_axum::router::{OpenApiRouter, UtoipaMethodRouterExt};
use utoipa_axum::routes;

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
    let api = anyone()
        .route_layer(from_fn_with_state(state.clone(), at_a_strangers_pace))
        .merge(anyone_at_any_pace())
        .merge(any_device())
        .merge(whoever_may_read_the_machine())
        .merge(office_or_lead())
        .merge(office().route_layer(from_fn_with_state(state.clone(), idempotency::answer_once)));
    let routes = Router::from(api)
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

/// What the routes of the API say of themselves, put into a document.
pub(crate) fn described(document: OpenApi) -> OpenApi {
    let groups = [anyone(), anyone_at_any_pace(), any_device(), whoever_may_read_the_machine(), office_or_lead(), office()];
    groups.into_iter().fold(OpenApiRouter::with_openapi(document), OpenApiRouter::merge).into_openapi()
}

fn anyone() -> OpenApiRouter<ServerState> {
    OpenApiRouter::new()
        .routes(routes!(joining::keys))
        .routes(routes!(joining::enrol))
        .routes(routes!(joining::token))
        // A calendar sends no token: its address has a secret.
        .routes(routes!(calendar::due))
        .routes(routes!(watching::ready))
}

/// That the server is up is told at any pace: it asks nothing of the book.
fn anyone_at_any_pace() -> OpenApiRouter<ServerState> {
    OpenApiRouter::new().routes(routes!(watching::health)).routes(routes!(description::document)).routes(routes!(description::page))
}

fn any_device() -> OpenApiRouter<ServerState> {
    OpenApiRouter::new()
        .routes(routes!(exchange::exchange).layer(DefaultBodyLimit::max(LARGEST_BODY)))
        .routes(routes!(looking::due))
        .routes(routes!(looking::settings))
        .routes(routes!(live::events))
        .routes(routes!(calendar::feed))
        .routes(routes!(exports::machines))
        .routes(routes!(exports::due))
        .routes(routes!(exports::readings))
        .routes(routes!(exports::hours))
        .routes(routes!(exports::engine_cards))
        .routes(routes!(lists::status))
        .routes(routes!(lists::properties))
        .routes(routes!(lists::property))
        .routes(routes!(lists::machines))
        .routes(routes!(lists::engine_cards))
        .routes(routes!(piston::crank))
        .routes(routes!(piston::tdc))
}

fn whoever_may_read_the_machine() -> OpenApiRouter<ServerState> {
    OpenApiRouter::new()
        .routes(routes!(looking::machine))
        .routes(routes!(lists::history))
        .routes(routes!(looking::slot))
        .routes(routes!(lists::service_record))
        .routes(routes!(paper::service_record))
        .routes(routes!(paper::season))
        .routes(routes!(lists::record))
        .routes(routes!(photos::picture, photos::send).layer(DefaultBodyLimit::max(LARGEST_PICTURE)))
        .routes(routes!(reckoning::sure))
        .routes(routes!(reckoning::leaves))
        .routes(routes!(reckoning::turn))
        .routes(routes!(warmth::warm))
        .routes(routes!(reckoning::meter))
        .routes(routes!(reckoning::usage))
        .routes(routes!(reckoning::due))
        .routes(routes!(reckoning::drift))
}

fn office_or_lead() -> OpenApiRouter<ServerState> {
    OpenApiRouter::new()
        .routes(routes!(looking::day_sheet))
        .routes(routes!(looking::contested))
        .routes(routes!(days::list))
        .routes(routes!(days::one))
        .routes(routes!(days::evening))
        .routes(routes!(lists::people))
        .routes(routes!(lists::devices))
        .routes(routes!(quarantine::list))
        // A person's carry is also for that person.
        .routes(routes!(reckoning::carry))
        .routes(routes!(reckoning::agreement))
        .routes(routes!(reckoning::round))
}

fn office() -> OpenApiRouter<ServerState> {
    OpenApiRouter::new()
        .routes(routes!(joining::codes))
        // Also for programs on this very computer, without a token.
        .routes(routes!(watching::metrics))
        .routes(routes!(backups::list, backups::make))
        .routes(routes!(quarantine::release))
        .routes(routes!(quarantine::keep_out))
}

/// Counts a request of whoever shows no token, before anything is read of it.
async fn at_a_strangers_pace(State(state): State<ServerState>, request: Request, next: Next) -> Result<Response, ApiError> {
    state.pace.stranger(Peer::of(request.extensions()), &state.now()).map_err(ApiError::too_many_strangers)?;
    Ok(next.run(request).await)
}
