//! `tappet office property` and `properties`: the client sites.

use serde_json::json;
use shared::record::PropertyCard;
use sync_core::view::short;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::session::Session;
use crate::show::{self, Table};

/// What to do with a property.
#[derive(Debug, clap::Subcommand)]
pub(super) enum PropertyCommand {
    /// Enter a property
    Add(AddArgs),
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
}

pub(super) fn run(command: &PropertyCommand, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let PropertyCommand::Add(args) = command;
    let card = PropertyCard { name: args.name.trim().to_owned(), address: args.address.clone(), access: args.access.clone() };
    let property = session.book.add_property(card, &mut session.env.hand(None))?;
    let text = format!("Property {} is in the book. Give it to somebody: tappet office assign PERSON \"{0}\"", args.name.trim());
    Outcome::new(&json!({ "property": property, "name": args.name.trim() }), show::wrapped(&text, show::width(session.env)))
}

pub(super) fn list(session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let properties = session.book.properties()?;
    let mut table = Table::new(&["Property", "Machines", "Where", "To know", "Id"]);
    for line in &properties {
        table.row([line.name.clone(), line.machines.to_string(), line.address.clone(), line.access.clone(), short(&line.property)]);
    }
    let text = if table.is_empty() { "No properties yet.".to_owned() } else { table.text(show::width(session.env)) };
    Outcome::new(&json!({ "properties": properties }), text)
}
