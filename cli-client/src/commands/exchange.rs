//! `tappet exchange`: brings this book and the shop level.

use crate::exit::Failure;
use crate::level;
use crate::outcome::Outcome;
use crate::session::Session;
use crate::show;

/// Arguments of `exchange`.
#[derive(Debug, clap::Args)]
pub(crate) struct ExchangeArgs {}

pub(crate) fn run(_args: &ExchangeArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let done = level::exchange(session)?;
    let text = show::exchange::words(session, &done)?;
    Ok(Outcome::new(&done, text)?.needing(show::exchange::wants_a_look(&done)))
}
