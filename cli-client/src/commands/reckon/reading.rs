//! The reading that a question is about: a machine, a valve and a stage.

use shared::ids::DocId;
use shared::record::Stage;
use shared::valve::Valve;
use sync_core::engine::BookError;
use sync_core::judge::machine::Lash;

use crate::exit::Failure;
use crate::outcome::Outcome;
use crate::parse;
use crate::render;
use crate::session::Session;

/// Which reading.
#[derive(Debug, clap::Args)]
pub(crate) struct ReadingArgs {
    /// The machine's tag, or the last digits of its id
    machine: String,
    /// The valve: 1I, 1E, 2I, 2E
    valve: String,
    /// found, set or left [where none is named: as left, or as found where that is the later reading]
    stage: Option<String>,
}

/// A reading that stands, or the one that was asked for and does not.
#[derive(Debug)]
pub(super) struct Asked {
    pub(super) machine: DocId,
    pub(super) valve: Valve,
    pub(super) stage: Stage,
    line: Option<Lash>,
}

impl ReadingArgs {
    /// Finds it. Where nothing stands the book says so, in its own order of what it asks for first.
    pub(super) fn asked(&self, session: &Session<'_, '_>) -> Result<Asked, Failure> {
        let machine = session.machine(&self.machine)?;
        let valve: Valve = parse::read(&self.valve)?;
        let stage: Option<Stage> = self.stage.as_deref().map(parse::read).transpose()?;
        let row = session.book.store().machine_rows().machine(machine).map_err(BookError::from)?;
        let stage = stage.unwrap_or_else(|| row.as_ref().map_or(Stage::Left, |row| row.state.present_stage(valve)));
        let line = row.and_then(|row| row.state.lash_at(valve, stage).filter(|line| line.stands.is_some()).cloned());
        Ok(Asked { machine, valve, stage, line })
    }
}

impl Asked {
    /// Adds to an answer which reading it goes by.
    pub(super) fn named(&self, outcome: Outcome, session: &Session<'_, '_>) -> Result<Outcome, Failure> {
        let outcome = outcome.with("valve", &self.valve)?.with("stage", &self.stage)?;
        let Some((bracket, at_ms)) = self.line.as_ref().and_then(|line| line.bracket.zip(line.at_ms)) else { return Ok(outcome) };
        let (valve, stage, read, when) = (self.valve, self.stage.name(), bracket.show(session.unit), session.local(at_ms)?);
        let warm = if self.line.as_ref().is_some_and(|line| line.cold) { "" } else { ", cold not confirmed" };
        let said = format!("Goes by {valve} {stage}, {read}{warm}, read {when}.");
        Ok(outcome.and_say(&render::wrapped(&said, render::width(session.env))))
    }
}
