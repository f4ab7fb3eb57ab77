//! `tappet reckon crank`: how far the piston is down at an angle, or at which angle past top dead center it is so far down.

use serde_json::json;
use shared::crank::{Crank, past_tdc};
use shared::entry;
use shared::sensible::{CONNECTING_ROD, PISTON_DROP, STROKE};
use sync_core::queries::reckon::Reckoned;

use super::no_answer;
use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render;
use crate::session::Session;

/// Arguments of `reckon crank`.
#[derive(Debug, clap::Args)]
pub(crate) struct CrankArgs {
    /// The stroke, as in 70mm
    #[arg(long, value_name = "L")]
    stroke: String,
    /// The connecting rod, center to center, as in 110mm
    #[arg(long, value_name = "L")]
    rod: String,
    /// The crank's angle from top dead center, in degrees
    #[arg(long, value_name = "DEG", value_parser = entry::degrees, allow_negative_numbers = true)]
    #[arg(required_unless_present = "drop", conflicts_with = "drop")]
    angle: Option<f64>,
    /// How far the piston is to be down, past top dead center
    #[arg(long, value_name = "L")]
    drop: Option<String>,
}

pub(super) fn run(args: &CrankArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let (stroke, rod) = (session.length(&args.stroke, &STROKE)?, session.length(&args.rod, &CONNECTING_ROD)?);
    let (degrees, drop_tenth_um, words) = match (&args.drop, args.angle) {
        (Some(drop), _) => {
            let past = past_tdc(stroke, rod, session.length(drop, &PISTON_DROP)?).map_err(no_answer)?;
            (past.degrees, past.drop.mm() * 10_000.0, past.words(session.unit))
        }
        (None, angle) => {
            // Not minus zero, which would be shown as such.
            let angle = angle.unwrap_or_default() + 0.0;
            let drop = Crank::new(stroke, rod).and_then(|crank| crank.drop_at(angle)).map_err(no_answer)?;
            let shown = render::reckon::fine(drop, session.unit);
            (angle, drop, format!("At {angle}° from top dead center, before it or after it, the piston is {shown} down."))
        }
    };
    let facts = json!({ "stroke_tenth_um": stroke, "rod_tenth_um": rod, "degrees": degrees, "drop_tenth_um": drop_tenth_um });
    super::answer(&Reckoned { facts, words: vec![words] }, "", session)
}
