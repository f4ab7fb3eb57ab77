//! The verbs: one file each, its arguments at the top, then what it does.

pub(crate) mod backup;
pub(crate) mod bundle;
pub(crate) mod completions;
pub(crate) mod due;
pub(crate) mod enrol;
pub(crate) mod exchange;
pub(crate) mod finding;
pub(crate) mod guide;
pub(crate) mod history;
pub(crate) mod hours;
pub(crate) mod leaves;
pub(crate) mod machine;
pub(crate) mod meter_change;
pub(crate) mod note;
pub(crate) mod office;
pub(crate) mod photo;
pub(crate) mod quarantine;
pub(crate) mod read;
pub(crate) mod reckon;
pub(crate) mod record;
pub(crate) mod settings;
pub(crate) mod show;
pub(crate) mod status;
pub(crate) mod symptom;
pub(crate) mod teach;
pub(crate) mod verify;
pub(crate) mod visit;
pub(crate) mod void;

use crate::args::{Cli, Command};
use crate::environment::Environment;
use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render::{width, wrapped};
use crate::session::{Session, book_path};

/// Does one command.
pub(crate) fn run(cli: Cli, env: &mut Environment<'_>) -> Result<Outcome, Failure> {
    if let Command::Completions(args) = &cli.command {
        return completions::run(args);
    }
    let enrols = matches!(cli.command, Command::Enrol(_));
    if let Command::Bundle(bundle::BundleCommand::Salvage(args)) = &cli.command {
        let book = book_path(&cli.global, env)?;
        return bundle::salvage(args, &book, env);
    }
    let session = &mut Session::open(cli.global, enrols, env)?;
    let outcome = verb(&cli.command, session)?;
    let outcome = match session.looks_only() {
        Some(words) => outcome.with("looks_only", &true)?.and_say(&wrapped(words, width(session.env))),
        None => outcome,
    };
    Ok(match session.inches_words() {
        Some(words) => outcome.with("read_as_inches", &words)?.and_say(&wrapped(&words, width(session.env))),
        None => outcome,
    })
}

fn verb(command: &Command, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    match command {
        Command::Enrol(args) => enrol::run(args, session),
        Command::Exchange(args) => exchange::run(args, session),
        Command::Backup(args) => backup::run(args, session),
        Command::Bundle(command) => bundle::run(command, session),
        Command::Status => status::run(session),
        Command::Due(args) => due::run(args, session),
        Command::Guide(args) => guide::run(args, session),
        Command::Symptom(args) => symptom::run(args, session),
        Command::Teach(args) => teach::run(args, session),
        Command::Show(args) => show::run(args, session),
        Command::History(args) => history::run(args, session),
        Command::Record(args) => record::run(args, session),
        Command::Visit(command) => visit::run(command, session),
        Command::Read(args) => read::run(args, session),
        Command::Hours(args) => hours::run(args, session),
        Command::MeterChange(args) => meter_change::run(args, session),
        Command::Finding(args) => finding::run(args, shared::record::FindingKind::Watch, session),
        Command::Hold(args) => finding::run(args, shared::record::FindingKind::Hold, session),
        Command::Clear(args) => finding::clear(args, session),
        Command::Note(args) => note::run(args, session),
        Command::Photo(args) => photo::run(args, session),
        Command::Machine(command) => machine::run(command, session),
        Command::Void(args) => void::run(args, session),
        Command::Leaves(args) => leaves::run(args, session),
        Command::Reckon(command) => reckon::run(command, session),
        Command::Settings(command) => settings::run(command, session),
        Command::Quarantine => quarantine::run(session),
        Command::Verify => verify::run(session),
        Command::Office(command) => office::run(command, session),
        Command::Completions(args) => completions::run(args),
    }
}
