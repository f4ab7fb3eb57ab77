//! Questions to the arithmetic over the book: each route turns its query into a question and hands the answer back.

use axum::Json;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, State};
use serde::Deserialize;
use shared::conformance::Spread;
use shared::ids::{DocId, PersonId};
use shared::length::LengthUnit;
use shared::problem::Code;
use shared::warmth::{Materials, Train};
use sync_core::book::BookError;
use sync_core::question::{Answer, OfMachine, Question};

use super::given::{self, Given};
use crate::bearer::{Caller, OfficeOrLead, OpenMachine};
use crate::problem_response::Refused;
use crate::state::ServerState;

type Answered = Result<Json<Answer>, Refused>;

async fn ask(state: &ServerState, question: Question, unit: LengthUnit) -> Answered {
    let now = state.now();
    state.ask(move |shop| shop.reckon(&question, unit, &now)).await.map(Json)
}

async fn ask_of(state: &ServerState, machine: DocId, asked: OfMachine, unit: LengthUnit) -> Answered {
    ask(state, Question::Machine(machine, asked), unit).await
}

/// How sure a valve is in its range.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Sure {
    valve: String,
    stage: String,
    leaf_u: String,
    feel_u: String,
    source: String,
    level: Option<f64>,
    unit: Option<String>,
}

/// GET /v1/machines/{id}/sure
pub(crate) async fn sure(State(state): State<ServerState>, OpenMachine(machine): OpenMachine, Given(asked): Given<Sure>) -> Answered {
    let unit = given::unit(asked.unit.as_deref())?;
    let spread = Spread {
        leaf_tenth_um: given::tenth_um(&asked.leaf_u, unit)?,
        feel_tenth_um: given::tenth_um(&asked.feel_u, unit)?,
        source: asked.source,
    };
    let (valve, stage) = (given::read(&asked.valve)?, given::read(&asked.stage)?);
    ask_of(&state, machine, OfMachine::Sure { valve, stage, spread, level: asked.level }, unit).await
}

/// Which leaves settle a valve's verdict.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Leaves {
    valve: String,
    set: String,
    unit: Option<String>,
}

/// GET /v1/machines/{id}/leaves
pub(crate) async fn leaves(State(state): State<ServerState>, OpenMachine(machine): OpenMachine, Given(asked): Given<Leaves>) -> Answered {
    let unit = given::unit(asked.unit.as_deref())?;
    let asked = OfMachine::Leaves { valve: given::read(&asked.valve)?, set: given::leaves(&asked.set, unit)? };
    ask_of(&state, machine, asked, unit).await
}

/// A reading, by valve and stage.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Reading {
    valve: String,
    stage: String,
    unit: Option<String>,
}

/// GET /v1/machines/{id}/turn
pub(crate) async fn turn(State(state): State<ServerState>, OpenMachine(machine): OpenMachine, Given(asked): Given<Reading>) -> Answered {
    let unit = given::unit(asked.unit.as_deref())?;
    let asked = OfMachine::Turn { valve: given::read(&asked.valve)?, stage: given::read(&asked.stage)? };
    ask_of(&state, machine, asked, unit).await
}

/// What a warm reading may be when cold.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Warm {
    valve: String,
    stage: String,
    barrel: String,
    rod: String,
    barrel_material: String,
    rod_material: String,
    ratio: Option<String>,
    barrel_warmer: String,
    rod_warmer: String,
    unit: Option<String>,
}

/// GET /v1/machines/{id}/warm
pub(crate) async fn warm(State(state): State<ServerState>, OpenMachine(machine): OpenMachine, Given(asked): Given<Warm>) -> Answered {
    let unit = given::unit(asked.unit.as_deref())?;
    let (valve, stage) = (given::read(&asked.valve)?, given::read(&asked.stage)?);
    let warmer_tenth_c = (given::tenth_c(&asked.barrel_warmer)?, given::tenth_c(&asked.rod_warmer)?);
    let (barrel, rod) = (given::length(&asked.barrel, unit)?, given::length(&asked.rod, unit)?);
    let materials = Materials { barrel: given::material(&asked.barrel_material)?, rod: given::material(&asked.rod_material)? };
    let ratio_milli = match asked.ratio {
        Some(ratio) => given::ratio_milli(&ratio)?,
        None => ratio_of_card(&state, machine, unit).await?,
    };
    let train = Train { barrel, rod, materials, ratio_milli, stem: None };
    ask_of(&state, machine, OfMachine::Warm { valve, stage, train, warmer_tenth_c }, unit).await
}

async fn ratio_of_card(state: &ServerState, machine: DocId, unit: LengthUnit) -> Result<u32, Refused> {
    let now = state.now();
    let view = state.ask(move |shop| shop.machine(machine, unit, &now)).await?;
    let adjuster = view.engine_card.and_then(|card| card.adjuster);
    let say = "No engine card names this machine's rocker ratio. Give it with ratio=1.3, valve-side arm over push-rod-side arm.";
    adjuster.map(|adjuster| adjuster.ratio_milli).ok_or_else(|| BookError::Reckoning(say.to_owned()).into())
}

/// The unit of lengths. Taken where there are none, too: a caller may always send it.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Shown {
    unit: Option<String>,
}

/// GET /v1/machines/{id}/meter
pub(crate) async fn meter(State(state): State<ServerState>, OpenMachine(machine): OpenMachine, Given(shown): Given<Shown>) -> Answered {
    ask_of(&state, machine, OfMachine::Meter, given::unit(shown.unit.as_deref())?).await
}

/// Which readings and days count.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Days {
    days: Option<u32>,
    season: Option<String>,
    unit: Option<String>,
}

/// GET /v1/machines/{id}/usage
pub(crate) async fn usage(State(state): State<ServerState>, OpenMachine(machine): OpenMachine, Given(asked): Given<Days>) -> Answered {
    let season = given::season(asked.days, asked.season.as_deref())?;
    ask_of(&state, machine, OfMachine::Usage { season }, given::unit(asked.unit.as_deref())?).await
}

/// GET /v1/machines/{id}/due
pub(crate) async fn due(State(state): State<ServerState>, OpenMachine(machine): OpenMachine, Given(asked): Given<Days>) -> Answered {
    let season = given::season(asked.days, asked.season.as_deref())?;
    ask_of(&state, machine, OfMachine::Due { season }, given::unit(asked.unit.as_deref())?).await
}

/// One valve.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct OneValve {
    valve: String,
    unit: Option<String>,
}

/// GET /v1/machines/{id}/drift
pub(crate) async fn drift(State(state): State<ServerState>, OpenMachine(machine): OpenMachine, Given(asked): Given<OneValve>) -> Answered {
    let unit = given::unit(asked.unit.as_deref())?;
    ask_of(&state, machine, OfMachine::Drift { valve: given::read(&asked.valve)? }, unit).await
}

/// GET /v1/people/{id}/carry: for the office and leads, and for the person.
pub(crate) async fn carry(
    State(state): State<ServerState>,
    caller: Caller,
    id: Result<Path<String>, PathRejection>,
    Given(shown): Given<Shown>,
) -> Answered {
    let Path(id) = id?;
    let person: Option<PersonId> = id.parse().ok();
    if person != Some(caller.person) {
        caller.office_or_lead()?;
    }
    let person = person.ok_or_else(|| Refused::new(Code::NotFound, "There is no such person. Ask by the id of someone on the roster."))?;
    let unit = given::unit(shown.unit.as_deref())?;
    ask(&state, Question::Carry { person }, unit).await
}

/// Which day's readings.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Day {
    day: Option<String>,
    unit: Option<String>,
}

/// GET /v1/agreement
pub(crate) async fn agreement(State(state): State<ServerState>, _: OfficeOrLead, Given(asked): Given<Day>) -> Answered {
    let unit = given::unit(asked.unit.as_deref())?;
    let day = asked.day.as_deref().map(given::day).transpose()?;
    ask(&state, Question::Agreement { day }, unit).await
}

/// How far ahead, and how long.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Round {
    days: Option<u32>,
    minutes: Option<u32>,
    unit: Option<String>,
}

/// GET /v1/round
pub(crate) async fn round(State(state): State<ServerState>, _: OfficeOrLead, Given(asked): Given<Round>) -> Answered {
    let unit = given::unit(asked.unit.as_deref())?;
    ask(&state, Question::Round { days: asked.days, minutes: asked.minutes }, unit).await
}
