//! The state of one machine, folded from its ledger: card, hours, clearances, visits, findings. No verdicts here:
//! those need the engine card, which lives in another document, and are made when the state is looked at.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use shared::bracket::Bracket;
use shared::cold::{Cold, Said, has_run};
use shared::due::Run;
use shared::hours::Hours;
use shared::ids::{CardId, PersonId, PropertyId, RecordId};
use shared::record::{Body, FindingKind, MachineCard, Stage};
use shared::slot::Slot;
use shared::valve::Valve;

use crate::judge::hours::MachineHours;
use crate::judge::ledger::Ledger;
use crate::judge::reason::Reason;
use crate::judge::roster::Roster;
use crate::judge::standing::{Aside, Standing, State};

/// The hour meter now.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct HoursNow {
    /// The reading.
    pub record: RecordId,
    /// What the meter showed.
    #[serde(rename = "meter_tenth_h")]
    pub meter: Hours,
    /// With meter changes undone.
    #[serde(rename = "engine_tenth_h")]
    pub engine: Hours,
    /// Corrected time, ms since 1970 UTC.
    pub at_ms: i64,
}

/// How one valve stands at one stage.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Lash {
    /// Which valve.
    pub valve: Valve,
    /// Which stage.
    pub stage: Stage,
    /// How the slot stands.
    pub state: State,
    /// The reading that stands.
    pub stands: Option<RecordId>,
    /// What it says, or what agreeing readings say together.
    pub bracket: Option<Bracket>,
    /// Who measured.
    pub by: Option<PersonId>,
    /// Corrected time, ms since 1970 UTC.
    pub at_ms: Option<i64>,
    /// Taken with an engine that was said to be cold, and that counted.
    pub cold: bool,
    /// The adjuster was turned.
    pub adjusted: bool,
    /// During which visit.
    pub visit: Option<RecordId>,
    /// Why it stands.
    #[cfg_attr(feature = "schema", schema(value_type = crate::judge::reason::Worded))]
    pub reason: Reason,
}

/// A visit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct VisitLine {
    /// Which.
    pub visit: RecordId,
    /// Whose.
    pub by: PersonId,
    /// Corrected time of its opening, ms since 1970 UTC.
    pub at_ms: i64,
    /// The engine was said to be cold, when that was said last.
    pub cold: bool,
    /// Corrected time of that, ms since 1970 UTC: of the opening, or of the last time that the visit was gone on with.
    pub cold_said_ms: i64,
    /// The hour meter has moved since then.
    pub ran_since: bool,
    /// Corrected time of its sign-off, where it is finished.
    pub finished_ms: Option<i64>,
    /// Finished with every valve in range.
    pub complete: bool,
}

/// A finding that has not been cleared.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct OpenFinding {
    /// Which.
    pub finding: RecordId,
    /// How grave.
    pub grade: FindingKind,
    /// What.
    pub what: String,
    /// By whom.
    pub by: PersonId,
    /// Corrected time, ms since 1970 UTC.
    pub at_ms: i64,
}

/// The last finished check.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct LastCheck {
    /// The visit.
    pub visit: RecordId,
    /// Corrected time of its sign-off, ms since 1970 UTC.
    pub at_ms: i64,
    /// Engine hours then, where a reading on the chain says so.
    #[serde(rename = "engine_tenth_h")]
    pub engine: Option<Hours>,
}

/// A slot that waits for someone, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct SlotAside {
    /// Which slot.
    pub slot: Slot,
    /// What does not stand by itself there.
    pub aside: Aside,
}

/// The state of one machine.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Default)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct MachineState {
    /// Its card.
    pub card: Option<MachineCard>,
    /// Its hours.
    pub hours: Option<HoursNow>,
    /// What it ran in the trailing year, as far as the chain tells.
    pub run: Option<Run>,
    /// Its clearances, by valve and stage.
    pub lash: Vec<Lash>,
    /// Its visits, newest first.
    pub visits: Vec<VisitLine>,
    /// The last finished check.
    pub last_check: Option<LastCheck>,
    /// What is open.
    pub findings: Vec<OpenFinding>,
    /// Slots that want a ruling.
    pub contested: Vec<Slot>,
    /// Slots that a ruling sent back to be measured again.
    pub recheck: Vec<Slot>,
    /// What does not stand by itself.
    pub aside: Vec<SlotAside>,
}

impl VisitLine {
    /// How cold the engine is for a reading taken at a corrected time, ms since 1970 UTC, by what was said in this visit.
    #[must_use]
    pub const fn cold_at(&self, now_ms: i64) -> Cold {
        Said { cold: self.cold, at_ms: self.cold_said_ms, ran_since: self.ran_since }.at(now_ms)
    }
}

impl MachineState {
    /// Folds a machine's ledger and its standings.
    #[must_use]
    pub fn fold(ledger: &Ledger, standings: &[Standing], roster: &Roster) -> Self {
        let by_slot: BTreeMap<&Slot, &Standing> = standings.iter().map(|s| (&s.slot, s)).collect();
        let standing_body = |slot: &Slot| by_slot.get(slot).and_then(|s| s.stands).and_then(|id| ledger.get(id)).map(|e| &e.record.body);
        let mut state = Self::default();
        if let Some(Body::Machine(card)) = standing_body(&Slot::Machine) {
            state.card = Some(card.clone());
        }
        let hours = MachineHours::of(ledger, roster);
        state.hours = hours_now(&hours, by_slot.get(&Slot::Hours).and_then(|s| s.stands), ledger);
        let chain = hours.on_chain();
        state.run = Run::of(&chain);
        for standing in standings {
            if standing.wants_ruling() {
                state.contested.push(standing.slot.clone());
            }
            if standing.state == State::Recheck {
                state.recheck.push(standing.slot.clone());
            }
            state.aside.extend(standing.aside.iter().map(|aside| SlotAside { slot: standing.slot.clone(), aside: aside.clone() }));
        }
        for (valve, stage) in Valve::all(shared::valve::MOST_CYLINDERS).into_iter().flat_map(|v| Stage::ALL.map(|s| (v, s))) {
            if let Some(standing) = by_slot.get(&Slot::Lash(valve, stage)) {
                state.lash.push(lash(valve, stage, standing, ledger));
            }
        }
        state.visits = visits(ledger, &by_slot, &chain);
        state.last_check = state.visits.iter().filter(|v| v.complete).max_by_key(|v| (v.finished_ms, v.visit)).and_then(|v| {
            let at_ms = v.finished_ms?;
            let engine = chain.iter().rev().find(|(t, _)| *t <= at_ms).map(|(_, h)| *h);
            Some(LastCheck { visit: v.visit, at_ms, engine })
        });
        state.findings = findings(ledger, &by_slot);
        state
    }

    /// The tag, or nothing where no card stands.
    #[must_use]
    pub fn tag(&self) -> &str {
        self.card.as_ref().map_or("", |card| card.tag.as_str())
    }

    /// Where it lives.
    #[must_use]
    pub fn property(&self) -> Option<PropertyId> {
        self.card.as_ref().map(|card| card.property)
    }

    /// Its engine's card.
    #[must_use]
    pub fn engine_card(&self) -> Option<CardId> {
        self.card.as_ref().and_then(|card| card.engine_card)
    }

    /// The holds that forbid running it.
    pub fn holds(&self) -> impl Iterator<Item = &OpenFinding> {
        self.findings.iter().filter(|f| f.grade == FindingKind::Hold)
    }

    /// Whether it has been visited to the end, and each time something was left open.
    #[must_use]
    pub fn only_left_open(&self) -> bool {
        self.last_check.is_none() && self.visits.iter().any(|visit| visit.finished_ms.is_some())
    }

    /// Its visits that nobody has finished.
    pub fn open_visits(&self) -> impl Iterator<Item = &VisitLine> {
        self.visits.iter().filter(|v| v.finished_ms.is_none())
    }

    /// A person's latest visit that nobody has finished.
    #[must_use]
    pub fn open_visit_of(&self, person: PersonId) -> Option<&VisitLine> {
        self.open_visits().find(|visit| visit.by == person)
    }

    /// How cold the engine is for a reading taken now in a visit.
    #[must_use]
    pub fn cold_at(&self, visit: Option<RecordId>, now_ms: i64) -> Cold {
        let line = self.visits.iter().find(|line| Some(line.visit) == visit);
        line.map_or(Cold::NotSaid, |line| line.cold_at(now_ms))
    }

    /// The stage whose reading says how a valve is now: as left; or as found, where it was found since it was last left.
    #[must_use]
    pub fn present_stage(&self, valve: Valve) -> Stage {
        let at = |stage| self.lash_at(valve, stage).filter(|line| line.stands.is_some()).map(|line| line.at_ms);
        match (at(Stage::Left), at(Stage::Found)) {
            (left, Some(found)) if left.is_none_or(|left| left < found) => Stage::Found,
            _ => Stage::Left,
        }
    }

    /// How a valve stands at a stage.
    #[must_use]
    pub fn lash_at(&self, valve: Valve, stage: Stage) -> Option<&Lash> {
        self.lash.iter().find(|l| l.valve == valve && l.stage == stage)
    }
}

fn hours_now(hours: &MachineHours, stands: Option<RecordId>, ledger: &Ledger) -> Option<HoursNow> {
    let record = stands?;
    let Body::Hours(reading) = &ledger.get(record)?.record.body else { return None };
    let engine = hours.engine_hours(record).unwrap_or(reading.meter);
    Some(HoursNow { record, meter: reading.meter, engine, at_ms: ledger.time(record).ms })
}

fn lash(valve: Valve, stage: Stage, standing: &Standing, ledger: &Ledger) -> Lash {
    let entry = standing.stands.and_then(|id| ledger.get(id));
    let body = entry.and_then(|e| match &e.record.body {
        Body::Clearance(body) => Some(body),
        _ => None,
    });
    Lash {
        valve,
        stage,
        state: standing.state,
        stands: standing.stands,
        bracket: standing.bracket.or_else(|| body.and_then(|b| b.bracket().ok())),
        by: entry.map(|e| e.record.measurer()),
        at_ms: standing.stands.map(|id| ledger.time(id).ms),
        cold: body.is_some_and(|b| b.cold),
        adjusted: body.is_some_and(|b| b.adjusted),
        visit: body.and_then(|b| b.visit),
        reason: standing.reason.clone(),
    }
}

fn visits(ledger: &Ledger, by_slot: &BTreeMap<&Slot, &Standing>, hours: &[(i64, Hours)]) -> Vec<VisitLine> {
    let stated = || {
        by_slot.values().filter_map(|s| s.stands).filter_map(|id| ledger.get(id)).filter_map(|entry| match &entry.record.body {
            Body::Visit(visit) => Some((entry, visit)),
            _ => None,
        })
    };
    // In a visit the person who opened it says how the engine is.
    let mut resumed: BTreeMap<(RecordId, PersonId), (i64, RecordId, bool)> = BTreeMap::new();
    for (entry, visit) in stated() {
        if let Some(of) = visit.resumes {
            let said = (ledger.time(entry.record.id).ms, entry.record.id, visit.cold);
            let last = resumed.entry((of, entry.record.measurer())).or_insert(said);
            *last = said.max(*last);
        }
    }
    let since = |ms: i64| hours.get(hours.partition_point(|(at, _)| *at < ms));
    let mut visits: Vec<VisitLine> = stated()
        .filter(|(_, visit)| visit.resumes.is_none())
        .map(|(entry, visit)| {
            let id = entry.record.id;
            let by = entry.record.measurer();
            let at_ms = ledger.time(id).ms;
            let (cold_said_ms, _, cold) = resumed.get(&(id, by)).copied().unwrap_or((at_ms, id, visit.cold));
            let sign_off = by_slot.get(&Slot::SignOff(id)).and_then(|s| s.stands).and_then(|s| ledger.get(s));
            let complete = sign_off.is_some_and(|e| matches!(&e.record.body, Body::SignOff(s) if s.complete));
            VisitLine {
                visit: id,
                by,
                at_ms,
                cold,
                cold_said_ms,
                // The chain never falls: its first reading since and its last tell for all between.
                ran_since: has_run(since(cold_said_ms).into_iter().chain(hours.last()).map(|(_, hours)| *hours)),
                finished_ms: sign_off.map(|e| ledger.time(e.record.id).ms),
                complete,
            }
        })
        .collect();
    visits.sort_by_key(|v| std::cmp::Reverse((v.at_ms, v.visit)));
    visits
}

fn findings(ledger: &Ledger, by_slot: &BTreeMap<&Slot, &Standing>) -> Vec<OpenFinding> {
    let mut open: Vec<OpenFinding> = by_slot
        .values()
        .filter_map(|s| s.stands)
        .filter_map(|id| ledger.get(id))
        .filter_map(|entry| {
            let Body::Finding(finding) = &entry.record.body else { return None };
            let id = entry.record.id;
            let cleared = by_slot.get(&Slot::FindingCleared(id)).is_some_and(|s| s.stands.is_some());
            (!cleared).then(|| OpenFinding {
                finding: id,
                grade: finding.grade,
                what: finding.what.clone(),
                by: entry.record.measurer(),
                at_ms: ledger.time(id).ms,
            })
        })
        .collect();
    open.sort_by_key(|f| std::cmp::Reverse((f.at_ms, f.finding)));
    open
}
