//! `tappet note`: leaves a note on a machine.

use serde_json::json;
use sync_core::queries::short;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::session::Session;

/// Arguments of `note`.
#[derive(Debug, clap::Args)]
pub(crate) struct NoteArgs {
    /// The machine's tag, or the last digits of its id
    machine: String,
    /// The note
    text: String,
}

pub(crate) fn run(args: &NoteArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let machine = session.machine(&args.machine)?;
    let record = session.book.author().add_note(machine, &args.text, &mut session.env.hand(None))?;
    Outcome::new(&json!({ "machine": machine, "record": record }), format!("Kept as record {}.", short(&record)))
}
