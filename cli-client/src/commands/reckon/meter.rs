//! `tappet reckon meter`: the hour meter's readings, oldest first, and those that cannot be.

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render;
use crate::session::Session;

/// Arguments of `reckon meter`.
#[derive(Debug, clap::Args)]
pub(crate) struct MeterArgs {
    /// The machine's tag, or the last digits of its id
    machine: String,
}

pub(super) fn run(args: &MeterArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let machine = session.machine(&args.machine)?;
    let reckoned = session.book.reckoner().meter_of(machine)?;
    let table = render::reckon::meter(&reckoned.facts, render::width(session.env));
    super::answer(&reckoned, &table, session)
}
