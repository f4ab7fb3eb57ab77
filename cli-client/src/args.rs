//! The command line: every verb in the order in which a day uses them. Each verb's own arguments live with the verb.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};
use shared::length::LengthUnit;

use crate::commands::{
    backup, bundle, completions, due, enrol, exchange, finding, guide, history, hours, leaves, machine, meter_change, note, office, photo,
    read, reckon, record, settings, show, symptom, teach, visit, void,
};
use crate::exit;

/// The book of valve clearances and engine hours, at the machine and in the office.
///
/// Works without a signal: what is entered is kept on this device at once, and an exchange brings it and the shop
/// level. The engine maker's manual decides; this is a record and a calculator.
#[derive(Debug, Parser)]
#[command(name = "tappet", version, after_help = exit::HELP, max_term_width = 80, propagate_version = true)]
pub(crate) struct Cli {
    #[command(flatten)]
    pub(crate) global: Global,
    #[command(subcommand)]
    pub(crate) command: Command,
}

/// Options of every verb.
#[derive(Debug, Clone, Default, Args)]
#[command(next_help_heading = "Options of every verb")]
pub(crate) struct Global {
    /// The book file [or TAPPET_BOOK; else book.db in the tappetbook folder of your data folder]
    #[arg(long, global = true, value_name = "FILE")]
    pub(crate) book: Option<PathBuf>,
    /// One JSON document on standard output; errors as JSON on standard error
    #[arg(long, global = true)]
    pub(crate) json: bool,
    /// The unit of lengths, thou, in or mm [or TAPPET_UNIT; else as kept by `settings unit`]
    #[arg(long, global = true, value_name = "UNIT", value_parser = unit)]
    pub(crate) unit: Option<LengthUnit>,
    /// Also say what travelled
    #[arg(short, long, global = true)]
    pub(crate) verbose: bool,
    /// Allow a server without https that is not this machine
    #[arg(long, global = true)]
    pub(crate) allow_plain_http: bool,
    /// PEM file of the authority that vouches for the shop's server [or TAPPET_CA; kept at enrolment]
    #[arg(long, global = true, value_name = "FILE")]
    pub(crate) ca: Option<PathBuf>,
}

/// The verbs.
#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Enrol this device with a one-time code from the office
    Enrol(enrol::EnrolArgs),
    /// Bring this book and the shop level
    Exchange(exchange::ExchangeArgs),
    /// Hand records to another device where there is no signal
    #[command(subcommand)]
    Bundle(bundle::BundleCommand),
    /// Whose book this is, and how far it is level with the shop
    Status,
    /// What is due, and where
    Due(due::DueArgs),
    /// Be guided through a check, one question at a time
    Guide(guide::GuideArgs),
    /// What to look at where a machine clatters, is down on power, and the like
    Symptom(symptom::SymptomArgs),
    /// How a step of the check is done, why, and what goes wrong otherwise
    Teach(teach::TeachArgs),
    /// One machine: card, clearances, hours, what is due and open
    Show(show::ShowArgs),
    /// Everything stated about a machine, newest first
    History(history::HistoryArgs),
    /// One record in full
    Record(record::RecordArgs),
    /// Open or finish a visit
    #[command(subcommand)]
    Visit(visit::VisitCommand),
    /// Keep a clearance reading and hear its verdict
    Read(read::ReadArgs),
    /// Keep an hour-meter reading
    Hours(hours::HoursArgs),
    /// Note that the hour meter was replaced
    MeterChange(meter_change::MeterChangeArgs),
    /// Note something found
    Finding(finding::FindingArgs),
    /// Forbid running a machine until it is cleared
    Hold(finding::FindingArgs),
    /// Clear a finding or a hold
    Clear(finding::ClearArgs),
    /// Leave a note
    Note(note::NoteArgs),
    /// Note a photo by its file
    Photo(photo::PhotoArgs),
    /// Enter a machine
    #[command(subcommand)]
    Machine(machine::MachineCommand),
    /// Undo a record; it stays in the book as history
    Void(void::VoidArgs),
    /// Your own feeler leaves
    Leaves(leaves::LeavesArgs),
    /// What the book's numbers say: how sure, how far, when due
    #[command(subcommand)]
    Reckon(Box<reckon::ReckonCommand>),
    /// What this terminal goes by
    #[command(subcommand)]
    Settings(settings::SettingsCommand),
    /// Records that were not taken, and why
    Quarantine,
    /// Check the whole book: signatures, documents, everything derived
    Verify,
    /// Copy this device's whole book, keys and all, into a new file
    Backup(backup::BackupArgs),
    /// What the office keeps and decides
    Office(Box<office::OfficeCommand>),
    /// Completions for a shell
    Completions(completions::CompletionsArgs),
}

pub(crate) fn unit(text: &str) -> Result<LengthUnit, String> {
    text.parse().map_err(|_| "lengths are in thou, in or mm".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_command_line_holds_together() {
        Cli::command().debug_assert();
    }
}
