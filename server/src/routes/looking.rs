//! Looking: the due list, one machine, the day sheet, what is contested.

use axum::extract::State;
use serde::Deserialize;
use shared::length::LengthUnit;
use shared::record::ShopCard;
use shared::slot::Slot;
use sync_core::queries::{ContestedSlot, DaySheet, DueFilter, DueLine, MachineView, Only, Order, SlotSheet};
use utoipa::IntoParams;

use super::given::{self, Given};
use crate::bearer::{Caller, OfficeOrLead, OpenMachine};
use crate::json::Json;
use crate::problem_response::ApiError;
use crate::state::ServerState;

/// In which unit lengths are shown. A misspelt parameter is refused: a wrong unit must not pass for a right one.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct Shown {
    /// Unit of lengths in words: thou, where none is given, in or mm.
    #[param(value_type = Option<LengthUnit>, inline)]
    pub(super) unit: Option<String>,
}

/// Which day is asked for.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct Day {
    /// A day of the shop's zone, as in 2026-05-04.
    #[param(format = Date)]
    day: Option<String>,
    /// Unit of bare lengths and of lengths in words: thou, where none is given, in or mm.
    #[param(value_type = Option<LengthUnit>, inline)]
    unit: Option<String>,
}

/// What the due list is cut down to, and in which order it is.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct OfDue {
    /// Words that the machine's tag, description, place or engine must say, all of them.
    find: Option<String>,
    /// The name of the engine card that the machine must have.
    engine: Option<String>,
    /// Only machines that are held, due, contested or visited.
    #[param(value_type = Option<Only>, inline)]
    only: Option<String>,
    /// In which order: pressing, where none is given, tag, place or hours. Machines on hold come first in each.
    #[param(value_type = Option<Order>, inline)]
    order: Option<String>,
}

impl OfDue {
    fn filter(self) -> Result<DueFilter, ApiError> {
        let wrong = |why: String| ApiError::unreadable(&crate::problem_response::sentence(&why));
        Ok(DueFilter {
            find: self.find.unwrap_or_default(),
            engine: self.engine,
            only: self.only.as_deref().map(str::parse).transpose().map_err(wrong)?,
            order: self.order.as_deref().map(str::parse).transpose().map_err(wrong)?,
        })
    }
}

/// The due list: the machines open to the caller, the most pressing first
#[utoipa::path(
    get,
    path = "/v1/due",
    tag = "any device",
    params(OfDue),
    responses((status = 200, description = "The due list.", body = Vec<DueLine>)),
)]
pub(crate) async fn due(
    State(state): State<ServerState>,
    caller: Caller,
    Given(asked): Given<OfDue>,
) -> Result<Json<Vec<DueLine>>, ApiError> {
    let (filter, now) = (asked.filter()?, state.now());
    state.read(move |book| book.read_by(caller.person).due(&now)).await.map(|lines| Json(filter.of(lines)))
}

/// One machine: card, clearances with their verdicts, hours, what is due, history
#[utoipa::path(
    get,
    path = "/v1/machines/{id}",
    tag = "whoever may read the machine",
    params(("id" = String, Path, format = Uuid, description = "The machine."), Shown),
    responses((status = 200, description = "The machine.", body = MachineView)),
)]
pub(crate) async fn machine(
    State(state): State<ServerState>,
    OpenMachine(machine): OpenMachine,
    Given(shown): Given<Shown>,
) -> Result<Json<MachineView>, ApiError> {
    let unit = given::unit(shown.unit.as_deref())?;
    let now = state.now();
    state.read(move |book| book.machines().machine_screen(machine, unit, &now)).await.map(Json)
}

/// The day sheet: what came in, what is contested, what is missing
#[utoipa::path(
    get,
    path = "/v1/day-sheet",
    tag = "office and leads",
    params(Day),
    responses((status = 200, description = "The day sheet; of today where no day is given.", body = DaySheet)),
)]
pub(crate) async fn day_sheet(
    State(state): State<ServerState>,
    _: OfficeOrLead,
    Given(asked): Given<Day>,
) -> Result<Json<DaySheet>, ApiError> {
    let unit = given::unit(asked.unit.as_deref())?;
    let day = asked.day.as_deref().map(given::day).transpose()?;
    let now = state.now();
    state.read(move |book| book.days().day_sheet(day, unit, &now)).await.map(Json)
}

/// Slots that want a ruling, their readings side by side
#[utoipa::path(
    get,
    path = "/v1/contested",
    tag = "office and leads",
    params(Shown),
    responses((status = 200, description = "What is contested.", body = Vec<ContestedSlot>)),
)]
pub(crate) async fn contested(
    State(state): State<ServerState>,
    _: OfficeOrLead,
    Given(shown): Given<Shown>,
) -> Result<Json<Vec<ContestedSlot>>, ApiError> {
    let unit = given::unit(shown.unit.as_deref())?;
    state.read(move |book| book.reader().contested(unit)).await.map(Json)
}

/// Which slot of a machine.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct OfSlot {
    /// The slot's name, as in lash/1I/found or hours.
    slot: String,
    /// Unit of lengths in words: thou, where none is given, in or mm.
    #[param(value_type = Option<shared::length::LengthUnit>, inline)]
    unit: Option<String>,
}

/// One slot of a machine with all that a ruling goes by, contested or not
#[utoipa::path(
    get,
    path = "/v1/machines/{id}/slot",
    tag = "whoever may read the machine",
    params(("id" = String, Path, format = Uuid, description = "The machine."), OfSlot),
    responses((status = 200, description = "The readings side by side, the range, what stands and why.", body = SlotSheet)),
)]
pub(crate) async fn slot(
    State(state): State<ServerState>,
    OpenMachine(machine): OpenMachine,
    Given(asked): Given<OfSlot>,
) -> Result<Json<SlotSheet>, ApiError> {
    let unit = given::unit(asked.unit.as_deref())?;
    state.read(move |book| book.reader().slot_sheet(machine, &Slot::named(&asked.slot), unit)).await.map(Json)
}

/// The shop's settings
#[utoipa::path(get, path = "/v1/settings", tag = "any device", responses((status = 200, description = "The settings that every replica shares.", body = ShopCard)))]
pub(crate) async fn settings(State(state): State<ServerState>, _: Caller) -> Result<Json<ShopCard>, ApiError> {
    state.read(|book| book.reader().shop_front()).await.map(|front| Json(front.settings))
}
