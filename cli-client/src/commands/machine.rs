//! `tappet machine add`: enters a machine, provisional in the field, final by the office.

use serde_json::json;
use shared::engine_card::Duty;
use shared::record::MachineCard;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render;
use crate::session::Session;

/// What to do with a machine.
#[derive(Debug, clap::Subcommand)]
pub(crate) enum MachineCommand {
    /// Enter a machine that the book does not have
    Add(MachineArgs),
}

/// Arguments of `machine add`.
#[derive(Debug, clap::Args)]
pub(crate) struct MachineArgs {
    /// The tag on the machine
    tag: String,
    /// Where it lives
    #[arg(long, value_name = "NAME")]
    property: String,
    /// How many cylinders its engine has, where no card says so
    #[arg(long, value_name = "N")]
    cylinders: Option<u8>,
    /// Who runs it: commercial or homeowner
    #[arg(long, value_parser = duty, default_value = "commercial")]
    duty: Duty,
    /// Its engine's card
    #[arg(long, value_name = "NAME")]
    card: Option<String>,
    /// What it runs in a week of its season, in hours, where it has no hour meter: an estimate
    #[arg(long, value_name = "H")]
    hours_per_week: Option<u8>,
    /// What it is
    #[arg(long, value_name = "TEXT", default_value = "")]
    about: String,
}

/// Reads a duty.
pub(crate) fn duty(text: &str) -> Result<Duty, String> {
    let given = text.trim().to_ascii_lowercase();
    let duty = [Duty::Commercial, Duty::Homeowner].into_iter().find(|duty| duty.name() == given);
    duty.ok_or_else(|| format!("\"{text}\" is not a duty: commercial or homeowner"))
}

pub(crate) fn run(command: &MachineCommand, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let MachineCommand::Add(args) = command;
    add(args, session)
}

pub(crate) fn add(args: &MachineArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    session.book.identity()?;
    let card = MachineCard {
        tag: args.tag.trim().to_owned(),
        description: args.about.clone(),
        property: session.book.finder().find_property(&args.property)?,
        engine_card: args.card.as_deref().map(|name| session.book.finder().find_card(name)).transpose()?,
        cylinders: args.cylinders,
        duty: args.duty,
        hours_per_week: args.hours_per_week,
        provisional: false,
    };
    let machine = session.book.author().add_machine(card, &mut session.env.hand(None))?;
    let provisional = session.book.store().machine_rows().machine(machine).map_err(sync_core::engine::BookError::from)?;
    let provisional = provisional.and_then(|row| row.state.card).is_some_and(|card| card.provisional);
    let then = if provisional { " It is provisional: the office confirms it. Work on it can be entered at once." } else { "" };
    let text = render::wrapped(&format!("Machine {} is in the book.{then}", args.tag.trim()), render::width(session.env));
    Outcome::new(&json!({ "machine": machine, "tag": args.tag.trim(), "provisional": provisional }), text)
}
