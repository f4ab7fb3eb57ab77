//! Questions to the arithmetic over the book: each route turns its query into a question and hands the answer back.

use axum::extract::rejection::PathRejection;
use axum::extract::{Path, State};
use serde::{Deserialize, Serialize};
use shared::carry::Carry;
use shared::conformance::{Decided, Spread};
use shared::ids::PersonId;
use shared::length::LengthUnit;
use shared::problem::Code;
use shared::record::Stage;
use shared::sensible::ANY_LENGTH;
use shared::usage::Usage;
use shared::valve::Valve;
use sync_core::engine::BookError;
use sync_core::queries::Reckoner;
use sync_core::queries::reckon::{AgreementFacts, DriftFacts, DueFacts, LeafPlan, MeterLine, Reckoned, TurnFacts};
use sync_core::sys::clock::ClockReading;
use utoipa::IntoParams;

use super::given::{self, Given, Lengths};
use crate::bearer::{Caller, OfficeOrLead, OpenMachine};
use crate::json::Json;
use crate::problem_response::ApiError;
use crate::state::ServerState;

pub(super) type Answered<T> = Result<Json<Reckoned<T>>, ApiError>;

/// Asks the book's arithmetic.
pub(super) async fn ask<T: Serialize + Send + 'static>(
    state: &ServerState,
    question: impl FnOnce(&Reckoner<'_>, &ClockReading) -> Result<Reckoned<T>, BookError> + Send + 'static,
) -> Answered<T> {
    let now = state.now();
    state.read(move |book| question(&book.reckoner(), &now)).await.map(Json)
}

/// An answer, with what of the question was taken for inches.
pub(super) fn noted<T: Serialize>(Json(mut answer): Json<Reckoned<T>>, lengths: &Lengths) -> Json<Reckoned<T>> {
    answer.words.extend(lengths.words());
    Json(answer)
}

/// How sure a valve is in its range.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct Sure {
    /// The valve, as in 1I or 2E.
    #[param(value_type = Valve, inline)]
    valve: String,
    /// Which reading of it.
    #[param(value_type = Stage, inline)]
    stage: String,
    /// Standard uncertainty of a leaf's thickness: a length, as in 0.1thou or 0.002mm.
    #[param(example = "0.1thou")]
    leaf_u: String,
    /// Standard uncertainty of the feel: a length.
    #[param(example = "0.2thou")]
    feel_u: String,
    /// Where those two were read.
    #[param(example = "a table of ours, measured 2026")]
    source: String,
    /// The probability that is asked for; 0.95 where none is given.
    level: Option<f64>,
    /// Unit of bare lengths and of lengths in words: thou, where none is given, in or mm.
    #[param(value_type = Option<LengthUnit>, inline)]
    unit: Option<String>,
}

/// How sure a valve is in its range (JCGM 106)
#[utoipa::path(
    get,
    path = "/v1/machines/{id}/sure",
    tag = "whoever may read the machine",
    params(("id" = String, Path, format = Uuid, description = "The machine."), Sure),
    responses((status = 200, description = "The probability and the decision.", body = Reckoned<Decided>)),
)]
pub(crate) async fn sure(
    State(state): State<ServerState>,
    OpenMachine(machine): OpenMachine,
    Given(asked): Given<Sure>,
) -> Answered<Decided> {
    let unit = given::unit(asked.unit.as_deref())?;
    let mut lengths = Lengths::bare_in(unit);
    let spread = Spread {
        leaf_tenth_um: lengths.tenth_um(&asked.leaf_u, &ANY_LENGTH)?,
        feel_tenth_um: lengths.tenth_um(&asked.feel_u, &ANY_LENGTH)?,
        source: asked.source,
    };
    let (valve, stage) = (given::read(&asked.valve)?, given::read(&asked.stage)?);
    let answer = ask(&state, move |book, _| book.conformance_of(machine, valve, stage, &spread, asked.level, unit)).await?;
    Ok(noted(answer, &lengths))
}

/// Which leaves settle a valve's verdict.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct Leaves {
    /// The valve, as in 1I or 2E.
    #[param(value_type = Valve, inline)]
    valve: String,
    /// The leaves at hand: 2,3,4 or 2-12.
    #[param(example = "2-12")]
    set: String,
    /// Unit of bare lengths and of lengths in words: thou, where none is given, in or mm.
    #[param(value_type = Option<LengthUnit>, inline)]
    unit: Option<String>,
}

/// Which leaves settle a valve's verdict in the fewest tries
#[utoipa::path(
    get,
    path = "/v1/machines/{id}/leaves",
    tag = "whoever may read the machine",
    params(("id" = String, Path, format = Uuid, description = "The machine."), Leaves),
    responses((status = 200, description = "The plan.", body = Reckoned<LeafPlan>)),
)]
pub(crate) async fn leaves(
    State(state): State<ServerState>,
    OpenMachine(machine): OpenMachine,
    Given(asked): Given<Leaves>,
) -> Answered<LeafPlan> {
    let unit = given::unit(asked.unit.as_deref())?;
    let mut lengths = Lengths::bare_in(unit);
    let (valve, set) = (given::read(&asked.valve)?, lengths.leaves(&asked.set)?);
    Ok(noted(ask(&state, move |book, _| book.leaf_plan_of(machine, valve, &set, unit)).await?, &lengths))
}

/// A reading, by valve and stage.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct Reading {
    /// The valve, as in 1I or 2E.
    #[param(value_type = Valve, inline)]
    valve: String,
    /// Which reading of it.
    #[param(value_type = Stage, inline)]
    stage: String,
    /// Unit of bare lengths and of lengths in words: thou, where none is given, in or mm.
    #[param(value_type = Option<LengthUnit>, inline)]
    unit: Option<String>,
}

/// How far to turn an adjuster
#[utoipa::path(
    get,
    path = "/v1/machines/{id}/turn",
    tag = "whoever may read the machine",
    params(("id" = String, Path, format = Uuid, description = "The machine."), Reading),
    responses((status = 200, description = "The turn.", body = Reckoned<TurnFacts>)),
)]
pub(crate) async fn turn(
    State(state): State<ServerState>,
    OpenMachine(machine): OpenMachine,
    Given(asked): Given<Reading>,
) -> Answered<TurnFacts> {
    given::unit(asked.unit.as_deref())?;
    let (valve, stage) = (given::read(&asked.valve)?, given::read(&asked.stage)?);
    ask(&state, move |book, _| book.turn_of(machine, valve, stage)).await
}

/// The unit of lengths. Taken where there are none, too: a caller may always send it.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct Shown {
    /// Unit of bare lengths and of lengths in words: thou, where none is given, in or mm.
    #[param(value_type = Option<LengthUnit>, inline)]
    unit: Option<String>,
}

/// The hour meter's readings, and which of them cannot be
#[utoipa::path(
    get,
    path = "/v1/machines/{id}/meter",
    tag = "whoever may read the machine",
    params(("id" = String, Path, format = Uuid, description = "The machine."), Shown),
    responses((status = 200, description = "The readings, oldest first.", body = Reckoned<Vec<MeterLine>>)),
)]
pub(crate) async fn meter(
    State(state): State<ServerState>,
    OpenMachine(machine): OpenMachine,
    Given(shown): Given<Shown>,
) -> Answered<Vec<MeterLine>> {
    given::unit(shown.unit.as_deref())?;
    ask(&state, move |book, _| book.meter_of(machine)).await
}

/// Which readings and days count.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct Days {
    /// How many days back readings count, or how many days ahead a check counts as soon.
    #[param(format = Int64, minimum = 0, maximum = 4_294_967_295.0)]
    days: Option<u32>,
    /// First and last day of the season as month-day, as in 03-01..10-31.
    #[param(example = "03-01..10-31")]
    season: Option<String>,
    /// Unit of bare lengths and of lengths in words: thou, where none is given, in or mm.
    #[param(value_type = Option<LengthUnit>, inline)]
    unit: Option<String>,
}

/// Hours a day
#[utoipa::path(
    get,
    path = "/v1/machines/{id}/usage",
    tag = "whoever may read the machine",
    params(("id" = String, Path, format = Uuid, description = "The machine."), Days),
    responses((status = 200, description = "The use.", body = Reckoned<Usage>)),
)]
pub(crate) async fn usage(
    State(state): State<ServerState>,
    OpenMachine(machine): OpenMachine,
    Given(asked): Given<Days>,
) -> Answered<Usage> {
    let season = given::season(asked.days, asked.season.as_deref())?;
    given::unit(asked.unit.as_deref())?;
    ask(&state, move |book, now| book.usage_of(machine, &season, now)).await
}

/// When the next check is due, as a range
#[utoipa::path(
    get,
    path = "/v1/machines/{id}/due",
    tag = "whoever may read the machine",
    params(("id" = String, Path, format = Uuid, description = "The machine."), Days),
    responses((status = 200, description = "The range.", body = Reckoned<DueFacts>)),
)]
pub(crate) async fn due(
    State(state): State<ServerState>,
    OpenMachine(machine): OpenMachine,
    Given(asked): Given<Days>,
) -> Answered<DueFacts> {
    let season = given::season(asked.days, asked.season.as_deref())?;
    given::unit(asked.unit.as_deref())?;
    ask(&state, move |book, now| book.due_range_of(machine, &season, now)).await
}

/// One valve.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct OneValve {
    /// The valve, as in 1I or 2E.
    #[param(value_type = Valve, inline)]
    valve: String,
    /// Unit of bare lengths and of lengths in words: thou, where none is given, in or mm.
    #[param(value_type = Option<LengthUnit>, inline)]
    unit: Option<String>,
}

/// How a valve's clearance changes with hours
#[utoipa::path(
    get,
    path = "/v1/machines/{id}/drift",
    tag = "whoever may read the machine",
    params(("id" = String, Path, format = Uuid, description = "The machine."), OneValve),
    responses((status = 200, description = "The drift.", body = Reckoned<DriftFacts>)),
)]
pub(crate) async fn drift(
    State(state): State<ServerState>,
    OpenMachine(machine): OpenMachine,
    Given(asked): Given<OneValve>,
) -> Answered<DriftFacts> {
    let unit = given::unit(asked.unit.as_deref())?;
    let valve = given::read(&asked.valve)?;
    ask(&state, move |book, _| book.drift_of(machine, valve, unit)).await
}

/// What tightening the lock nut does to a person's settings
///
/// For the office and leads, and for the person.
#[utoipa::path(
    get,
    path = "/v1/people/{id}/carry",
    tag = "office and leads",
    params(("id" = String, Path, format = Uuid, description = "The person."), Shown),
    responses((status = 200, description = "The carry.", body = Reckoned<Carry>)),
)]
pub(crate) async fn carry(
    State(state): State<ServerState>,
    caller: Caller,
    id: Result<Path<String>, PathRejection>,
    Given(shown): Given<Shown>,
) -> Answered<Carry> {
    let Path(id) = id?;
    let person: Option<PersonId> = id.parse().ok();
    if person != Some(caller.person) {
        caller.office_or_lead()?;
    }
    let person = person.ok_or_else(|| ApiError::new(Code::NotFound, "There is no such person. Ask by the id of someone on the roster."))?;
    let unit = given::unit(shown.unit.as_deref())?;
    ask(&state, move |book, _| book.carry_of(person, unit)).await
}

/// Which day's readings.
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

/// How far people agree in repeat readings
#[utoipa::path(
    get,
    path = "/v1/agreement",
    tag = "office and leads",
    params(Day),
    responses((status = 200, description = "The agreement, by both methods.", body = Reckoned<AgreementFacts>)),
)]
pub(crate) async fn agreement(State(state): State<ServerState>, _: OfficeOrLead, Given(asked): Given<Day>) -> Answered<AgreementFacts> {
    let unit = given::unit(asked.unit.as_deref())?;
    let day = asked.day.as_deref().map(given::day).transpose()?;
    ask(&state, move |book, _| book.agreement(day, unit)).await
}

/// How far ahead, and how long.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct Round {
    /// How many days back readings count, or how many days ahead a check counts as soon.
    #[param(format = Int64, minimum = 0, maximum = 4_294_967_295.0)]
    days: Option<u32>,
    /// The most minutes of work.
    #[param(format = Int64, minimum = 0, maximum = 4_294_967_295.0)]
    minutes: Option<u32>,
    /// Unit of bare lengths and of lengths in words: thou, where none is given, in or mm.
    #[param(value_type = Option<LengthUnit>, inline)]
    unit: Option<String>,
}

/// The week's round: which properties are worth the drive
#[utoipa::path(
    get,
    path = "/v1/round",
    tag = "office and leads",
    params(Round),
    responses((status = 200, description = "The round.", body = Reckoned<shared::round::Round>)),
)]
pub(crate) async fn round(State(state): State<ServerState>, _: OfficeOrLead, Given(asked): Given<Round>) -> Answered<shared::round::Round> {
    given::unit(asked.unit.as_deref())?;
    ask(&state, move |book, now| book.week_round(asked.days, asked.minutes, now)).await
}
