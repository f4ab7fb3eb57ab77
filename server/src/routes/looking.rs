//! Looking: the due list, one machine, the day sheet, what is contested.

use axum::Json;
use axum::extract::State;
use serde::Deserialize;
use sync_core::book::BookError;
use sync_core::view::{ContestedSlot, DaySheet, DueLine, MachineView};
use utoipa::IntoParams;

use super::given::{self, Given};
use crate::bearer::{Caller, OfficeOrLead, OpenMachine};
use crate::problem_response::Refused;
use crate::state::ServerState;

/// In which unit lengths are shown. A misspelt parameter is refused: a wrong unit must not pass for a right one.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct Shown {
    /// Unit of lengths in words: thou, where none is given, or mm.
    #[param(value_type = Option<shared::length::LengthUnit>)]
    pub(super) unit: Option<String>,
}

/// Which day is asked for.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Day {
    day: Option<String>,
    unit: Option<String>,
}

/// GET /v1/due: the machines that the caller may read.
pub(crate) async fn due(State(state): State<ServerState>, caller: Caller) -> Result<Json<Vec<DueLine>>, Refused> {
    let now = state.now();
    let lines = state.ask(move |shop| {
        let mut open = Vec::new();
        for line in shop.due(&now)? {
            if shop.may_read(caller.person, line.machine.doc())? {
                open.push(line);
            }
        }
        Ok::<_, BookError>(open)
    });
    lines.await.map(Json)
}

/// GET /v1/machines/{id}
pub(crate) async fn machine(
    State(state): State<ServerState>,
    OpenMachine(machine): OpenMachine,
    Given(shown): Given<Shown>,
) -> Result<Json<MachineView>, Refused> {
    let unit = given::unit(shown.unit.as_deref())?;
    let now = state.now();
    state.ask(move |shop| shop.machine(machine, unit, &now)).await.map(Json)
}

/// GET /v1/day-sheet
pub(crate) async fn day_sheet(
    State(state): State<ServerState>,
    _: OfficeOrLead,
    Given(asked): Given<Day>,
) -> Result<Json<DaySheet>, Refused> {
    let unit = given::unit(asked.unit.as_deref())?;
    let day = asked.day.as_deref().map(given::day).transpose()?;
    let now = state.now();
    state.ask(move |shop| shop.day_sheet(day, unit, &now)).await.map(Json)
}

/// GET /v1/contested
pub(crate) async fn contested(
    State(state): State<ServerState>,
    _: OfficeOrLead,
    Given(shown): Given<Shown>,
) -> Result<Json<Vec<ContestedSlot>>, Refused> {
    let unit = given::unit(shown.unit.as_deref())?;
    state.ask(move |shop| shop.contested(unit)).await.map(Json)
}
