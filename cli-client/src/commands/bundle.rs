//! `tappet bundle`: from truck to truck, where there is no signal.

use std::path::{Path, PathBuf};

use serde_json::json;
use shared::wire::LARGEST_PLAIN;
use sync_core::sync::bundle::{self, Load};

use crate::copied::Copied;
use crate::environment::Environment;
use crate::exit::Failure;
use crate::files;
use crate::outcome::Outcome;
use crate::render;
use crate::session::Session;

/// The verbs of `bundle`.
#[derive(Debug, clap::Subcommand)]
pub(crate) enum BundleCommand {
    /// Write a file for another device of the shop: what the shop does not have yet
    Make(MakeArgs),
    /// Take in a file that another device made
    Take(TakeArgs),
    /// Of a damaged book, write what can still be read and is not at the shop, for another device to take in
    Salvage(SalvageArgs),
}

/// Arguments of `bundle make`.
#[derive(Debug, clap::Args)]
pub(crate) struct MakeArgs {
    /// The file to write; it must not exist. What is too much for one goes into more, numbered
    file: PathBuf,
    /// These machines whole, instead of what the shop does not have yet [may be given again]
    #[arg(long, value_name = "MACHINE")]
    machine: Vec<String>,
}

/// Arguments of `bundle take`.
#[derive(Debug, clap::Args)]
pub(crate) struct TakeArgs {
    /// The file that the other device made
    file: PathBuf,
}

/// Arguments of `bundle salvage`.
#[derive(Debug, clap::Args)]
pub(crate) struct SalvageArgs {
    /// The file to write; it must not exist
    file: PathBuf,
}

pub(crate) fn run(command: &BundleCommand, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    match command {
        BundleCommand::Make(args) => make(args, session),
        BundleCommand::Take(args) => take(args, session),
        // Done before the book is opened: it may not open.
        BundleCommand::Salvage(_) => Err(Failure::Defect("a salvage with an open book".to_owned())),
    }
}

fn make(args: &MakeArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let named: Result<Vec<_>, Failure> = args.machine.iter().map(|given| session.machine(given)).collect();
    let named = named?;
    let load = if named.is_empty() { Load::Unsent } else { Load::Documents(named) };
    let now = session.env.now();
    let made = session.book.outgoing().make_bundle(&load, &now)?;
    let (files, bytes) = write_all(&args.file, &made.bundles)?;
    let text = format!(
        "Written to {}: {}, {} that the shop does not have yet, {bytes} bytes. Everything stays here too, and still goes to the shop with the next exchange. The other device takes it in with tappet bundle take{}.",
        files.join(", "),
        render::count(made.documents, "document"),
        render::count(made.unsent, "change"),
        one_by_one(&files),
    );
    let json = json!({ "file": args.file, "files": files, "documents": made.documents, "unsent": made.unsent, "bytes": bytes });
    Outcome::new(&json, render::wrapped(&text, render::width(session.env)))
}

fn take(args: &TakeArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let bytes = files::read_at_most(&args.file, LARGEST_PLAIN)?;
    let now = session.env.now();
    let taken = session.book.peer().take_bundle(&bytes, &now)?;
    let roster = session.book.roster()?;
    let from = roster.signer(taken.from).map_or_else(|| "a device that is not on the roster".to_owned(), |(_, person)| roster.name(person));
    let mut lines = vec![format!(
        "From {from}, made {}: {} taken in, {} here already. What the shop does not have goes to it with the next exchange, in its writer's name.",
        session.local(taken.made_at)?,
        render::count(taken.taken, "change"),
        taken.held
    )];
    if taken.saved > 0 {
        lines.push(format!("{} taken out of changes that could not be taken as they were.", render::count(taken.saved, "record")));
    }
    if !taken.refused.is_empty() {
        lines.push(format!("Not taken: {}. Nothing is lost; see tappet quarantine.", render::count(taken.refused.len(), "record")));
        for line in &taken.refused {
            lines.push(format!("  {}: {}", session.book.reader().title(line.doc)?, render::sentence(&line.detail)));
        }
    }
    let text = render::wrapped(&lines.join("\n"), render::width(session.env));
    Ok(Outcome::new(&taken, text)?.needing(!taken.refused.is_empty()))
}

/// Saves what can be read of a book that need not open. The book itself is only copied.
pub(crate) fn salvage(args: &SalvageArgs, book: &Path, env: &mut Environment<'_>) -> Result<Outcome, Failure> {
    let copy = Copied::of(book)?;
    let saved = bundle::salvage(&copy.book, &env.now())?;
    let (files, bytes) = write_all(&args.file, &saved.bundles)?;
    let mut text = if files.is_empty() {
        "Nothing is left to save: the shop has all that can be read. No file was written. The damaged book is as it was.".to_owned()
    } else {
        format!(
            "Written to {}: {} of {} that the shop is not known to have. On another device of the shop: tappet bundle take{}. The damaged book is as it was.",
            files.join(", "),
            render::count(saved.changes, "change"),
            render::count(saved.documents, "document"),
            one_by_one(&files),
        )
    };
    if saved.quarantined > 0 {
        text.push_str(&format!(" With it: {} that waited in quarantine.", render::count(saved.quarantined, "record")));
    }
    if saved.unreadable > 0 {
        text.push_str(&format!(
            " {} of it cannot be read any more: ask the office which records the shop lacks.",
            render::count(saved.unreadable, "part")
        ));
    }
    let json = json!({
        "files": files, "documents": saved.documents, "changes": saved.changes, "quarantined": saved.quarantined,
        "unreadable": saved.unreadable, "bytes": bytes,
    });
    Ok(Outcome::new(&json, render::wrapped(&text, render::width(env)))?.needing(saved.unreadable > 0))
}

/// Writes each bundle to a file of its own; gives the files' names and how many bytes they are.
fn write_all(file: &Path, bundles: &[Vec<u8>]) -> Result<(Vec<String>, usize), Failure> {
    let mut files = Vec::with_capacity(bundles.len());
    for (bytes, number) in bundles.iter().zip(1..) {
        let path = numbered(file, number);
        files::write_new(&path, bytes)?;
        files.push(path.display().to_string());
    }
    Ok((files, bundles.iter().map(Vec::len).sum()))
}

fn one_by_one(files: &[String]) -> &'static str {
    if files.len() > 1 { ", each file in this order" } else { "" }
}

/// The first file has the name that was given; those after it a number before the ending.
fn numbered(file: &Path, number: usize) -> PathBuf {
    let Some(stem) = file.file_stem().filter(|_| number > 1) else { return file.to_owned() };
    let mut name = stem.to_owned();
    name.push(format!("-{number}"));
    if let Some(ending) = file.extension() {
        name.push(".");
        name.push(ending);
    }
    file.with_file_name(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_after_the_first_have_a_number() {
        for (file, second) in [("a/saved.bundle", "a/saved-2.bundle"), ("saved", "saved-2"), ("x.y.z", "x.y-2.z")] {
            assert_eq!(numbered(Path::new(file), 1), Path::new(file));
            assert_eq!(numbered(Path::new(file), 2), Path::new(second));
        }
    }
}
