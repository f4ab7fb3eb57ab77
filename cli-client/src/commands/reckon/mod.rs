//! `tappet reckon`: questions to what the book holds, one verb each. Nothing is written; the arithmetic is the book's.

mod agreement;
mod carry;
mod crank;
mod drift;
mod due;
mod leaves;
mod material;
mod meter;
mod reading;
mod round;
mod season;
mod sure;
mod tdc;
mod turn;
mod usage;
mod warm;

use serde::Serialize;
use sync_core::engine::BookError;
use sync_core::queries::reckon::Reckoned;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::render;
use crate::session::Session;

/// What to reckon.
#[derive(Debug, clap::Subcommand)]
pub(crate) enum ReckonCommand {
    /// How sure a valve is in its range, and what that proves
    ///
    /// Leaves and feel are not exact. Say how far off they may be, as standard uncertainties, and where you have that from.
    /// All three are needed: no published tolerance table could be read, so none is built in. Someone who knows only that a
    /// leaf is within some limit either way, and nothing of where, states that limit divided by 1.73.
    ///
    /// The answer informs. It never turns a verdict that is too close to call into one in spec.
    Sure(sure::SureArgs),
    /// Which leaves to try on a valve, and in which order
    Leaves(leaves::LeavesArgs),
    /// How far to turn a valve's adjuster
    Turn(turn::TurnArgs),
    /// How far the piston is down at an angle, or at which angle it is so far down
    Crank(crank::CrankArgs),
    /// Where top dead center is, from two heights of the piston
    ///
    /// Near top dead center the piston hardly moves, so its highest point cannot be felt. Turn the crank in its direction
    /// of running and read the flywheel's scale twice, before and after top dead center, where the piston stands equally
    /// high: halfway between is top dead center. Where the two heights are not equal, say both, with stroke and rod.
    Tdc(tdc::TdcArgs),
    /// What a valve read warm may be when cold; never a verdict
    ///
    /// Barrel with head, and push rod, grow by different amounts, and the difference reaches the valve by the rocker. From
    /// their lengths, what they are made of, and how much warmer than cold each is. An estimate, whatever it says: let the
    /// engine cool and read again.
    Warm(warm::WarmArgs),
    /// The hour meter's readings, and those that cannot be
    Meter(meter::MeterArgs),
    /// How many hours a day a machine runs
    Usage(season::SeasonArgs),
    /// When a machine's next check is due, as a range of dates
    Due(season::SeasonArgs),
    /// How a valve's clearance changes with hours
    Drift(drift::DriftArgs),
    /// What tightening the lock nut does to a person's settings
    Carry(carry::CarryArgs),
    /// How far people agree where they read the same valves
    ///
    /// Takes valves that two people or more read as found, twice or more each, on one day and without touching the
    /// adjuster. A valve on another day counts as another, as the engine has run since.
    Agreement(agreement::AgreementArgs),
    /// The week's round: which properties are worth the drive
    Round(round::RoundArgs),
}

pub(crate) fn run(command: &ReckonCommand, session: &mut Session<'_, '_>) -> Result<Outcome, Failure> {
    match command {
        ReckonCommand::Sure(args) => sure::run(args, session),
        ReckonCommand::Leaves(args) => leaves::run(args, session),
        ReckonCommand::Turn(args) => turn::run(args, session),
        ReckonCommand::Crank(args) => crank::run(args, session),
        ReckonCommand::Tdc(args) => tdc::run(args, session),
        ReckonCommand::Warm(args) => warm::run(args, session),
        ReckonCommand::Meter(args) => meter::run(args, session),
        ReckonCommand::Usage(args) => usage::run(args, session),
        ReckonCommand::Due(args) => due::run(args, session),
        ReckonCommand::Drift(args) => drift::run(args, session),
        ReckonCommand::Carry(args) => carry::run(args, session),
        ReckonCommand::Agreement(args) => agreement::run(args, session),
        ReckonCommand::Round(args) => round::run(args, session),
    }
}

/// An answer: its words first, then what else there is to see; its facts and words for programs.
fn answer<T: Serialize>(reckoned: &Reckoned<T>, more: &str, session: &Session<'_, '_>) -> Result<Outcome, Failure> {
    let words = render::reckon::said(&reckoned.words, render::width(session.env));
    let text = if more.is_empty() { words } else { format!("{words}\n\n{more}") };
    Outcome::new(reckoned, text.trim_start())
}

/// What the arithmetic refused without the book, as the book would say it.
fn no_answer(error: impl std::fmt::Display) -> Failure {
    Failure::Book(BookError::Reckoning(render::sentence(&error.to_string())))
}
