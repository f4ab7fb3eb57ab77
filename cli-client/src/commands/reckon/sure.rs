//! `tappet reckon sure`: how probable it is that a valve is in its range, and what that proves.

use shared::conformance::Spread;
use shared::sensible::ANY_LENGTH;

use super::reading::ReadingArgs;
use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::parse;
use crate::session::Session;

/// Arguments of `reckon sure`.
#[derive(Debug, clap::Args)]
pub(crate) struct SureArgs {
    #[command(flatten)]
    reading: ReadingArgs,
    /// Standard uncertainty of a leaf's thickness, as in 0.1thou or 2um
    #[arg(long, value_name = "L")]
    leaf_u: String,
    /// Standard uncertainty of the feel of one leaf
    #[arg(long, value_name = "L")]
    feel_u: String,
    /// Where the two were read, or how they were found
    #[arg(long, value_name = "TEXT")]
    source: String,
    /// How sure is sure enough, in percent, from 50 to below 100 [as the shop has set it]
    #[arg(long, value_name = "PERCENT", value_parser = parse::level)]
    level: Option<f64>,
}

pub(super) fn run(args: &SureArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let asked = args.reading.asked(session)?;
    let spread = Spread {
        leaf_tenth_um: tenth_um(&args.leaf_u, session)?,
        feel_tenth_um: tenth_um(&args.feel_u, session)?,
        source: args.source.trim().to_owned(),
    };
    let reckoned = session.book.reckoner().conformance_of(asked.machine, asked.valve, asked.stage, &spread, args.level, session.unit)?;
    asked.named(super::answer(&reckoned, "", session)?, session)
}

/// A standard uncertainty in tenths of a µm.
fn tenth_um(text: &str, session: &mut Session<'_, '_>) -> Result<f64, Failure> {
    Ok(session.length(text, &ANY_LENGTH)?.mm() * 10_000.0)
}
