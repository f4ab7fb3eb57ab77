//! `tappet photo`: notes a photo by the hash of its file. The picture itself does not travel yet.

use std::io::Read;
use std::path::{Path, PathBuf};

use serde_json::json;
use sha2::{Digest, Sha256};
use shared::bytes::Bytes32;
use shared::record::Photo;
use sync_core::view::short;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::session::Session;
use crate::show;

/// Arguments of `photo`.
#[derive(Debug, clap::Args)]
pub(crate) struct PhotoArgs {
    /// The machine's tag, or the last digits of its id
    machine: String,
    /// The picture's file
    file: PathBuf,
    /// What it shows
    #[arg(long, value_name = "TEXT", default_value = "")]
    caption: String,
}

pub(crate) fn run(args: &PhotoArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let machine = session.machine(&args.machine)?;
    let media_type = media_type(&args.file)?;
    let (sha256, size_bytes) = hash(&args.file)?;
    let photo = Photo { sha256, size_bytes, media_type: media_type.to_owned(), caption: args.caption.clone(), visit: None };
    let record = session.book.add_photo(machine, photo, &mut session.env.hand(None))?;
    let text = format!(
        "Kept as record {}: {size_bytes} bytes, SHA-256 {sha256}. The record travels; the picture itself does not yet. Keep the file: by its hash it can be told to be the one that was meant.",
        short(&record)
    );
    let json = json!({ "machine": machine, "record": record, "sha256": sha256, "size_bytes": size_bytes, "media_type": media_type });
    Outcome::new(&json, show::wrapped(&text, show::width(session.env)))
}

/// The media type by the file's ending (RFC 6838 names).
fn media_type(file: &Path) -> Result<&'static str, Failure> {
    let ending = file.extension().map(|e| e.to_string_lossy().to_ascii_lowercase()).unwrap_or_default();
    Ok(match ending.as_str() {
        "jpg" | "jpeg" => "image/jpeg",
        "png" => "image/png",
        "webp" => "image/webp",
        "heic" => "image/heic",
        "avif" => "image/avif",
        "gif" => "image/gif",
        _ => return Err(Failure::Given(format!("{} does not end like a picture: jpg, png, webp, heic, avif or gif", file.display()))),
    })
}

/// SHA-256 and size of a file's bytes, a piece at a time: a picture need not fit into memory.
fn hash(file: &Path) -> Result<(Bytes32, u64), Failure> {
    let failed = |why: std::io::Error| Failure::File { path: file.to_owned(), why: why.to_string() };
    let mut reader = std::fs::File::open(file).map_err(failed)?;
    let mut hasher = Sha256::new();
    let (mut size, mut piece) = (0_u64, vec![0; 64 * 1024]);
    loop {
        let read = reader.read(&mut piece).map_err(failed)?;
        if read == 0 {
            return Ok((Bytes32(hasher.finalize().into()), size));
        }
        hasher.update(&piece[..read]);
        size += read as u64;
    }
}
