//! Looking: the due list, one machine, the day sheet, what is contested.

use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
use jiff::civil::Date;
use serde::Deserialize;
use shared::ids::MachineId;
use shared::length::LengthUnit;
use shared::problem::Code;
use sync_core::book::BookError;
use sync_core::view::{ContestedSlot, DaySheet, DueLine, MachineView};

use crate::bearer::{Caller, OfficeOrLead};
use crate::problem_response::Refused;
use crate::state::ServerState;

/// In which unit lengths are shown. A misspelt parameter is refused: a wrong unit must not pass for a right one.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Shown {
    unit: Option<String>,
}

/// Which day is asked for.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Day {
    day: Option<String>,
    unit: Option<String>,
}

fn unit_of(given: Option<&str>) -> Result<LengthUnit, Refused> {
    match given {
        None | Some("thou") => Ok(LengthUnit::Thou),
        Some("mm") => Ok(LengthUnit::Mm),
        Some(_) => Err(Refused::new(Code::Unreadable, "A unit is thou or mm: write ?unit=thou or ?unit=mm.")),
    }
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
    caller: Caller,
    Path(id): Path<String>,
    shown: Result<Query<Shown>, QueryRejection>,
) -> Result<Json<MachineView>, Refused> {
    let Query(shown) = shown?;
    let unit = unit_of(shown.unit.as_deref())?;
    let machine: MachineId = id.parse().map_err(|_| closed())?;
    let now = state.now();
    let view = state.ask(move |shop| {
        if !shop.may_read(caller.person, machine.doc())? {
            return Err(closed());
        }
        Ok(shop.machine(machine.doc(), unit, &now)?)
    });
    view.await.map(Json)
}

/// The same whether there is no such machine or it is not the caller's to see: the difference is nobody's business.
fn closed() -> Refused {
    Refused::new(Code::DocumentClosed, "There is no such machine, or it is not open to this device. Ask the office to assign its property.")
}

/// GET /v1/day-sheet
pub(crate) async fn day_sheet(
    State(state): State<ServerState>,
    _: OfficeOrLead,
    asked: Result<Query<Day>, QueryRejection>,
) -> Result<Json<DaySheet>, Refused> {
    let Query(asked) = asked?;
    let unit = unit_of(asked.unit.as_deref())?;
    let day = asked.day.as_deref().map(day_of).transpose()?;
    let now = state.now();
    state.ask(move |shop| shop.day_sheet(day, unit, &now)).await.map(Json)
}

/// A day as year, month and day alone: a time with it would be a mistake about what is asked.
fn day_of(given: &str) -> Result<Date, Refused> {
    let plain = given.len() == 10 && given.bytes().all(|b| b.is_ascii_digit() || b == b'-');
    let day = plain.then(|| given.parse().ok()).flatten();
    day.ok_or_else(|| Refused::new(Code::Unreadable, "A day is written as year-month-day: write ?day=2026-05-04."))
}

/// GET /v1/contested
pub(crate) async fn contested(
    State(state): State<ServerState>,
    _: OfficeOrLead,
    shown: Result<Query<Shown>, QueryRejection>,
) -> Result<Json<Vec<ContestedSlot>>, Refused> {
    let Query(shown) = shown?;
    let unit = unit_of(shown.unit.as_deref())?;
    state.ask(move |shop| shop.contested(unit)).await.map(Json)
}
