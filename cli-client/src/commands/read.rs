//! `tappet read`: keeps a clearance reading and says its verdict first.

use shared::entry;
use shared::record::Stage;
use shared::valve::Valve;
use sync_core::commands::ReadingEntry;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::parse;
use crate::render;
use crate::session::Session;

/// Arguments of `read`.
#[derive(Debug, clap::Args)]
pub(crate) struct ReadArgs {
    /// The machine's tag, or the last digits of its id
    machine: String,
    /// The valve: 1I, 1E, 2I, 2E
    valve: String,
    /// found (before touching), set (locked, engine not turned) or left (after turning it over)
    stage: String,
    /// Both leaves in short: 5/6 (5 goes, 6 does not), 5/ or /6; a stack is 3+2
    #[arg(conflicts_with_all = ["go", "no_go"])]
    leaves: Option<String>,
    /// The largest leaf that goes; a stack is 3+2
    #[arg(long, value_name = "L")]
    go: Option<String>,
    /// The smallest leaf that does not go; a stack is 3+2
    #[arg(long, value_name = "L")]
    no_go: Option<String>,
    /// The adjuster was turned for this reading
    #[arg(long)]
    adjusted: bool,
    /// The engine is cold, whatever the visit says
    #[arg(long, conflicts_with = "warm")]
    cold: bool,
    /// The engine is not cold, whatever the visit says
    #[arg(long)]
    warm: bool,
    /// Whose paper sheet the office writes down
    #[arg(long, value_name = "NAME")]
    measured_by: Option<String>,
}

pub(crate) fn run(args: &ReadArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let machine = session.machine(&args.machine)?;
    let valve: Valve = parse::read(&args.valve)?;
    let stage: Stage = parse::read(&args.stage)?;
    let leaves = match &args.leaves {
        Some(short) => entry::pair(short, session.unit),
        None => entry::pair_of(args.go.as_deref(), args.no_go.as_deref(), session.unit),
    };
    let leaves = session.pair(leaves)?;
    let measured_by = session.measurer(args.measured_by.as_deref())?;
    let cold = if args.cold || args.warm { Some(args.cold) } else { None };
    let entry = ReadingEntry { valve, stage, go: leaves.go, no_go: leaves.no_go, leaves: leaves.single, adjusted: args.adjusted, cold };
    let set = session.leaves()?;
    let done = session.book.author().take_reading(machine, entry, &set, session.unit, &mut session.env.hand(measured_by))?;
    let text = render::reading::words(valve, stage, &done, cold, render::width(session.env));
    let look = done.contested || done.doubt.is_some();
    Ok(Outcome::new(&done, text)?.with("machine", &machine)?.with("valve", &valve)?.with("stage", &stage)?.needing(look))
}
