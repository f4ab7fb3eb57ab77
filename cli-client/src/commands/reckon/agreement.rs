//! `tappet reckon agreement`: how far people agree where they read the same valves, by two methods.

use jiff::civil::Date;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::session::Session;
use crate::{parse, render};

/// Arguments of `reckon agreement`.
#[derive(Debug, clap::Args)]
pub(crate) struct AgreementArgs {
    /// Only the readings of one day, as in 2026-04-29
    #[arg(long, value_name = "DAY", value_parser = parse::day)]
    day: Option<Date>,
}

pub(super) fn run(args: &AgreementArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    session.book.identity()?;
    let reckoned = session.book.reckoner().agreement(args.day, session.unit)?;
    let table = render::reckon::agreement(&reckoned.facts, session.unit, render::width(session.env));
    super::answer(&reckoned, &table, session)
}
