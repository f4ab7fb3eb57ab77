//! What a reading taken on a warm engine may be when cold.

use axum::extract::State;
use serde::Deserialize;
use shared::ids::DocId;
use shared::length::LengthUnit;
use shared::record::Stage;
use shared::sensible::TRAIN_PART;
use shared::thermal::{Head, Part, Train, WarmEstimate};
use shared::valve::Valve;
use sync_core::engine::BookError;
use sync_core::queries::reckon::Reckoned;
use utoipa::IntoParams;

use super::given::{self, Given, Lengths};
use super::reckoning::{Answered, ask, noted};
use crate::bearer::OpenMachine;
use crate::problem_response::ApiError;
use crate::state::ServerState;

/// What a warm reading may be when cold.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct Warm {
    /// The valve, as in 1I or 2E.
    #[param(value_type = Valve, inline)]
    valve: String,
    /// Which reading of it.
    #[param(value_type = Stage, inline)]
    stage: String,
    /// Length of head and cylinder from cam to rocker: a length.
    #[param(example = "90mm")]
    barrel: String,
    /// Length of the rod: a length.
    #[param(example = "140mm")]
    rod: String,
    /// Length of the valve stem, from the valve's seat to its tip: a length.
    #[param(example = "90mm")]
    stem: String,
    /// What head and cylinder are made of: a name, or a coefficient in 1e-6 per K with its source.
    #[param(example = "aluminium-356")]
    barrel_material: String,
    /// What the push rod is made of: a name, or a coefficient in 1e-6 per K with its source.
    #[param(example = "steel-1040")]
    rod_material: String,
    /// What the valve stem is made of: a name, or a coefficient in 1e-6 per K with its source.
    #[param(example = "steel-4140")]
    stem_material: String,
    /// What the head beside the stem is made of; as head and cylinder where none is given.
    #[param(example = "aluminium-356")]
    head_material: Option<String>,
    /// Rocker ratio, valve-side arm over push-rod-side arm; the engine card's where none is given.
    #[param(example = "1.3")]
    ratio: Option<String>,
    /// How much warmer than cold head and cylinder are, °C with at most one decimal.
    #[param(example = "20")]
    barrel_warmer: String,
    /// How much warmer than cold the push rod is, °C with at most one decimal.
    #[param(example = "18.5")]
    rod_warmer: String,
    /// How much warmer than cold the valve stem is, °C with at most one decimal.
    #[param(example = "25")]
    stem_warmer: String,
    /// How much warmer than cold the head beside the stem is; as head and cylinder where none is given.
    #[param(example = "20")]
    head_warmer: Option<String>,
    /// Unit of bare lengths and of lengths in words: thou, where none is given, in or mm.
    #[param(value_type = Option<LengthUnit>, inline)]
    unit: Option<String>,
}

/// What a reading taken warm may be when cold
#[utoipa::path(
    get,
    path = "/v1/machines/{id}/warm",
    tag = "whoever may read the machine",
    params(("id" = String, Path, format = Uuid, description = "The machine."), Warm),
    responses((status = 200, description = "The estimate.", body = Reckoned<WarmEstimate>)),
)]
pub(crate) async fn warm(
    State(state): State<ServerState>,
    OpenMachine(machine): OpenMachine,
    Given(asked): Given<Warm>,
) -> Answered<WarmEstimate> {
    let unit = given::unit(asked.unit.as_deref())?;
    let (valve, stage) = (given::read(&asked.valve)?, given::read(&asked.stage)?);
    let mut lengths = Lengths::bare_in(unit);
    let mut part = |length: &str, material: &str, warmer: &str| -> Result<Part, ApiError> {
        Ok(Part {
            length: lengths.length(length, &TRAIN_PART)?,
            material: given::material(material)?,
            warmer_tenth_c: given::warmer_tenth_c(warmer)?,
        })
    };
    let stack = part(&asked.barrel, &asked.barrel_material, &asked.barrel_warmer)?;
    let rod = part(&asked.rod, &asked.rod_material, &asked.rod_warmer)?;
    let stem = part(&asked.stem, &asked.stem_material, &asked.stem_warmer)?;
    let head_material = asked.head_material.as_deref().map(given::material).transpose()?;
    let head = Head::of(&stack, head_material, asked.head_warmer.as_deref().map(given::warmer_tenth_c).transpose()?);
    let ratio_milli = match asked.ratio {
        Some(ratio) => given::ratio_milli(&ratio)?,
        None => ratio_of_card(&state, machine, unit).await?,
    };
    let train = Train { stack, rod, stem, head, ratio_milli };
    let answer = ask(&state, move |book, _| book.warm_of(machine, valve, stage, &train, unit)).await?;
    Ok(noted(answer, &lengths))
}

async fn ratio_of_card(state: &ServerState, machine: DocId, unit: LengthUnit) -> Result<u32, ApiError> {
    let now = state.now();
    let view = state.read(move |book| book.machines().machine_screen(machine, unit, &now)).await?;
    let adjuster = view.engine_card.and_then(|card| card.adjuster);
    let say = "No engine card names this machine's rocker ratio. Give it with ratio=1.3, valve-side arm over push-rod-side arm.";
    adjuster.map(|adjuster| adjuster.ratio_milli).ok_or_else(|| BookError::Reckoning(say.to_owned()).into())
}
