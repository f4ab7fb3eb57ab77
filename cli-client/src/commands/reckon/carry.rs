//! `tappet reckon carry`: what tightening the lock nut does to a person's settings.

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::session::Session;

/// Arguments of `reckon carry`.
#[derive(Debug, clap::Args)]
pub(crate) struct CarryArgs {
    /// Whose settings: a name, or the last digits of the id
    person: String,
}

pub(super) fn run(args: &CarryArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    session.book.identity()?;
    let person = session.book.finder().find_person(&args.person)?;
    let reckoned = session.book.reckoner().carry_of(person, session.unit)?;
    super::answer(&reckoned, "", session)
}
