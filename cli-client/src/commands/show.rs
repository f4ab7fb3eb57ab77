//! `tappet show`: one machine as it stands.

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render;
use crate::session::Session;

/// Arguments of `show`.
#[derive(Debug, clap::Args)]
pub(crate) struct ShowArgs {
    /// The machine's tag, or the last digits of its id
    machine: String,
}

pub(crate) fn run(args: &ShowArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let machine = session.machine(&args.machine)?;
    let now = session.env.now();
    let view = session.book.machines().machine_view(machine, session.unit, &now)?;
    let text = render::machine::screen(&view, session)?;
    Outcome::new(&view, text)
}
