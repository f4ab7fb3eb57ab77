//! `tappet hours`: keeps an hour-meter reading.

use shared::hours::Hours;

use crate::exit::Failure;
use crate::given;
use crate::outcome::Outcome;
use crate::session::Session;
use crate::show;

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
    let meter: Hours = given::read(&args.hours)?;
    let measured_by = session.measurer(args.measured_by.as_deref())?;
    let done = session.book.read_hours(machine, meter, &mut session.env.hand(measured_by))?;
    let text = show::wrapped(&show::reading::hours(meter, &done), show::width(session.env));
    Ok(Outcome::new(&done, text)?.with("machine", &machine)?.with("meter_tenth_h", &meter)?.needing(done.doubt.is_some()))
}
