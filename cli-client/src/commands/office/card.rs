//! `tappet office card` and `cards`: what each engine type asks for, with the manual and page it was read from.

use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use shared::engine_card::EngineCard;
use shared::ids::CardId;
use sync_core::moment::fresh_uuid;
use sync_core::view::short;

use super::card_flags::CardFlags;
use crate::exit::Failure;
use crate::outcome::{Outcome, to_json};
use crate::session::Session;
use crate::show::{self, Table};

/// The largest card file that is read, in bytes.
const LARGEST_FILE: u64 = 256 * 1024;

/// What to do with an engine card.
#[derive(Debug, clap::Subcommand)]
pub(super) enum CardCommand {
    /// Keep a card, from a file or from what is given here; a card of that name is stated anew
    Add(Box<AddArgs>),
    /// Keep a card from a file
    Import(ImportArgs),
    /// Print a card as it is imported
    Export(ExportArgs),
}

impl CardCommand {
    pub(super) const fn writes(&self) -> bool {
        !matches!(self, Self::Export(_))
    }
}

/// Arguments of `card add`.
#[derive(Debug, clap::Args)]
pub(super) struct AddArgs {
    /// A card's file (JSON)
    #[arg(conflicts_with = "name", required_unless_present = "name")]
    file: Option<PathBuf>,
    #[command(flatten)]
    flags: CardFlags,
}

/// Arguments of `card import`.
#[derive(Debug, clap::Args)]
pub(super) struct ImportArgs {
    /// A card's file (JSON)
    file: PathBuf,
}

/// Arguments of `card export`.
#[derive(Debug, clap::Args)]
pub(super) struct ExportArgs {
    /// The card's name
    name: String,
}

pub(super) fn run(command: &CardCommand, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    match command {
        CardCommand::Add(args) => match &args.file {
            Some(file) => import(file, session),
            None => {
                let id = id_of(args.flags.name(), session)?;
                let card = args.flags.card(id, session.unit)?;
                keep(card, session)
            }
        },
        CardCommand::Import(args) => import(&args.file, session),
        CardCommand::Export(args) => {
            let card = named(&args.name, session)?;
            let text = serde_json::to_string_pretty(&card).map_err(|e| Failure::Defect(e.to_string()))?;
            Outcome::new(&card, text)
        }
    }
}

/// The id of a card of that name; a fresh one where there is none.
fn id_of(name: &str, session: &mut Session<'_, '_>) -> Result<CardId, Failure> {
    let known = session.book.engine_cards()?.into_iter().find(|card| card.name.to_lowercase() == name.trim().to_lowercase());
    Ok(known.map_or_else(
        || {
            let now = session.env.now();
            CardId(fresh_uuid(&now, &mut *session.env.entropy))
        },
        |card| card.card,
    ))
}

fn named(name: &str, session: &Session<'_, '_>) -> Result<EngineCard, Failure> {
    let id = session.book.find_card(name)?;
    let card = session.book.engine_card(id)?;
    card.ok_or_else(|| Failure::CouldNot(format!("no card stands under the name \"{name}\"; nothing was kept")))
}

/// A card from a file. A file without an id is taken by its name.
fn import(file: &Path, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let unusable = |why: &dyn std::fmt::Display| Failure::File { path: file.to_owned(), why: why.to_string() };
    let size = std::fs::metadata(file).map_err(|e| unusable(&e))?.len();
    if size > LARGEST_FILE {
        return Err(unusable(&"it is far larger than a card"));
    }
    let text = std::fs::read_to_string(file).map_err(|e| unusable(&e))?;
    let mut value: Value = serde_json::from_str(&text).map_err(|e| unusable(&format!("it is not JSON: {e}")))?;
    let name = value.get("name").and_then(Value::as_str).map(str::to_owned);
    if let (Some(fields), Some(name)) = (value.as_object_mut(), name)
        && !fields.contains_key("card")
    {
        fields.insert("card".to_owned(), to_json(&id_of(&name, session)?)?);
    }
    let card: EngineCard = serde_json::from_value(value).map_err(|e| unusable(&format!("it is not an engine card: {e}")))?;
    keep(card, session)
}

fn keep(card: EngineCard, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let words = show::machine::card_words(&card, session.unit);
    let json = to_json(&card)?;
    let record = session.book.keep_engine_card(card, &mut session.env.hand(None))?;
    let text = show::wrapped(&format!("{words}\nKept as record {}.", short(&record)), show::width(session.env));
    Outcome::new(&json!({ "engine_card": json, "record": record }), text)
}

pub(super) fn list(session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let cards = session.book.engine_cards()?;
    let mut table = Table::new(&["Card", "Cylinders", "Intake", "Exhaust", "Source"]);
    for card in &cards {
        let source = card.source.as_ref().map_or_else(|| "NONE: never judged against".to_owned(), |s| format!("{}, {}", s.manual, s.page));
        table.row([
            card.name.clone(),
            card.cylinders.to_string(),
            show::machine::range(&card.intake, session.unit),
            show::machine::range(&card.exhaust, session.unit),
            source,
        ]);
    }
    let text = if table.is_empty() { "No engine cards yet.".to_owned() } else { table.text(show::width(session.env)) };
    Outcome::new(&json!({ "engine_cards": cards }), text)
}
