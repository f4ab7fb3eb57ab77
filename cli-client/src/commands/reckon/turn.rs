//! `tappet reckon turn`: how far to turn a valve's adjuster, and how far the lock nut may drag it.

use super::reading::ReadingArgs;
use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::session::Session;

/// Arguments of `reckon turn`.
#[derive(Debug, clap::Args)]
pub(crate) struct TurnArgs {
    #[command(flatten)]
    reading: ReadingArgs,
}

pub(super) fn run(args: &TurnArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let asked = args.reading.asked(session)?;
    let reckoned = session.book.reckoner().turn_of(asked.machine, asked.valve, asked.stage)?;
    asked.named(super::answer(&reckoned, "", session)?, session)
}
