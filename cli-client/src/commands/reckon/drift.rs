//! `tappet reckon drift`: how a valve's clearance changes with hours, and how long it stays in its range.

use shared::valve::Valve;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::parse;
use crate::session::Session;

/// Arguments of `reckon drift`.
#[derive(Debug, clap::Args)]
pub(crate) struct DriftArgs {
    /// The machine's tag, or the last digits of its id
    machine: String,
    /// The valve: 1I, 1E, 2I, 2E
    valve: String,
}

pub(super) fn run(args: &DriftArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let machine = session.machine(&args.machine)?;
    let valve: Valve = parse::read(&args.valve)?;
    let reckoned = session.book.reckoner().drift_of(machine, valve, session.unit)?;
    super::answer(&reckoned, "", session)
}
