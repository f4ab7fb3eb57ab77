//! Backups: made at the shop while it serves, and listed. They hold the shop's keys, so none leaves by this way.

use axum::extract::State;
use axum::http::StatusCode;
use sync_core::book::backup::BackupLine;

use crate::bearer::Office;
use crate::json::Json;
use crate::problem_response::ApiError;
use crate::state::ServerState;

/// Makes a backup at the shop
///
/// It holds the shop's keys, so none leaves by this way.
#[utoipa::path(post, path = "/v1/backups", tag = "office", responses((status = 201, description = "The backup.", body = BackupLine)))]
pub(crate) async fn make(State(state): State<ServerState>, _: Office) -> Result<(StatusCode, Json<BackupLine>), ApiError> {
    let now = state.now();
    let made = state.ask(move |shop| shop.backup(&now)).await?;
    tracing::info!(name = made.name, bytes = made.bytes, "a backup was made");
    Ok((StatusCode::CREATED, Json(made)))
}

/// The shop's backups, newest first
#[utoipa::path(get, path = "/v1/backups", tag = "office", responses((status = 200, description = "The backups.", body = Vec<BackupLine>)))]
pub(crate) async fn list(State(state): State<ServerState>, _: Office) -> Result<Json<Vec<BackupLine>>, ApiError> {
    state.ask(|shop| shop.backups()).await.map(Json)
}
