//! `tappet reckon tdc`: where top dead center is on the flywheel's scale, from a height of the piston on either side.

use serde_json::json;
use shared::crank::{Crank, HeightAt, TopDeadCenter, tdc_by_equal_drops, tdc_from_heights};
use shared::entry;
use shared::sensible::{CONNECTING_ROD, PISTON_DROP, STROKE};
use sync_core::queries::reckon::Reckoned;

use super::no_answer;
use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::session::Session;

/// Arguments of `reckon tdc`.
#[derive(Debug, clap::Args)]
pub(crate) struct TdcArgs {
    /// The scale before top dead center, in degrees
    #[arg(long, value_name = "DEG", value_parser = entry::degrees, allow_negative_numbers = true)]
    before: f64,
    /// The scale after it, in degrees
    #[arg(long, value_name = "DEG", value_parser = entry::degrees, allow_negative_numbers = true)]
    after: f64,
    /// How far the piston was down before top dead center, where the heights differ
    #[arg(long, value_name = "L", requires_all = ["drop_after", "stroke", "rod"])]
    drop_before: Option<String>,
    /// How far it was down after it
    #[arg(long, value_name = "L", requires_all = ["drop_before", "stroke", "rod"])]
    drop_after: Option<String>,
    /// The stroke, as in 70mm
    #[arg(long, value_name = "L", requires_all = ["drop_before", "drop_after", "rod"])]
    stroke: Option<String>,
    /// The connecting rod, center to center, as in 110mm
    #[arg(long, value_name = "L", requires_all = ["drop_before", "drop_after", "stroke"])]
    rod: Option<String>,
}

pub(super) fn run(args: &TdcArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let tdc = match (&args.stroke, &args.rod, &args.drop_before, &args.drop_after) {
        (Some(stroke), Some(rod), Some(drop_before), Some(drop_after)) => {
            let (stroke, rod) = (session.length(stroke, &STROKE)?, session.length(rod, &CONNECTING_ROD)?);
            let crank = Crank::new(stroke, rod).map_err(no_answer)?;
            let mut at = |degrees, drop: &str| {
                Ok::<_, Failure>(HeightAt { degrees, drop_tenth_um: session.length(drop, &PISTON_DROP)?.mm() * 10_000.0 })
            };
            tdc_from_heights(&crank, at(args.before, drop_before)?, at(args.after, drop_after)?).map_err(no_answer)?
        }
        _ => TopDeadCenter { degrees: tdc_by_equal_drops(args.before, args.after).map_err(no_answer)?, apart_degrees: 0.0 },
    };
    let facts = json!({ "degrees": tdc.degrees, "apart_degrees": tdc.apart_degrees });
    super::answer(&Reckoned { facts, words: vec![tdc.words()] }, "", session)
}
