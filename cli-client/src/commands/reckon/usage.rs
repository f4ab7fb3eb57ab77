//! `tappet reckon usage`: how many hours a day a machine runs.

use super::season::SeasonArgs;
use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::session::Session;

pub(super) fn run(args: &SeasonArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let machine = session.machine(&args.machine)?;
    let now = session.env.now();
    let reckoned = session.book.reckoner().usage_of(machine, &args.season()?, &now)?;
    super::answer(&reckoned, "", session)
}
