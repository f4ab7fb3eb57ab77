//! `tappet void`: takes a record back. It stays in the book as history.

use serde_json::json;
use sync_core::queries::short;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::session::Session;

/// Arguments of `void`.
#[derive(Debug, clap::Args)]
pub(crate) struct VoidArgs {
    /// The last digits of the record's id, as screens show them
    record: String,
    /// Why
    #[arg(long, value_name = "TEXT")]
    because: String,
}

pub(crate) fn run(args: &VoidArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    session.book.identity()?;
    let target = session.book.finder().find_record(&args.record)?;
    let record = session.book.author().void(target, &args.because, &mut session.env.hand(None))?;
    let text = format!("Record {} is undone, by record {}. It stays in the history.", short(&target), short(&record));
    Outcome::new(&json!({ "target": target, "record": record }), text)
}
