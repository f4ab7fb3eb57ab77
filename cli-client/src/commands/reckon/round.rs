//! `tappet reckon round`: which properties are worth the drive, what is done there, and what to bring.

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render;
use crate::session::Session;

/// Arguments of `reckon round`.
#[derive(Debug, clap::Args)]
pub(crate) struct RoundArgs {
    /// How many days ahead a check counts as soon [two weeks]
    #[arg(long, value_name = "N")]
    days: Option<u32>,
    /// The most minutes of work, without driving [no limit]
    #[arg(long, value_name = "N")]
    minutes: Option<u32>,
}

pub(super) fn run(args: &RoundArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    session.book.identity()?;
    let now = session.env.now();
    let reckoned = session.book.reckoner().week_round(args.days, args.minutes, &now)?;
    let screen = render::reckon::round(&reckoned.facts, &reckoned.words, session)?;
    Outcome::new(&reckoned, screen)
}
