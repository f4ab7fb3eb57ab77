//! Crank and piston: what needs no book, and so is for every device that is logged in.

use serde::{Deserialize, Serialize};
use shared::crank::{Crank, HeightAt, TopDeadCenter, past_tdc, tdc_by_equal_drops, tdc_from_heights};
use shared::length::{Length, LengthUnit};
use shared::sensible::{CONNECTING_ROD, PISTON_DROP, STROKE};
use sync_core::queries::reckon::Reckoned;
use utoipa::{IntoParams, ToSchema};

use super::given::{self, Given, Lengths};
use crate::bearer::Caller;
use crate::json::Json;
use crate::problem_response::ApiError;

/// A crank, with the angle or the drop that is known.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct OfCrank {
    /// The stroke: a length.
    #[param(example = "60mm")]
    stroke: String,
    /// Length of the rod: a length.
    #[param(example = "110mm")]
    rod: String,
    /// The crank's angle from top dead center in degrees.
    #[param(example = "20")]
    angle: Option<String>,
    /// The piston's drop from top dead center: a length.
    drop: Option<String>,
    /// Unit of bare lengths and of lengths in words: thou, where none is given, in or mm.
    #[param(value_type = Option<LengthUnit>, inline)]
    unit: Option<String>,
}

/// The piston at an angle.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Piston {
    stroke_tenth_um: Length,
    rod_tenth_um: Length,
    degrees: f64,
    drop_tenth_um: f64,
}

/// Two readings of the flywheel's scale; with drops, stroke and rod where the heights differ.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct OfTdc {
    /// The first reading of the flywheel scale, in degrees.
    #[param(example = "-12")]
    before: String,
    /// The second, in degrees.
    #[param(example = "13.5")]
    after: String,
    /// The piston's drop at the first: a length.
    drop_before: Option<String>,
    /// The piston's drop at the second: a length.
    drop_after: Option<String>,
    /// The stroke, where the drops differ: a length.
    stroke: Option<String>,
    /// The connecting rod, where the drops differ: a length.
    rod: Option<String>,
    /// Unit of bare lengths and of lengths in words: thou, where none is given, in or mm.
    #[param(value_type = Option<LengthUnit>, inline)]
    unit: Option<String>,
}

/// Where top dead center is.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Tdc {
    degrees: f64,
    apart_degrees: f64,
}

/// The piston's drop at an angle of the crank, or the angle past top dead center at a drop
#[utoipa::path(
    get,
    path = "/v1/reckon/crank",
    tag = "any device",
    params(OfCrank),
    responses((status = 200, description = "The piston.", body = Reckoned<Piston>)),
)]
pub(crate) async fn crank(_: Caller, Given(asked): Given<OfCrank>) -> Result<Json<Reckoned<Piston>>, ApiError> {
    let unit = given::unit(asked.unit.as_deref())?;
    let mut lengths = Lengths::bare_in(unit);
    let (stroke, rod) = (lengths.length(&asked.stroke, &STROKE)?, lengths.length(&asked.rod, &CONNECTING_ROD)?);
    let (degrees, drop_tenth_um, words) = match (asked.angle.as_deref(), asked.drop.as_deref()) {
        (Some(angle), None) => {
            let degrees = given::degrees(angle)?;
            let drop = Crank::new(stroke, rod)?.drop_at(degrees)?;
            (degrees, drop, format!("At {degrees}° from top dead center, before it or after it, the piston is {} down.", fine(drop, unit)))
        }
        (None, Some(drop)) => {
            let past = past_tdc(stroke, rod, lengths.length(drop, &PISTON_DROP)?)?;
            (past.degrees, past.drop.mm() * 10_000.0, past.words(unit))
        }
        _ => return Err(ApiError::unreadable("Say either the crank's angle or the piston's drop: write angle=20 or drop=0.25in")),
    };
    let facts = Piston { stroke_tenth_um: stroke, rod_tenth_um: rod, degrees, drop_tenth_um };
    Ok(Json(Reckoned { facts, words: [words].into_iter().chain(lengths.words()).collect() }))
}

/// Top dead center, from two readings of the flywheel scale
#[utoipa::path(
    get,
    path = "/v1/reckon/tdc",
    tag = "any device",
    params(OfTdc),
    responses((status = 200, description = "Where it is.", body = Reckoned<Tdc>)),
)]
pub(crate) async fn tdc(_: Caller, Given(asked): Given<OfTdc>) -> Result<Json<Reckoned<Tdc>>, ApiError> {
    let unit = given::unit(asked.unit.as_deref())?;
    let (before, after) = (given::degrees(&asked.before)?, given::degrees(&asked.after)?);
    let mut lengths = Lengths::bare_in(unit);
    let found = match (&asked.stroke, &asked.rod, &asked.drop_before, &asked.drop_after) {
        (None, None, None, None) => TopDeadCenter { degrees: tdc_by_equal_drops(before, after)?, apart_degrees: 0.0 },
        (Some(stroke), Some(rod), Some(drop_before), Some(drop_after)) => {
            let (stroke, rod) = (lengths.length(stroke, &STROKE)?, lengths.length(rod, &CONNECTING_ROD)?);
            let before = HeightAt { degrees: before, drop_tenth_um: lengths.tenth_um(drop_before, &PISTON_DROP)? };
            let after = HeightAt { degrees: after, drop_tenth_um: lengths.tenth_um(drop_after, &PISTON_DROP)? };
            tdc_from_heights(&Crank::new(stroke, rod)?, before, after)?
        }
        _ => {
            return Err(ApiError::unreadable(
                "Where the heights differ it takes all four of drop_before, drop_after, stroke and rod; where they are equal, none of them",
            ));
        }
    };
    let facts = Tdc { degrees: found.degrees, apart_degrees: found.apart_degrees };
    Ok(Json(Reckoned { facts, words: [found.words()].into_iter().chain(lengths.words()).collect() }))
}

/// A drop that was worked out, as finely as it means anything.
fn fine(tenth_um: f64, unit: LengthUnit) -> String {
    let unit = if unit == LengthUnit::Thou { LengthUnit::Inch } else { unit };
    format!("{} {unit}", unit.worked_out(tenth_um, 1))
}
