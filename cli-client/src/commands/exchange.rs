//! `tappet exchange`: brings this book and the shop level.

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render;
use crate::session::Session;
use crate::sync;

/// Arguments of `exchange`.
#[derive(Debug, clap::Args)]
pub(crate) struct ExchangeArgs {}

pub(crate) fn run(_args: &ExchangeArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let done = sync::exchange(session)?;
    let text = render::exchange::words(session, &done)?;
    Ok(Outcome::new(&done, text)?.needing(render::exchange::wants_a_look(&done)))
}
