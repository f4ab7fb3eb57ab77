//! `tappet finding`, `tappet hold` and `tappet clear`: what is found on a machine, and what was done about it.

use serde_json::json;
use shared::record::FindingKind;
use sync_core::queries::short;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render;
use crate::session::Session;

/// Arguments of `finding` and `hold`.
#[derive(Debug, clap::Args)]
pub(crate) struct FindingArgs {
    /// The machine's tag, or the last digits of its id
    machine: String,
    /// What was found
    text: String,
    /// Whose paper sheet the office writes down
    #[arg(long, value_name = "NAME")]
    measured_by: Option<String>,
}

/// Arguments of `clear`.
#[derive(Debug, clap::Args)]
pub(crate) struct ClearArgs {
    /// The last digits of the finding's id, as screens show them
    finding: String,
    /// What was done
    how: String,
}

pub(crate) fn run(args: &FindingArgs, grade: FindingKind, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    let machine = session.machine(&args.machine)?;
    let measured_by = session.measurer(args.measured_by.as_deref())?;
    let record = session.book.author().add_finding(machine, grade, &args.text, &mut session.env.hand(measured_by))?;
    let tag = session.book.reader().title(machine)?;
    let text = match grade {
        FindingKind::Hold => format!(
            "HOLD: {tag} must not be run until this is cleared. Kept as record {0}; once it is put right: tappet clear {0} \"what was done\"",
            short(&record)
        ),
        FindingKind::Watch => format!("Kept as record {0}. Once it is put right: tappet clear {0} \"what was done\"", short(&record)),
    };
    Outcome::new(&json!({ "machine": machine, "grade": grade, "record": record }), render::wrapped(&text, render::width(session.env)))
}

pub(crate) fn clear(args: &ClearArgs, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    session.book.identity()?;
    let finding = session.book.finder().find_record(&args.finding)?;
    let record = session.book.author().clear_finding(finding, &args.how, &mut session.env.hand(None))?;
    let text = format!("Finding {} is cleared, by record {}.", short(&finding), short(&record));
    Outcome::new(&json!({ "finding": finding, "record": record }), text)
}
