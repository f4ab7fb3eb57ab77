//! `tappet office machine` and `machines`: entering machines for good, and stating their cards anew.

use serde_json::json;
use shared::engine_card::Duty;
use sync_core::engine::BookError;
use sync_core::queries::short;

use super::FindArgs;
use crate::commands::machine::{self, MachineArgs};
use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render::{self, Table};
use crate::session::Session;

/// What to do with a machine.
#[derive(Debug, clap::Subcommand)]
pub(super) enum MachineCommand {
    /// Enter a machine
    Add(MachineArgs),
    /// Change a machine's card; confirms one that was entered in the field
    Set(SetArgs),
}

/// Arguments of `machine set`. What is not named stays.
#[derive(Debug, clap::Args)]
pub(super) struct SetArgs {
    /// The machine's tag, or the last digits of its id
    machine: String,
    /// Its new tag
    #[arg(long)]
    tag: Option<String>,
    /// Where it lives
    #[arg(long, value_name = "NAME")]
    property: Option<String>,
    /// Its engine's card
    #[arg(long, value_name = "NAME")]
    card: Option<String>,
    /// How many cylinders its engine has, where no card says so
    #[arg(long, value_name = "N")]
    cylinders: Option<u8>,
    /// Who runs it: commercial or homeowner
    #[arg(long, value_parser = machine::duty)]
    duty: Option<Duty>,
    /// What it runs in a week of its season, in hours, where it has no hour meter: an estimate
    #[arg(long, value_name = "H")]
    hours_per_week: Option<u8>,
    /// What it is
    #[arg(long, value_name = "TEXT")]
    about: Option<String>,
}

pub(super) fn run(command: &MachineCommand, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    match command {
        MachineCommand::Add(args) => machine::add(args, session),
        MachineCommand::Set(args) => set(args, session),
    }
}

fn set(args: &SetArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let machine = session.machine(&args.machine)?;
    let row = session.book.store().machine_rows().machine(machine).map_err(BookError::from)?;
    let old = row.and_then(|row| row.state.card);
    let mut card = old.ok_or_else(|| BookError::Unknown(format!("no card stands for {}", args.machine)))?;
    if let Some(tag) = &args.tag {
        card.tag = tag.trim().to_owned();
    }
    if let Some(property) = &args.property {
        card.property = session.book.finder().find_property(property)?;
    }
    if let Some(name) = &args.card {
        card.engine_card = Some(session.book.finder().find_card(name)?);
    }
    card.cylinders = args.cylinders.or(card.cylinders);
    card.hours_per_week = args.hours_per_week.or(card.hours_per_week);
    card.duty = args.duty.unwrap_or(card.duty);
    if let Some(about) = &args.about {
        card.description.clone_from(about);
    }
    let confirmed = card.provisional;
    let tag = card.tag.clone();
    let record = session.book.author().restate_machine(machine, card, &mut session.env.hand(None))?;
    let also = if confirmed { ", and confirmed" } else { "" };
    let text = format!("The card of {tag} is changed{also}, as record {}.", short(&record));
    Outcome::new(&json!({ "machine": machine, "tag": tag, "confirmed": confirmed, "record": record }), text)
}

pub(super) fn list(args: &FindArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let now = session.env.now();
    let mut table = Table::new(&["Machine", "What", "Where", "Engine card", "Duty", "Id"]);
    let mut lines = Vec::new();
    let mut views = Vec::new();
    for row in session.book.store().machine_rows().machines().map_err(BookError::from)? {
        views.push(session.book.machines().machine_view(row.doc, session.unit, &now)?);
    }
    for view in args.of(views) {
        let engine = view.engine_card.as_ref().map_or_else(|| "none yet".to_owned(), |card| card.name.clone());
        let tag = if view.provisional { format!("{} (provisional)", view.tag) } else { view.tag.clone() };
        table.row([tag, view.description.clone(), view.property_name.clone(), engine, view.duty.name().to_owned(), short(&view.machine)]);
        lines.push(json!({
            "machine": view.machine, "tag": view.tag, "description": view.description, "property": view.property,
            "property_name": view.property_name, "engine_card": view.engine_card.map(|card| card.card), "cylinders": view.cylinders,
            "duty": view.duty, "provisional": view.provisional,
        }));
    }
    let text = if table.is_empty() { args.none("No machines yet.") } else { table.text(render::width(session.env)) };
    Outcome::new(&json!({ "machines": lines }), text)
}
