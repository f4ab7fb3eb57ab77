//! `tappet meter-change`: notes that the hour meter was replaced.

use jiff::civil::DateTime;
use serde_json::json;
use shared::hours::Hours;
use shared::record::MeterChange;
use sync_core::queries::short;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::parse;
use crate::session::Session;

/// Arguments of `meter-change`.
#[derive(Debug, clap::Args)]
pub(crate) struct MeterChangeArgs {
    /// The machine's tag, or the last digits of its id
    machine: String,
    /// What the old meter showed last
    #[arg(long, value_name = "H")]
    old: String,
    /// What the new meter showed first
    #[arg(long, value_name = "H")]
    new: String,
    /// When it was changed, as in 2026-03-01 or 2026-03-01T14:30 [now]; a day alone means its beginning
    #[arg(long, value_name = "DAY", value_parser = parse::when)]
    on: Option<DateTime>,
    /// Whose paper sheet the office writes down
    #[arg(long, value_name = "NAME")]
    measured_by: Option<String>,
}

pub(crate) fn run(args: &MeterChangeArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let machine = session.machine(&args.machine)?;
    let changed_ms = args.on.map(|on| Ok::<_, Failure>(session.book.roster()?.ms_of(on))).transpose()?;
    let change = MeterChange { old: parse::read::<Hours>(&args.old)?, new: parse::read::<Hours>(&args.new)?, changed_ms };
    let measured_by = session.measurer(args.measured_by.as_deref())?;
    let (old, new) = (change.old, change.new);
    let record = session.book.author().change_meter(machine, change, &mut session.env.hand(measured_by))?;
    let text = format!("Kept as record {}: the old meter ended at {old} h, the new one began at {new} h.", short(&record));
    Outcome::new(&json!({ "machine": machine, "record": record }), text)
}
