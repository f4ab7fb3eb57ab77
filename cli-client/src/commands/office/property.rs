//! `tappet office property` and `properties`: the client sites.

use serde_json::json;
use shared::record::PropertyCard;
use shared::usage::Between;
use sync_core::engine::BookError;
use sync_core::queries::short;

use super::FindArgs;
use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render::{self, Table};
use crate::session::Session;

/// What to do with a property.
#[derive(Debug, clap::Subcommand)]
pub(super) enum PropertyCommand {
    /// Enter a property
    Add(AddArgs),
    /// Change a property's card. What is not named stays
    Set(SetArgs),
}

/// Arguments of `property set`.
#[derive(Debug, clap::Args)]
pub(super) struct SetArgs {
    /// Which property
    property: String,
    /// What the shop calls it from now on
    #[arg(long)]
    name: Option<String>,
    /// Where it is
    #[arg(long, value_name = "TEXT")]
    address: Option<String>,
    /// What the crew must know: gate, dog, key
    #[arg(long, value_name = "TEXT")]
    access: Option<String>,
    /// When its machines are in use, as in 4..10 for April to October; 1..12 for all year
    #[arg(long, value_name = "MONTHS", value_parser = str::parse::<Between>)]
    season: Option<Between>,
}

/// Arguments of `property add`.
#[derive(Debug, clap::Args)]
pub(super) struct AddArgs {
    /// What the shop calls it
    name: String,
    /// Where it is
    #[arg(long, value_name = "TEXT", default_value = "")]
    address: String,
    /// What the crew must know: gate, dog, key
    #[arg(long, value_name = "TEXT", default_value = "")]
    access: String,
    /// When its machines are in use, as in 4..10 for April to October [as the shop's settings say]
    #[arg(long, value_name = "MONTHS", value_parser = str::parse::<Between>)]
    season: Option<Between>,
}

pub(super) fn run(command: &PropertyCommand, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let args = match command {
        PropertyCommand::Add(args) => args,
        PropertyCommand::Set(args) => return set(args, session),
    };
    let card =
        PropertyCard { name: args.name.trim().to_owned(), address: args.address.clone(), access: args.access.clone(), season: args.season };
    let property = session.book.author().add_property(card, &mut session.env.hand(None))?;
    let text = format!("Property {} is in the book. Give it to somebody: tappet office assign PERSON \"{0}\"", args.name.trim());
    Outcome::new(&json!({ "property": property, "name": args.name.trim() }), render::wrapped(&text, render::width(session.env)))
}

fn set(args: &SetArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let property = session.book.finder().find_property(&args.property)?;
    let old =
        session.book.reader().property(property)?.ok_or_else(|| BookError::Unknown(format!("no card stands for {}", args.property)))?;
    let card = PropertyCard {
        name: args.name.as_deref().map_or(old.name, |name| name.trim().to_owned()),
        address: args.address.clone().unwrap_or(old.address),
        access: args.access.clone().unwrap_or(old.access),
        season: args.season.or(old.season),
    };
    let name = card.name.clone();
    let record = session.book.author().restate_property(property, card, &mut session.env.hand(None))?;
    let text = format!("The card of {name} is changed, as record {}.", short(&record));
    Outcome::new(&json!({ "property": property, "name": name, "record": record }), text)
}

pub(super) fn list(args: &FindArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let properties = args.of(session.book.reader().properties()?);
    let mut table = Table::new(&["Property", "Machines", "Where", "To know", "In use", "Id"]);
    for line in &properties {
        table.row([
            line.name.clone(),
            line.machines.to_string(),
            line.address.clone(),
            line.access.clone(),
            line.season.map_or_else(String::new, |season| season.to_string()),
            short(&line.property),
        ]);
    }
    let text = if table.is_empty() { args.none("No properties yet.") } else { table.text(render::width(session.env)) };
    Outcome::new(&json!({ "properties": properties }), text)
}
