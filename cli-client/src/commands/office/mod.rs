//! `tappet office`: what the office keeps and decides. Each verb brings the book and the shop level first, and what it
//! wrote to the shop after; where the shop cannot be reached it says so, and goes on with what is here.

mod assign;
mod backup;
mod card;
mod card_file;
mod card_flags;
mod day;
mod day_sheet;
mod device;
mod machine;
mod person;
mod property;
mod quarantine;
mod rule;
mod service_record;
mod settings;

use serde::Serialize;

use sync_core::queries::{Findable, find};

use crate::commands::due;
use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render;
use crate::session::Session;
use crate::sync::{self, Levelled};

/// `office` and its own option.
#[derive(Debug, clap::Args)]
pub(crate) struct OfficeCommand {
    /// Do not exchange with the shop; go by what is here
    #[arg(long, global = true)]
    offline: bool,
    #[command(subcommand)]
    verb: Verb,
}

/// What of a list is sought.
#[derive(Debug, clap::Args)]
pub(super) struct FindArgs {
    /// Only what says all of these words, in any order
    #[arg(value_name = "WORDS")]
    words: Vec<String>,
}

impl FindArgs {
    fn of<T: Findable>(&self, lines: Vec<T>) -> Vec<T> {
        find(lines, &self.words.join(" "))
    }

    /// Whether something is sought.
    const fn is_cut(&self) -> bool {
        !self.words.is_empty()
    }

    /// What is said in place of a list without lines: that nothing is found, or that there is none yet.
    fn none(&self, yet: &str) -> String {
        if self.is_cut() { "Nothing is found by that. Without words the list has them all.".to_owned() } else { yet.to_owned() }
    }
}

/// The office's verbs.
#[derive(Debug, clap::Subcommand)]
enum Verb {
    /// Put people on the roster, and give roles
    #[command(subcommand)]
    Person(person::PersonCommand),
    /// Everyone on the roster
    People(FindArgs),
    /// One-time codes, and revoking devices
    #[command(subcommand)]
    Device(device::DeviceCommand),
    /// Every device on the roster
    Devices(FindArgs),
    /// Enter properties
    #[command(subcommand)]
    Property(property::PropertyCommand),
    /// Every property
    Properties(FindArgs),
    /// Enter, change and confirm machines
    #[command(subcommand)]
    Machine(machine::MachineCommand),
    /// Every machine
    Machines(FindArgs),
    /// Keep engine cards
    #[command(subcommand)]
    Card(card::CardCommand),
    /// Every engine card
    Cards(FindArgs),
    /// Give a property to a person to look after
    Assign(assign::AssignArgs),
    /// Take a property from a person
    Unassign(assign::AssignArgs),
    /// Where readings disagree, side by side
    Contested,
    /// Decide what stands
    Rule(rule::RuleArgs),
    /// One day: what came in, what is contested, what is missing
    DaySheet(day_sheet::DaySheetArgs),
    /// Close a day: nothing is open, or you say why it stays open
    CloseDay(day::CloseArgs),
    /// The days that were closed, and what came for them late
    ClosedDays(FindArgs),
    /// How a machine stood when a day was closed
    Evening(day::EveningArgs),
    /// What is due, and where
    Due(due::DueArgs),
    /// The service record of a visit, for the client
    ServiceRecord(service_record::ServiceRecordArgs),
    /// What waits in the shop's quarantine; let it in or keep it out
    Quarantine(quarantine::QuarantineArgs),
    /// Copy the shop's book at the shop, while it serves
    Backup,
    /// The backups at the shop
    Backups,
    /// The shop's settings
    Settings(settings::SettingsArgs),
}

impl Verb {
    /// Whether the verb writes, and so has something to bring to the shop.
    const fn writes(&self) -> bool {
        match self {
            Self::Person(_)
            | Self::Property(_)
            | Self::Machine(_)
            | Self::Assign(_)
            | Self::Unassign(_)
            | Self::Rule(_)
            | Self::CloseDay(_) => true,
            Self::Device(command) => command.writes(),
            Self::Card(command) => command.writes(),
            Self::Settings(args) => args.writes(),
            _ => false,
        }
    }
}

/// How an exchange around a verb went.
#[derive(Debug, Serialize)]
#[serde(rename_all = "kebab-case", tag = "state")]
enum Contact {
    /// Not tried.
    Skipped,
    /// It went through.
    Done(Box<Levelled>),
    /// It did not.
    Failed {
        /// Why, in a sentence.
        why: String,
    },
}

pub(crate) fn run(command: &OfficeCommand, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    session.book.identity()?;
    let before = contact(command.offline, session);
    let there = matches!(before, Contact::Done(_));
    let outcome = act(&command.verb, there, session)?;
    let after = if command.verb.writes() && there { contact(false, session) } else { Contact::Skipped };
    finish(outcome, command, &before, &after, session)
}

fn act(verb: &Verb, there: bool, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    match verb {
        Verb::Person(command) => person::run(command, session),
        Verb::People(args) => person::list(args, session),
        Verb::Device(command) => device::run(command, there, session),
        Verb::Devices(args) => device::list(args, session),
        Verb::Property(command) => property::run(command, session),
        Verb::Properties(args) => property::list(args, session),
        Verb::Machine(command) => machine::run(command, session),
        Verb::Machines(args) => machine::list(args, session),
        Verb::Card(command) => card::run(command, session),
        Verb::Cards(args) => card::list(args, session),
        Verb::Assign(args) => assign::run(args, true, session),
        Verb::Unassign(args) => assign::run(args, false, session),
        Verb::Contested => rule::contested(session),
        Verb::Rule(args) => rule::run(args, session),
        Verb::DaySheet(args) => day_sheet::run(args, there, session),
        Verb::CloseDay(args) => day::close(args, session),
        Verb::ClosedDays(args) => day::list(args, session),
        Verb::Evening(args) => day::evening(args, session),
        Verb::Due(args) => due::run(args, session),
        Verb::ServiceRecord(args) => service_record::run(args, session),
        Verb::Quarantine(args) => quarantine::run(args, there, session),
        Verb::Backup => backup::make(there, session),
        Verb::Backups => backup::list(there, session),
        Verb::Settings(args) => settings::run(args, session),
    }
}

/// An exchange that may fail without failing the verb.
fn contact(offline: bool, session: &mut Session<'_, '_>) -> Contact {
    if offline {
        return Contact::Skipped;
    }
    match sync::exchange(session) {
        Ok(done) => Contact::Done(Box::new(done)),
        Err(failure) => Contact::Failed { why: render::sentence(&failure.to_string()) },
    }
}

fn finish(
    outcome: Outcome,
    command: &OfficeCommand,
    before: &Contact,
    after: &Contact,
    session: &Session<'_, '_>,
) -> Result<Outcome, Failure> {
    let mut said = Vec::new();
    let mut look = false;
    for contact in [before, after] {
        match contact {
            Contact::Failed { why } => said.push(format!("No exchange: {why}")),
            Contact::Done(done) if render::exchange::wants_a_look(done) || session.global.verbose => {
                look |= render::exchange::wants_a_look(done);
                said.push(render::exchange::words(session, done)?);
            }
            _ => {}
        }
    }
    if command.verb.writes() && !matches!(after, Contact::Done(_)) {
        said.push("What was entered is kept here, and goes to the shop with the next exchange.".to_owned());
    }
    let said = render::wrapped(&said.join("\n"), render::width(session.env));
    let outcome = outcome.with("exchange", &serde_json::json!({ "before": before, "after": after }))?;
    Ok(outcome.and_say(&said).needing(look))
}
