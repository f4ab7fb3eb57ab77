//! Closed days: which, over what, what came late for them, and how a machine stood that evening.

use axum::extract::rejection::PathRejection;
use axum::extract::{Path, State};
use shared::ids::MachineId;
use sync_core::engine::BookError;
use sync_core::queries::bounds::MOST_DAYS_TOLD;
use sync_core::queries::{ClosedDay, Evening};

use super::given::{self, Given};
use super::looking::Shown;
use crate::bearer::OfficeOrLead;
use crate::json::Json;
use crate::problem_response::ApiError;
use crate::state::ServerState;

/// GET /v1/days: the closed days, latest first.
#[utoipa::path(
    get,
    path = "/v1/days",
    tag = "office and leads",
    params(Shown),
    responses((status = 200, description = "The closed days, latest first.", body = Vec<ClosedDay>)),
)]
pub(crate) async fn list(
    State(state): State<ServerState>,
    _: OfficeOrLead,
    Given(shown): Given<Shown>,
) -> Result<Json<Vec<ClosedDay>>, ApiError> {
    let unit = given::unit(shown.unit.as_deref())?;
    state.read(move |book| book.days().closed_days(MOST_DAYS_TOLD, unit)).await.map(Json)
}

/// GET /v1/days/{day}: the closing of a day.
#[utoipa::path(
    get,
    path = "/v1/days/{day}",
    tag = "office and leads",
    params(("day" = String, Path, format = Date, description = "The day, in the shop's zone."), Shown),
    responses((status = 200, description = "The closing that stands.", body = ClosedDay)),
)]
pub(crate) async fn one(
    State(state): State<ServerState>,
    _: OfficeOrLead,
    day: Result<Path<String>, PathRejection>,
    Given(shown): Given<Shown>,
) -> Result<Json<ClosedDay>, ApiError> {
    let Path(day) = day?;
    let (day, unit) = (given::day(&day)?, given::unit(shown.unit.as_deref())?);
    let not_closed = move || BookError::Unknown(format!("{day} is not closed"));
    state.read(move |book| book.days().closed_day(day, unit)?.ok_or_else(not_closed)).await.map(Json)
}

/// GET /v1/days/{day}/machines/{id}: a machine as it stood when a day was closed.
#[utoipa::path(
    get,
    path = "/v1/days/{day}/machines/{id}",
    tag = "office and leads",
    params(
        ("day" = String, Path, format = Date, description = "The closed day, in the shop's zone."),
        ("id" = String, Path, format = Uuid, description = "The machine."),
        Shown,
    ),
    responses((status = 200, description = "What stood that evening.", body = Evening)),
)]
pub(crate) async fn evening(
    State(state): State<ServerState>,
    _: OfficeOrLead,
    named: Result<Path<(String, String)>, PathRejection>,
    Given(shown): Given<Shown>,
) -> Result<Json<Evening>, ApiError> {
    let Path((day, machine)) = named?;
    let (day, unit) = (given::day(&day)?, given::unit(shown.unit.as_deref())?);
    let machine: MachineId = machine.parse().map_err(|_| ApiError::closed())?;
    state.read(move |book| book.days().evening(day, machine.doc(), unit)).await.map(Json)
}
