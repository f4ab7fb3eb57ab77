//! The checks of a machine, one after the other: what was found, set and left on one visit stands in one row, and never beside what was
//! left on another.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;
use serde::Serialize;
use shared::bracket::Bracket;
use shared::engine_card::EngineCard;
use shared::ids::RecordId;
use shared::length::LengthUnit;
use shared::record::{Body, Clearance, Stage};
use shared::valve::Valve;
use shared::verdict::{Gross, Verdict, gross_on_card, judge_on_card};

use super::bounds::cut;
use super::history::by;
use super::in_force::Revisions;
use crate::judge::ledger::{Entry, Ledger};
use crate::judge::machine::{MachineState, VisitLine};
use crate::judge::roster::Roster;
use crate::judge::standing::State;

/// One reading of a check.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct CheckReading {
    /// The record.
    pub record: RecordId,
    /// What it brackets, in words; what agreeing readings say together, where it stands.
    pub words: String,
    /// The verdict by the card that was in force, where there was one.
    pub judged: Option<Verdict>,
    /// How it is so far off that something else is looked at before anything is turned.
    pub gross: Option<Gross>,
    /// Taken with an engine that was said to be cold.
    pub cold: bool,
    /// Who measured.
    pub by: String,
    /// Corrected time, ms since 1970 UTC.
    pub at_ms: i64,
    /// How its slot stands now, where this reading is the one that stands.
    pub state: Option<State>,
}

/// One valve of a check.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct CheckValve {
    /// Which.
    pub valve: Valve,
    /// As it was found.
    pub found: Option<CheckReading>,
    /// As it was set, before the engine was turned over.
    pub set: Option<CheckReading>,
    /// As it was left.
    pub left: Option<CheckReading>,
}

/// One check: what was read on one visit, or outside of any visit on one day.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct CheckLine {
    /// The visit; absent for what was read outside of any.
    pub visit: Option<RecordId>,
    /// When it was opened, or read first, ms since 1970 UTC.
    pub at_ms: i64,
    /// The day in the shop's zone.
    #[cfg_attr(feature = "schema", schema(value_type = String, format = Date))]
    pub day: Date,
    /// Whose visit; everyone who read, where it was none.
    pub by: String,
    /// Nobody has finished the visit.
    pub open: bool,
    /// The valves that were read, in order.
    pub valves: Vec<CheckValve>,
}

/// What belongs to one check: a visit's readings, or a day's.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Of {
    Visit(RecordId),
    Day(Date),
}

/// Readings of one check, with their records.
type Readings<'a> = Vec<(&'a Entry, &'a Clearance)>;

/// What the checks of a machine are made from.
pub(super) struct Ground<'a> {
    pub(super) state: &'a MachineState,
    pub(super) ledger: &'a Ledger,
    pub(super) roster: &'a Roster,
    pub(super) revisions: Revisions,
    pub(super) unit: LengthUnit,
}

/// The checks of a machine, the latest first, at most so many; with how many earlier ones there are.
pub(super) fn of(ground: &Ground<'_>, most: usize) -> (Vec<CheckLine>, usize) {
    let Ground { state, ledger, roster, .. } = ground;
    let doubted: BTreeSet<RecordId> = state.aside.iter().map(|aside| aside.aside.id).collect();
    let visits: BTreeMap<RecordId, &VisitLine> = state.visits.iter().map(|line| (line.visit, line)).collect();
    let mut readings: BTreeMap<Of, Readings<'_>> = BTreeMap::new();
    for entry in ledger.entries() {
        let Body::Clearance(reading) = &entry.record.body else { continue };
        if doubted.contains(&entry.record.id) || ledger.voided_by(entry.record.id, roster).is_some() {
            continue;
        }
        let of = match reading.visit.filter(|visit| visits.contains_key(visit)) {
            Some(visit) => Of::Visit(visit),
            None => Of::Day(roster.day(ledger.time(entry.record.id).ms)),
        };
        readings.entry(of).or_default().push((entry, reading));
    }
    let opened = |of: &Of, readings: &[(&Entry, &Clearance)]| match of {
        Of::Visit(visit) => visits.get(visit).map_or(0, |line| line.at_ms),
        Of::Day(_) => readings.iter().map(|(entry, _)| ledger.time(entry.record.id).ms).min().unwrap_or(0),
    };
    let mut checks: Vec<(i64, Of, Readings<'_>)> =
        readings.into_iter().map(|(of, readings)| (opened(&of, &readings), of, readings)).collect();
    checks.sort_by_key(|(at_ms, of, _)| std::cmp::Reverse((*at_ms, *of)));
    let earlier = cut(&mut checks, most);
    let line = |(at_ms, of, readings): (i64, Of, Readings<'_>)| {
        let visit = match of {
            Of::Visit(id) => visits.get(&id).copied(),
            Of::Day(_) => None,
        };
        // Judged as it was signed off; what is open, or was no visit, by the card of now.
        let revision = ground.revisions.at(visit.and_then(|visit| visit.finished_ms).unwrap_or(i64::MAX));
        let card = revision.as_ref().map(|revision| &revision.card);
        let who =
            || readings.iter().map(|(entry, _)| by(entry, roster)).collect::<BTreeSet<_>>().into_iter().collect::<Vec<_>>().join(", ");
        CheckLine {
            visit: visit.map(|visit| visit.visit),
            at_ms,
            day: roster.day(at_ms),
            by: visit.map_or_else(who, |visit| roster.name(visit.by)),
            open: visit.is_some_and(|visit| visit.finished_ms.is_none()),
            valves: ground.valves(&readings, card),
        }
    };
    (checks.into_iter().map(line).collect(), earlier)
}

impl Ground<'_> {
    fn valves(&self, readings: &[(&Entry, &Clearance)], card: Option<&EngineCard>) -> Vec<CheckValve> {
        let valves: BTreeSet<Valve> = readings.iter().map(|(_, reading)| reading.valve).collect();
        let valve = |valve: Valve| {
            let at = |stage: Stage| self.reading(readings, valve, stage, card);
            CheckValve { valve, found: at(Stage::Found), set: at(Stage::Set), left: at(Stage::Left) }
        };
        valves.into_iter().map(valve).collect()
    }

    /// The reading of a stage that counts among those of one check: the one that stands, where it is of this check, or else the last.
    fn reading(&self, readings: &[(&Entry, &Clearance)], valve: Valve, stage: Stage, card: Option<&EngineCard>) -> Option<CheckReading> {
        let lash = self.state.lash.iter().find(|line| line.valve == valve && line.stage == stage);
        let stands = lash.and_then(|line| line.stands);
        let of_stage = || readings.iter().filter(|(_, reading)| reading.valve == valve && reading.stage == stage);
        let latest = || of_stage().max_by_key(|(entry, _)| (self.ledger.time(entry.record.id).ms, entry.record.id));
        let (entry, reading) = of_stage().find(|(entry, _)| Some(entry.record.id) == stands).or_else(latest)?;
        let standing = lash.filter(|_| stands == Some(entry.record.id));
        let bracket: Option<Bracket> = standing.and_then(|line| line.bracket).or_else(|| reading.bracket().ok());
        let cold = standing.map_or(reading.cold, |line| line.cold);
        let judged = Clearance { go: bracket.and_then(|b| b.go()), no_go: bracket.and_then(|b| b.no_go()), cold, ..(*reading).clone() };
        Some(CheckReading {
            record: entry.record.id,
            words: bracket.map_or_else(|| "no reading".to_owned(), |bracket| bracket.show(self.unit)),
            judged: card.map(|card| judge_on_card(&judged, card)),
            gross: card.and_then(|card| gross_on_card(&judged, card)),
            cold,
            by: by(entry, self.roster),
            at_ms: self.ledger.time(entry.record.id).ms,
            state: standing.map(|line| line.state),
        })
    }
}
