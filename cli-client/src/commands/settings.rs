//! `tappet settings`: what this terminal goes by. The shop's settings are `tappet office settings`.

use serde_json::json;
use shared::length::LengthUnit;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::session::Session;

/// What to set.
#[derive(Debug, clap::Subcommand)]
pub(crate) enum SettingsCommand {
    /// Show lengths in thou, in or mm from now on
    Unit(UnitArgs),
}

/// Arguments of `settings unit`.
#[derive(Debug, clap::Args)]
pub(crate) struct UnitArgs {
    /// thou, in or mm
    #[arg(value_parser = |text: &str| text.parse::<LengthUnit>().map_err(|_| "lengths are in thou, in or mm"))]
    to: LengthUnit,
}

pub(crate) fn run(command: &SettingsCommand, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let SettingsCommand::Unit(args) = command;
    session.keep_unit(args.to)?;
    Outcome::new(&json!({ "unit": session.unit }), format!("Lengths are shown in {} from now on.", session.unit))
}
