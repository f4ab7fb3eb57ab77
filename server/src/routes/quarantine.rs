//! Quarantine: what waits for the office, let in or kept out.

use axum::extract::rejection::PathRejection;
use axum::extract::{OriginalUri, Path, State};
use axum::http::StatusCode;
use axum::response::Response;
use shared::problem::Code;
use sync_core::queries::QuarantineView;

use super::given::Given;
use super::page::{Page, PagingIn};
use crate::bearer::{Office, OfficeOrLead};
use crate::problem_response::ApiError;
use crate::state::ServerState;

/// What is in quarantine, with what became of it, oldest first
#[utoipa::path(
    get,
    path = "/v1/quarantine",
    tag = "office and leads",
    params(PagingIn),
    responses((status = 200, description = "A page of what is there.", body = Page<QuarantineView>)),
)]
pub(crate) async fn list(
    State(state): State<ServerState>,
    OriginalUri(uri): OriginalUri,
    _: OfficeOrLead,
    Given(asked): Given<PagingIn>,
) -> Result<Response, ApiError> {
    let (paging, unit) = asked.parts()?;
    let (after, most) = (paging.place::<i64>()?.unwrap_or_default(), paging.one_more()?);
    let now = state.now();
    let held = state.read(move |book| book.reader().quarantine_views(None, after, most, unit, &now)).await?;
    paging.of(&uri, held, |line| line.line.held.id)
}

/// Lets a record in from quarantine
#[utoipa::path(
    post,
    path = "/v1/quarantine/{id}/release",
    tag = "office",
    params(("id" = String, Path, description = "The number that quarantine gives it.")),
    responses((status = 204, description = "It is let in.")),
)]
pub(crate) async fn release(
    state: State<ServerState>,
    office: Office,
    id: Result<Path<String>, PathRejection>,
) -> Result<StatusCode, ApiError> {
    settle(state, office, id, true).await
}

/// Keeps a record out for ever
#[utoipa::path(
    post,
    path = "/v1/quarantine/{id}/keep-out",
    tag = "office",
    params(("id" = String, Path, description = "The number that quarantine gives it.")),
    responses((status = 204, description = "It is kept out.")),
)]
pub(crate) async fn keep_out(
    state: State<ServerState>,
    office: Office,
    id: Result<Path<String>, PathRejection>,
) -> Result<StatusCode, ApiError> {
    settle(state, office, id, false).await
}

async fn settle(
    State(state): State<ServerState>,
    Office(caller): Office,
    id: Result<Path<String>, PathRejection>,
    let_in: bool,
) -> Result<StatusCode, ApiError> {
    let Path(id) = id?;
    let number: i64 =
        id.parse().map_err(|_| ApiError::new(Code::NotFound, "Quarantine numbers what it holds: 1, 2, 3. Nothing was changed."))?;
    let now = state.now();
    state.write(move |book, entropy| book.peer().settle(number, let_in, caller.person, &now, entropy)).await?;
    state.moved();
    Ok(StatusCode::NO_CONTENT)
}
