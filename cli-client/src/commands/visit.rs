//! `tappet visit`: opens and finishes a visit to a machine.

use shared::caution::DEFERENCE;
use shared::hours::Hours;
use shared::ids::DocId;
use sync_core::commands::VisitEntry;
use sync_core::engine::BookError;
use sync_core::queries::short;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::parse;
use crate::prompt::Halt;
use crate::session::Session;
use crate::{prompt, render};

/// What to do with a visit.
#[derive(Debug, clap::Subcommand)]
pub(crate) enum VisitCommand {
    /// Open a visit, once the cautions have been read
    Open(OpenArgs),
    /// Go on with your open visit: the cautions once more, and whether the engine is cold now
    Resume(OpenArgs),
    /// Finish your open visit, and hear what is left open
    Finish(FinishArgs),
}

/// Arguments of `visit open` and `visit resume`.
#[derive(Debug, clap::Args)]
pub(crate) struct OpenArgs {
    /// The machine's tag, or the last digits of its id
    machine: String,
    /// What the hour meter shows
    #[arg(long, value_name = "H")]
    hours: Option<String>,
    /// The engine is cold
    #[arg(long, conflicts_with = "warm")]
    cold: bool,
    /// The engine is not cold: readings are kept and not judged
    #[arg(long)]
    warm: bool,
    /// Engine temperature in degrees Celsius, where measured
    #[arg(long, value_name = "T", value_parser = parse::engine_tenth_c, allow_hyphen_values = true)]
    temp_c: Option<i32>,
    /// The cautions have been read and are followed
    #[arg(long)]
    cautions_read: bool,
    /// Why the machine is visited
    #[arg(long, value_name = "TEXT", default_value = "")]
    purpose: String,
    /// Whose paper sheet the office writes down
    #[arg(long, value_name = "NAME")]
    measured_by: Option<String>,
}

/// Arguments of `visit finish`.
#[derive(Debug, clap::Args)]
pub(crate) struct FinishArgs {
    /// The machine's tag, or the last digits of its id
    machine: String,
    /// A remark
    #[arg(long, value_name = "TEXT", default_value = "")]
    remark: String,
    /// Whose paper sheet the office writes down
    #[arg(long, value_name = "NAME")]
    measured_by: Option<String>,
}

pub(crate) fn run(command: &VisitCommand, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    match command {
        VisitCommand::Open(args) => open(args, false, session),
        VisitCommand::Resume(args) => open(args, true, session),
        VisitCommand::Finish(args) => finish(args, session),
    }
}

/// The cautions, as they are shown before a hand goes near an engine.
pub(crate) fn cautions(session: &Session<'_, '_>, machine: DocId) -> Result<String, Failure> {
    let (width, cautions) = (render::width(session.env), session.book.advisor().cautions(machine)?);
    let lines: Vec<String> = cautions.iter().enumerate().map(|(n, caution)| format!("{}. {}", n + 1, caution.words())).collect();
    Ok(format!("{}\n{}", render::indented(&lines.join("\n"), width), render::wrapped(DEFERENCE, width)))
}

fn open(args: &OpenArgs, resume: bool, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let machine = session.machine(&args.machine)?;
    let meter = args.hours.as_deref().map(parse::read::<Hours>).transpose()?;
    let measured_by = session.measurer(args.measured_by.as_deref())?;
    let mut cold = args.cold;
    say_holds(session, machine)?;
    if !args.cautions_read {
        confirm_cautions(session, machine)?;
    }
    if !args.cold && !args.warm && session.env.is_tty {
        cold = prompt::yes_or_no(session, "Is the engine cold?").map_err(not_opened)?;
    }
    let purpose = args.purpose.clone();
    let entry = VisitEntry { cold, engine_tenth_c: args.temp_c, cautions_confirmed: true, purpose, meter };
    let hand = &mut session.env.hand(measured_by);
    let done = if resume {
        session.book.author().resume_visit(machine, &entry, hand)?
    } else {
        session.book.author().open_visit(machine, &entry, hand)?
    };
    let tag = session.book.reader().title(machine)?;
    let begun = if resume { "goes on" } else { "is open" };
    let mut lines = vec![format!("Visit {} to {tag} {begun}.", short(&done.visit))];
    if !cold {
        lines.push(format!(
            "The engine was not said to be cold: readings are kept, and not judged. Once it is: tappet visit resume {tag} --cold"
        ));
    }
    if done.also_open > 0 {
        lines.push(format!(
            "Besides it {} of yours to this machine not finished.",
            shared::text::count(done.also_open, "visit is", "visits are")
        ));
    }
    let mut look = false;
    if let (Some(hours), Some(meter)) = (&done.hours, meter) {
        lines.push(render::reading::hours(meter, hours));
        look = hours.doubt.is_some();
    }
    let text = render::wrapped(&lines.join("\n"), render::width(session.env));
    Ok(Outcome::new(&done, text)?.with("machine", &machine)?.needing(look))
}

/// What forbids running a machine, before any step at it.
pub(crate) fn say_holds(session: &mut Session<'_, '_>, machine: DocId) -> Result<(), Failure> {
    let row = session.book.store().machine_rows().machine(machine).map_err(BookError::from)?;
    let holds = row.map(|row| render::machine::holds(row.state.holds(), session)).transpose()?.flatten();
    if let Some(holds) = holds {
        prompt::say(session, &holds);
    }
    Ok(())
}

/// Shows the cautions; on a terminal asks, in a script refuses: nobody has read them there.
fn confirm_cautions(session: &mut Session<'_, '_>, machine: DocId) -> Result<(), Failure> {
    let cautions = cautions(session, machine)?;
    prompt::say(session, &cautions);
    if !session.env.is_tty {
        return Err(Failure::CouldNot(
            "the visit was not opened: the cautions above are to be read first. Say so with --cautions-read; nothing was kept".to_owned(),
        ));
    }
    match prompt::yes_or_no(session, "Read, and followed?") {
        Ok(true) => Ok(()),
        Ok(false) => Err(not_opened(Halt::Quit)),
        Err(halt) => Err(not_opened(halt)),
    }
}

fn not_opened(halt: Halt) -> Failure {
    match halt {
        Halt::Quit => Failure::CouldNot("the visit was not opened: the cautions come first; nothing was kept".to_owned()),
        Halt::Failed(failure) => failure,
    }
}

fn finish(args: &FinishArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let machine = session.machine(&args.machine)?;
    let measured_by = session.measurer(args.measured_by.as_deref())?;
    let visit = session.open_visit(machine, measured_by)?;
    let done = session.book.author().finish_visit(machine, visit, &args.remark, &mut session.env.hand(measured_by))?;
    let text = finish_words(&done, session)?;
    Outcome::new(&done, text)?.with("machine", &machine)
}

/// How a visit was finished.
pub(crate) fn finish_words(done: &sync_core::commands::FinishOutcome, session: &mut Session<'_, '_>) -> Result<String, Failure> {
    let now = session.env.now();
    let held = session.book.store().records().held(done.record).map_err(BookError::from)?;
    let mut lines = vec![format!("Visit {} is finished.", short(&done.visit))];
    let view = held.map(|held| session.book.machines().machine_view(held.doc, session.unit, &now)).transpose()?;
    let hydraulic = view.as_ref().and_then(|view| view.engine_card.as_ref()).is_some_and(|card| card.hydraulic);
    if done.complete {
        lines.push(if hydraulic { "What was heard is kept.".to_owned() } else { "Every valve was left in range.".to_owned() });
    } else {
        lines.push("Left open:".to_owned());
        lines.extend(done.open.iter().map(|open| format!("  {open}")));
    }
    if let Some(view) = view {
        lines.push(format!("Next check: {}", render::sentence(&view.due_words)));
    }
    Ok(render::wrapped(&lines.join("\n"), render::width(session.env)))
}
