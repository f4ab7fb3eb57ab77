//! `tappet hours`: keeps an hour-meter reading.

use shared::hours::Hours;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::parse;
use crate::render;
use crate::session::Session;

/// Arguments of `hours`.
#[derive(Debug, clap::Args)]
pub(crate) struct HoursArgs {
    /// The machine's tag, or the last digits of its id
    machine: String,
    /// What the hour meter shows, as in 1523.4
    hours: String,
    /// Whose paper sheet the office writes down
    #[arg(long, value_name = "NAME")]
    measured_by: Option<String>,
}

pub(crate) fn run(args: &HoursArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let machine = session.machine(&args.machine)?;
    let meter: Hours = parse::read(&args.hours)?;
    let measured_by = session.measurer(args.measured_by.as_deref())?;
    let done = session.book.author().read_hours(machine, meter, &mut session.env.hand(measured_by))?;
    let text = render::wrapped(&render::reading::hours(meter, &done), render::width(session.env));
    Ok(Outcome::new(&done, text)?.with("machine", &machine)?.with("meter_tenth_h", &meter)?.needing(done.doubt.is_some()))
}
