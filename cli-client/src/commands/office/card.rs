//! `tappet office card` and `cards`: what each engine type asks for, with the manual and page it was read from.

use serde_json::json;
use shared::engine_card::EngineCard;
use shared::ids::CardId;
use shared::valve::Side;
use sync_core::queries::short;
use sync_core::sys::rng::fresh_uuid;

use super::FindArgs;
use super::card_file::{self, ExportArgs, ImportArgs};
use super::card_flags::CardFlags;
use crate::exit::Failure;
use crate::outcome::{Outcome, to_json};
use crate::render::{self, Table};
use crate::session::Session;

/// What to do with an engine card.
#[derive(Debug, clap::Subcommand)]
pub(super) enum CardCommand {
    /// Keep a card; a card of that name is changed
    Add(Box<CardFlags>),
    /// Keep the cards of a file: all of them, or none
    Import(ImportArgs),
    /// Write cards to a file, as they are imported
    Export(ExportArgs),
}

impl CardCommand {
    pub(super) const fn writes(&self) -> bool {
        !matches!(self, Self::Export(_))
    }
}

pub(super) fn run(command: &CardCommand, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    match command {
        CardCommand::Add(flags) => {
            let id = id_of(flags.name(), session)?;
            let card = flags.card(id, session)?;
            keep(card, session)
        }
        CardCommand::Import(args) => card_file::import(args, session),
        CardCommand::Export(args) => card_file::export(args, session),
    }
}

/// The id of a card of that name; a fresh one where there is none.
fn id_of(name: &str, session: &mut Session<'_, '_>) -> Result<CardId, Failure> {
    let known = session.book.reader().engine_cards()?.into_iter().find(|card| card.name.to_lowercase() == name.trim().to_lowercase());
    Ok(known.map_or_else(
        || {
            let now = session.env.now();
            CardId(fresh_uuid(&now, &mut *session.env.entropy))
        },
        |card| card.card,
    ))
}

fn keep(card: EngineCard, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let words = card.words(session.unit);
    let json = to_json(&card)?;
    let record = session.book.author().keep_engine_card(card, &mut session.env.hand(None))?;
    let text = render::wrapped(&format!("{words}\nKept as record {}.", short(&record)), render::width(session.env));
    Outcome::new(&json!({ "engine_card": json, "record": record }), text)
}

pub(super) fn list(args: &FindArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let cards = args.of(session.book.reader().engine_cards()?);
    let mut table = Table::new(&["Card", "Cylinders", "Intake", "Exhaust", "Source"]);
    for card in &cards {
        let source = card.source.as_ref().map_or_else(|| "NONE: never judged against".to_owned(), |s| format!("{}, {}", s.manual, s.page));
        table.row([
            card.name.clone(),
            card.cylinders.to_string(),
            card.range_words(Side::Intake, session.unit),
            card.range_words(Side::Exhaust, session.unit),
            source,
        ]);
    }
    let text = if table.is_empty() { args.none("No engine cards yet.") } else { table.text(render::width(session.env)) };
    Outcome::new(&json!({ "engine_cards": cards }), text)
}
