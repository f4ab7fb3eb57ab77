//! `tappet backup`: this device's whole book, keys and all, in a new file.

use std::path::PathBuf;

use serde_json::json;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render;
use crate::session::Session;

/// Arguments of `backup`.
#[derive(Debug, clap::Args)]
#[command(after_help = "To go back to a backup, put the file in the place of the book (--book FILE) and exchange: what it lacks \
    comes from the shop, and nothing comes twice. What was entered after the backup and never exchanged is not in it.")]
pub(crate) struct BackupArgs {
    /// The file to make; it must not exist
    file: PathBuf,
}

pub(crate) fn run(args: &BackupArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    session.book.identity()?;
    let made = session.book.upkeep().backup_to(&args.file).map_err(|error| Failure::CouldNot(error.to_string()))?;
    let text = format!(
        "Written to {}: {}, {}, {} bytes. It holds this device's keys: whoever has the file can write as this device, so keep it where only you can read it. Put it in the place of the book to go back to it.",
        args.file.display(),
        render::count(usize::try_from(made.documents).unwrap_or(usize::MAX), "document"),
        render::count(usize::try_from(made.records).unwrap_or(usize::MAX), "record"),
        made.bytes
    );
    let json = json!({ "file": args.file, "documents": made.documents, "records": made.records, "bytes": made.bytes });
    Outcome::new(&json, render::wrapped(&text, render::width(session.env)))
}
