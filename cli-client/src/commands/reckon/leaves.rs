//! `tappet reckon leaves`: the way to a verdict with the leaves that the person has.

use shared::valve::Valve;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::parse;
use crate::render;
use crate::session::Session;

/// Arguments of `reckon leaves`.
#[derive(Debug, clap::Args)]
pub(crate) struct LeavesArgs {
    /// The machine's tag, or the last digits of its id
    machine: String,
    /// The valve: 1I, 1E, 2I, 2E
    valve: String,
}

pub(super) fn run(args: &LeavesArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let machine = session.machine(&args.machine)?;
    let valve: Valve = parse::read(&args.valve)?;
    let set = session.leaves()?;
    let reckoned = session.book.reckoner().leaf_plan_of(machine, valve, &set, session.unit)?;
    let plan = render::wrapped(&reckoned.facts.lines.join("\n"), render::width(session.env));
    let outcome = super::answer(&reckoned, &plan, session)?;
    Ok(if session.own_leaves()?.is_some() {
        outcome
    } else {
        outcome.and_say("No leaves of your own are entered; taken for granted is a plain set.")
    })
}
