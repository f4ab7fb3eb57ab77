//! `tappet office card import` and `export`: the office's engine cards as a file. What such a file may say, and what it
//! changes, is `shared`'s matter.

use std::path::PathBuf;

use serde_json::json;
use shared::engine_card::EngineCard;
use shared::engine_card::file::{self, CardFileError, Change, LARGEST_FILE, Settled};
use shared::ids::CardId;
use sync_core::book::Draft;
use sync_core::sys::rng::fresh_uuid;

use crate::exit::Failure;
use crate::files;
use crate::outcome::Outcome;
use crate::render;
use crate::session::Session;

/// Arguments of `card import`.
#[derive(Debug, clap::Args)]
pub(super) struct ImportArgs {
    /// The cards' file (JSON), as export writes it, or their table (CSV), as the office's pages give it
    file: PathBuf,
}

/// Arguments of `card export`.
#[derive(Debug, clap::Args)]
pub(super) struct ExportArgs {
    /// The file to write; one that is there already is left as it is [standard output where none is named]
    file: Option<PathBuf>,
    /// Only the card of this name; may be given again
    #[arg(long = "card", value_name = "CARD")]
    cards: Vec<String>,
}

/// Keeps the cards of a file in one step: all of them, or none.
pub(super) fn import(args: &ImportArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let refused = |error: CardFileError| Failure::File { path: args.file.clone(), why: error.to_string() };
    let (listed, inches) = file::read_either(&files::read_at_most(&args.file, LARGEST_FILE)?).map_err(refused)?;
    session.note_inches(inches);
    let known = session.book.reader().engine_cards()?;
    let now = session.env.now();
    let settled = file::settle(listed, &known, || CardId(fresh_uuid(&now, &mut *session.env.entropy))).map_err(refused)?;
    let doc = session.book.identity()?.root.shop.engines();
    let changed = settled.iter().filter(|one| one.change != Change::Same);
    let drafts: Vec<Draft> = changed.map(|one| Draft::new(doc, one.card.clone())).collect();
    let records = if drafts.is_empty() { Vec::new() } else { session.book.write(drafts, &now, &mut *session.env.entropy)? };
    let text = render::wrapped(&words(&settled), render::width(session.env));
    let cards: Vec<_> = settled.iter().map(|one| json!({ "change": one.change, "engine_card": one.card })).collect();
    Outcome::new(&json!({ "imported": cards, "records": records }), text)
}

/// Writes cards to a file, or to standard output.
pub(super) fn export(args: &ExportArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let mut cards = session.book.reader().engine_cards()?;
    if !args.cards.is_empty() {
        let wanted: Vec<CardId> = args.cards.iter().map(|name| session.book.finder().find_card(name)).collect::<Result<_, _>>()?;
        cards.retain(|card| wanted.contains(&card.card));
    }
    if cards.is_empty() {
        return Err(Failure::CouldNot("there are no engine cards in this book yet; nothing was written".to_owned()));
    }
    let text = file::write(&cards);
    // What is handed on can be taken in again: a card that was kept before this was looked at is named now.
    file::read(text.as_bytes()).map_err(|error| Failure::CouldNot(format!("these cards make no file ({error}); nothing was written")))?;
    let Some(path) = &args.file else { return Outcome::new(&json!({ "engine_cards": cards, "file": null }), text) };
    files::write_new(path, text.as_bytes())?;
    let said = format!("{} written to {}.", counted(cards.len()), path.display());
    Outcome::new(&json!({ "engine_cards": cards, "file": path }), render::wrapped(&said, render::width(session.env)))
}

/// What an import did: each card, and those that name no source.
fn words(settled: &[Settled]) -> String {
    let mut lines = Vec::with_capacity(settled.len() + 2);
    let same = settled.iter().filter(|one| one.change == Change::Same).count();
    lines.push(match (settled.len() - same, same) {
        (0, _) => "Nothing to keep: the book says all of this already.".to_owned(),
        (kept, 0) => format!("{} kept.", counted(kept)),
        (kept, same) => format!("{} kept; {same} in the book already, the very same.", counted(kept)),
    });
    for one in settled {
        let change = match one.change {
            Change::New => "new",
            Change::Restated => "changed",
            Change::Same => "as it was",
        };
        lines.push(format!("  {}: {change}.{}", one.card.name, without_source(&one.card)));
    }
    lines.join("\n")
}

fn without_source(card: &EngineCard) -> &'static str {
    if card.source.is_some() { "" } else { " It names no manual and page, so nothing is judged against it." }
}

fn counted(cards: usize) -> String {
    shared::text::count(cards, "card", "cards")
}
