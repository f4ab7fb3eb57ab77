//! One machine as people look at it: card, clearances with their verdicts, hours, what is due, history.

use std::cell::RefCell;

use serde::Serialize;
use shared::bytes::Bytes32;
use shared::due::{Due, DueInput, LastCheck, due, estimated_per_day};
use shared::engine_card::{Duty, EngineCard};
use shared::ids::{DocId, MachineId, PropertyId, RecordId};
use shared::length::LengthUnit;
use shared::record::{Body, Clearance, FindingKind, Stage};
use shared::usage::Between;
use shared::valve::Valve;
use shared::verdict::{Gross, Verdict, gross_on_card, judge_on_card};

use super::bounds::{MOST_CHECKS, MOST_HISTORY, MOST_LINES, cut};
use super::checks::{self, CheckLine};
use super::history::{HistoryLine, Stretch, by};
use super::names::Names;
use super::notes::{NoteLine, latest};
use crate::engine::BookError;
use crate::judge::ledger::{Entry, Ledger};
use crate::judge::machine::{Lash, MachineState, OpenFinding, VisitLine};
use crate::judge::machine_summary::MachineSummary;
use crate::judge::roster::Roster;
use crate::judge::standing::State;
use crate::queries::MachineReader;
use crate::sys::clock::ClockReading;

/// How one valve stands at one stage, judged.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct LashView {
    /// How it stands.
    #[serde(flatten)]
    pub lash: Lash,
    /// Who measured.
    pub by_name: String,
    /// The bracket in words.
    pub words: String,
    /// The verdict, where there is an engine card and a reading that stands.
    pub judged: Option<Verdict>,
    /// How it is so far off that something else is looked at before anything is turned.
    pub gross: Option<Gross>,
}

/// A visit, with its person's name.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct VisitView {
    /// The visit.
    #[serde(flatten)]
    pub visit: VisitLine,
    /// Whose.
    pub by_name: String,
}

/// A photo that was not taken back. The record is here; its bytes travel apart.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PhotoLine {
    /// The record.
    pub record: RecordId,
    /// SHA-256 of the bytes.
    pub sha256: Bytes32,
    /// How many bytes.
    pub size_bytes: u64,
    /// Its media type, as the record says it.
    pub media_type: String,
    /// What it shows.
    pub caption: String,
    /// Who noted it.
    pub by: String,
    /// Corrected time, ms since 1970 UTC.
    pub at_ms: i64,
}

/// One machine.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct MachineView {
    /// Which.
    pub machine: MachineId,
    /// Its tag.
    pub tag: String,
    /// What it is.
    pub description: String,
    /// Where it lives.
    pub property: Option<PropertyId>,
    /// That place's name.
    pub property_name: String,
    /// Who runs it.
    pub duty: Duty,
    /// Entered in the field, not yet confirmed.
    pub provisional: bool,
    /// How many cylinders, where known.
    pub cylinders: Option<u8>,
    /// Its engine's card.
    pub engine_card: Option<EngineCard>,
    /// That in words; empty without a card.
    pub engine_card_words: String,
    /// Its checks, the latest first: each with what was found, set and left on that visit.
    pub checks: Vec<CheckLine>,
    /// Its clearances, as each slot stands.
    pub lash: Vec<LashView>,
    /// When the next check is due, where a card says.
    pub due: Option<Due>,
    /// That in words.
    pub due_words: String,
    /// Its visits, newest first.
    pub visits: Vec<VisitView>,
    /// What is open.
    pub findings: Vec<OpenFinding>,
    /// The latest notes, newest first.
    pub notes: Vec<NoteLine>,
    /// Photos, newest first.
    pub photos: Vec<PhotoLine>,
    /// Its state as folded: hours, contested slots, what does not stand.
    pub state: MachineState,
    /// Every record, newest first.
    pub history: Vec<HistoryLine>,
    /// How much more there is than the lists show.
    #[serde(default, skip_serializing_if = "MachineMore::is_none")]
    pub more: MachineMore,
}

/// How much more there is of a machine than its lists show.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct MachineMore {
    /// Records of its history.
    pub history: usize,
    /// Earlier checks.
    pub checks: usize,
    /// Visits.
    pub visits: usize,
    /// Findings that are open.
    pub findings: usize,
    /// Older notes.
    pub notes: usize,
    /// Photos.
    pub photos: usize,
    /// Records that do not stand by themselves.
    pub aside: usize,
    /// Slots that want a ruling, or are to be measured again.
    pub slots: usize,
}

impl MachineMore {
    fn is_none(&self) -> bool {
        *self == Self::default()
    }
}

/// How long the lists of a machine may be.
#[derive(Debug, Clone, Copy)]
struct Longest {
    history: usize,
    checks: usize,
    lines: usize,
}

impl MachineView {
    /// The valves that its engine has, as far as is known; one cylinder's where nothing is.
    #[must_use]
    pub fn valves(&self) -> Vec<Valve> {
        Valve::all(self.cylinders.unwrap_or(1))
    }
}

impl MachineReader<'_> {
    /// One machine, judged and in words: all of it, for a device's own screens, which take of it what they show.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where the book has no such machine.
    pub fn machine_view(&self, doc: DocId, unit: LengthUnit, now: &ClockReading) -> Result<MachineView, BookError> {
        self.machine_to(doc, unit, now, Longest { history: usize::MAX, checks: usize::MAX, lines: usize::MAX })
    }

    /// One machine, its lists as long as a screen shows them: see [`bounds`](super::bounds).
    ///
    /// # Errors
    /// [`BookError::Unknown`] where the book has no such machine.
    pub fn machine_screen(&self, doc: DocId, unit: LengthUnit, now: &ClockReading) -> Result<MachineView, BookError> {
        self.machine_to(doc, unit, now, Longest { history: MOST_HISTORY, checks: MOST_CHECKS, lines: MOST_LINES })
    }

    /// One machine, judged and in words, without its history: what other views are made from.
    pub(super) fn machine_without_history(&self, doc: DocId, unit: LengthUnit, now: &ClockReading) -> Result<MachineView, BookError> {
        self.machine_to(doc, unit, now, Longest { history: 0, checks: 0, lines: usize::MAX })
    }

    fn machine_to(&self, doc: DocId, unit: LengthUnit, now: &ClockReading, longest: Longest) -> Result<MachineView, BookError> {
        let roster = self.book.roster()?;
        let row =
            self.book.store.machine_rows().machine(doc)?.ok_or_else(|| BookError::Unknown("this book has no such machine".to_owned()))?;
        let mut state = row.state;
        let card = self.card_of(&state)?;
        let ledger = self.book.store.records().ledger_of(doc)?;
        let standings = self.book.store.projections().standings(doc)?;
        let mut lash = Vec::with_capacity(state.lash.len());
        for line in &state.lash {
            lash.push(LashView {
                by_name: line.by.map(|by| roster.name(by)).unwrap_or_default(),
                words: line.bracket.map_or_else(|| no_reading(line.state).to_owned(), |b| b.show(unit)),
                judged: card.as_ref().and_then(|card| judge_lash(line, card)),
                gross: card.as_ref().and_then(|card| gross_lash(line, card)),
                lash: line.clone(),
            });
        }
        let clock = self.due_clock(now)?;
        let due = MachineSummary::of(&state).map(|brief| self.due_of(&brief, card.as_ref(), &clock)).transpose()?.flatten();
        let today = roster.day(self.book.reader().shop_now_ms(now)?);
        let machine_card = state.card.clone();
        let mut photos = photos(&ledger, roster);
        let (notes, older_notes) = latest(&ledger, roster);
        let (history, older) = self.history_lines(doc, &ledger, &standings, unit, Stretch { before: None, most: longest.history })?;
        let (checks, earlier_checks) = if longest.checks == 0 {
            (Vec::new(), 0)
        } else {
            let revisions = self.revisions(&ledger)?;
            checks::of(&checks::Ground { state: &state, ledger: &ledger, roster, revisions, unit }, longest.checks)
        };
        let more = MachineMore {
            history: older,
            checks: earlier_checks,
            visits: cut(&mut state.visits, longest.lines),
            findings: cut_findings(&mut state.findings, longest.lines),
            notes: older_notes,
            photos: cut(&mut photos, longest.lines),
            aside: cut(&mut state.aside, longest.lines),
            slots: cut(&mut state.contested, longest.lines) + cut(&mut state.recheck, longest.lines),
        };
        Ok(MachineView {
            machine: MachineId(doc.0),
            tag: state.tag().to_owned(),
            description: machine_card.as_ref().map(|c| c.description.clone()).unwrap_or_default(),
            property: state.property(),
            property_name: self.book.reader().property_name(state.property())?,
            duty: machine_card.as_ref().map(|c| c.duty).unwrap_or_default(),
            provisional: machine_card.as_ref().is_some_and(|c| c.provisional),
            cylinders: machine_card.as_ref().and_then(|c| c.cylinders).or(card.as_ref().map(|c| c.cylinders)),
            due_words: due.as_ref().map_or_else(|| "no engine card, so no interval".to_owned(), |d| d.words(today)),
            due,
            engine_card_words: card.as_ref().map_or_else(String::new, |card| card.words(unit)),
            engine_card: card,
            checks,
            lash,
            visits: state.visits.iter().map(|v| VisitView { visit: v.clone(), by_name: roster.name(v.by) }).collect(),
            findings: state.findings.clone(),
            notes,
            photos,
            history,
            state,
            more,
        })
    }

    pub(crate) fn card_of(&self, state: &MachineState) -> Result<Option<EngineCard>, BookError> {
        match state.engine_card() {
            Some(card) => self.book.reader().engine_card(card),
            None => Ok(None),
        }
    }

    /// When a machine's next check is due; `None` without an engine card.
    pub(crate) fn due_of(&self, brief: &MachineSummary, card: Option<&EngineCard>, clock: &DueClock) -> Result<Option<Due>, BookError> {
        let Some(card) = card else { return Ok(None) };
        let roster = self.book.roster()?;
        let last = brief.last_check().map(|c| LastCheck { date: clock.day(c.at_ms), hours: c.engine });
        let hours = brief.hours();
        let season = clock.names.borrow_mut().season(self.book, Some(brief.property()))?;
        Ok(Some(due(&DueInput {
            last,
            left_open: brief.left_open(),
            interval: card.interval(brief.duty()).with(roster.settings.interval(brief.duty())),
            hours_now: hours.as_ref().map(|h| h.engine),
            hours_now_date: hours.as_ref().map(|h| clock.day(h.at_ms)),
            tenth_hours_per_day: brief.run().and_then(|run| run.tenth_hours_per_day(season)),
            estimate: brief.hours_per_week().map(estimated_per_day),
            season,
            today: clock.today,
        })))
    }

    /// The shop's calendar, for many machines at once.
    pub(crate) fn due_clock(&self, now: &ClockReading) -> Result<DueClock, BookError> {
        let roster = self.book.roster()?;
        Ok(DueClock { today: roster.day(self.book.reader().shop_now_ms(now)?), zone: roster.zone(), names: RefCell::default() })
    }

    /// When the machines of a property are in use: as its card says, or else the shop's.
    pub(crate) fn season_at(&self, property: Option<PropertyId>) -> Result<Option<Between>, BookError> {
        let own = property.map(|property| self.book.reader().property(property)).transpose()?.flatten().and_then(|card| card.season);
        Ok(own.or(self.book.roster()?.settings.season))
    }
}

/// The shop's calendar: its zone looked up once, and each property's season.
#[derive(Debug)]
pub(crate) struct DueClock {
    today: jiff::civil::Date,
    zone: jiff::tz::TimeZone,
    names: RefCell<Names>,
}

impl DueClock {
    fn day(&self, ms: i64) -> jiff::civil::Date {
        let at = jiff::Timestamp::from_millisecond(ms).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
        at.to_zoned_datetime(self.zone.clone()).date()
    }
}

/// Cuts the findings that are open: a hold is never what goes while another could.
fn cut_findings(findings: &mut Vec<OpenFinding>, most: usize) -> usize {
    if findings.len() > most {
        findings.sort_by_key(|finding| finding.grade != FindingKind::Hold);
    }
    cut(findings, most)
}

/// The photos of a document that were not taken back, newest first.
fn photos(ledger: &Ledger, roster: &Roster) -> Vec<PhotoLine> {
    let line = |entry: &Entry| {
        let Body::Photo(photo) = &entry.record.body else { return None };
        let record = entry.record.id;
        ledger.voided_by(record, roster).is_none().then(|| PhotoLine {
            record,
            sha256: photo.sha256,
            size_bytes: photo.size_bytes,
            media_type: photo.media_type.clone(),
            caption: photo.caption.clone(),
            by: by(entry, roster),
            at_ms: ledger.time(record).ms,
        })
    };
    let mut lines: Vec<PhotoLine> = ledger.entries().filter_map(line).collect();
    lines.sort_by_key(|line| std::cmp::Reverse((line.at_ms, line.record)));
    lines
}

const fn no_reading(state: State) -> &'static str {
    match state {
        State::Recheck => "to be measured again",
        _ => "no reading stands",
    }
}

/// The verdict on what stands.
pub(crate) fn judge_lash(line: &Lash, card: &EngineCard) -> Option<Verdict> {
    Some(judge_on_card(&reading_of(line)?, card))
}

/// How what stands is so far off that it is asked about first.
pub(crate) fn gross_lash(line: &Lash, card: &EngineCard) -> Option<Gross> {
    gross_on_card(&reading_of(line)?, card)
}

/// What stands as one reading: the bracket that agreeing readings leave together, cold only if the reading was.
fn reading_of(line: &Lash) -> Option<Clearance> {
    let bracket = line.bracket?;
    line.stands?;
    Some(Clearance {
        valve: line.valve,
        stage: line.stage,
        go: bracket.go(),
        no_go: bracket.no_go(),
        leaves: vec![],
        cold: line.cold,
        engine_tenth_c: None,
        adjusted: line.adjusted,
        visit: line.visit,
    })
}

/// The readings of a visit that say how a valve was left: *left*, or *found* where nothing was touched.
pub(crate) fn last_of_visit<'a>(
    ledger: &'a crate::judge::ledger::Ledger,
    visit: shared::ids::RecordId,
    valve: Valve,
    roster: &crate::judge::roster::Roster,
) -> Option<&'a Clearance> {
    let of_stage = |stage: Stage| {
        ledger
            .in_slot(&shared::slot::Slot::Lash(valve, stage))
            .iter()
            .rev()
            .filter(|id| ledger.voided_by(**id, roster).is_none())
            .filter_map(|id| ledger.get(*id))
            .find_map(|entry| match &entry.record.body {
                Body::Clearance(c) if c.visit == Some(visit) => Some(c),
                _ => None,
            })
    };
    of_stage(Stage::Left).or_else(|| if of_stage(Stage::Set).is_some() { None } else { of_stage(Stage::Found) })
}
