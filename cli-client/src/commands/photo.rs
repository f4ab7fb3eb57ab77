//! `tappet photo`: notes a photo by the hash of its file, and keeps the picture for the next exchange.

use std::path::PathBuf;

use serde_json::json;
use shared::picture::{LARGEST_PICTURE, check};
use shared::record::Photo;
use sync_core::book::pictures::sha256;
use sync_core::queries::short;

use crate::exit::Failure;
use crate::files;
use crate::outcome::Outcome;
use crate::pictures::{pictures_of, unkept};
use crate::render;
use crate::session::Session;

/// Arguments of `photo`.
#[derive(Debug, clap::Args)]
pub(crate) struct PhotoArgs {
    /// The machine's tag, or the last digits of its id
    machine: String,
    /// The picture's file: JPEG, PNG or WebP, at most 8 MiB
    file: PathBuf,
    /// What it shows
    #[arg(long, value_name = "TEXT", default_value = "")]
    caption: String,
}

pub(crate) fn run(args: &PhotoArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let machine = session.machine(&args.machine)?;
    let bytes = files::read_at_most(&args.file, LARGEST_PICTURE)?;
    let kind = check(&bytes).map_err(|error| Failure::Given(format!("{}: {error}", args.file.display())))?;
    let (sha256, size_bytes) = (sha256(&bytes), bytes.len() as u64);
    // The picture first: a record of a picture that is nowhere would say too much.
    pictures_of(session)?.keep(machine, sha256, &bytes).map_err(unkept)?;
    let photo = Photo { sha256, size_bytes, media_type: kind.media_type().to_owned(), caption: args.caption.clone(), visit: None };
    let record = session.book.author().add_photo(machine, photo, &mut session.env.hand(None))?;
    let text = format!(
        "Kept as record {}, with the picture itself: {size_bytes} bytes, SHA-256 {sha256}. Both go to the shop with the next exchange.",
        short(&record)
    );
    let json = json!({ "machine": machine, "record": record, "sha256": sha256, "size_bytes": size_bytes, "media_type": kind.media_type() });
    Outcome::new(&json, render::wrapped(&text, render::width(session.env)))
}
