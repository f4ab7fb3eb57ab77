//! The service record of one visit, or of one machine's season, for the client: found and left against the range, hours,
//! findings, next due, who. No internal notes, no disputes, nothing in doubt or taken back, no other machine.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;
use serde::Serialize;
use shared::hours::Hours;
use shared::ids::{DocId, RecordId};
use shared::length::LengthUnit;
use shared::record::{Body, Clearance, FindingKind, Stage};
use shared::valve::Valve;
use shared::verdict::judge_on_card;

use super::MachineView;
use super::bounds::{MOST_LINES, MOST_VISITS, cut, none};
use super::in_force::Revisions;
use crate::engine::BookError;
use crate::judge::ledger::{Entry, Ledger};
use crate::judge::machine::VisitLine;
use crate::queries::MachineReader;
use crate::sys::clock::ClockReading;

/// One valve in a service record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct ServiceValve {
    /// Which.
    pub valve: Valve,
    /// The range of the engine card, in words; empty without a card.
    pub range: String,
    /// As found.
    pub found: String,
    /// As left.
    pub left: String,
    /// The verdict on how it was left.
    pub verdict: String,
}

/// The service record of one visit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct ServiceRecord {
    /// The shop.
    pub shop: String,
    /// The visit.
    pub visit: RecordId,
    /// The machine's tag.
    pub tag: String,
    /// What it is.
    pub description: String,
    /// Where it lives.
    pub property: String,
    /// When, in the shop's zone.
    pub when: String,
    /// Who.
    pub by: String,
    /// The hour meter, where read.
    #[serde(rename = "meter_tenth_h")]
    pub meter: Option<Hours>,
    /// The revision of the engine card that the visit is judged by, named; empty without one.
    pub card: String,
    /// That revision's source, where there is one.
    pub source: String,
    /// The valves.
    pub valves: Vec<ServiceValve>,
    /// Findings of the visit, as many as are shown.
    pub findings: Vec<String>,
    /// How many more there are.
    #[serde(default, skip_serializing_if = "none")]
    pub more_findings: usize,
    /// The machine must not be run.
    pub hold: bool,
    /// When the next check is due, in words.
    pub next_due: String,
    /// The visit is finished.
    pub finished: bool,
    /// The day on which this was put together, in the shop's zone.
    #[cfg_attr(feature = "schema", schema(value_type = String, format = Date))]
    pub made: Date,
}

/// The service record of one machine over some days: its finished visits, oldest first.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SeasonRecord {
    /// The shop.
    pub shop: String,
    /// The machine's tag.
    pub tag: String,
    /// What it is.
    pub description: String,
    /// Where it lives.
    pub property: String,
    /// The first day, in the shop's zone.
    pub from: Date,
    /// The last day.
    pub until: Date,
    /// The machine must not be run.
    pub hold: bool,
    /// When the next check is due, in words.
    pub next_due: String,
    /// The visits, as many of the latest as one record takes.
    pub visits: Vec<ServiceRecord>,
    /// How many earlier ones of these days are left out.
    pub earlier: usize,
    /// The day on which this was put together, in the shop's zone.
    pub made: Date,
}

impl ServiceRecord {
    /// What the visit is judged by, in sentences: the revision of the engine card, and where its ranges were read.
    #[must_use]
    pub fn ranges(&self) -> Vec<String> {
        let card = (!self.card.is_empty()).then(|| format!("Judged by the engine card {}.", self.card));
        let source = (!self.source.is_empty()).then(|| format!("Ranges read in {}.", self.source));
        card.into_iter().chain(source).collect()
    }
}

impl MachineReader<'_> {
    /// The service record of a visit.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where the book has no such visit.
    pub fn service_record(&self, visit: RecordId, unit: LengthUnit, now: &ClockReading) -> Result<ServiceRecord, BookError> {
        let doc = self.machine_of_visit(visit)?;
        let view = self.machine_without_history(doc, unit, now)?;
        let ledger = self.book.store.records().ledger_of(doc)?;
        self.of_visit(visit, &Season::of(&view, &ledger, self.revisions(&ledger)?), unit, now)
    }

    /// The service record of a machine over days in the shop's zone, both ends in it: its finished visits, each by the rules of
    /// [`MachineReader::service_record`].
    ///
    /// # Errors
    /// [`BookError::Unknown`] where the book has no such machine, [`BookError::Entry`] where the days end before they begin.
    pub fn season_record(
        &self,
        machine: DocId,
        from: Date,
        until: Date,
        unit: LengthUnit,
        now: &ClockReading,
    ) -> Result<SeasonRecord, BookError> {
        if until < from {
            return Err(BookError::Entry(format!("The days end ({until}) before they begin ({from}).")));
        }
        let roster = self.book.roster()?;
        let view = self.machine_without_history(machine, unit, now)?;
        let ledger = self.book.store.records().ledger_of(machine)?;
        let season = Season::of(&view, &ledger, self.revisions(&ledger)?);
        let in_days = |at_ms: i64| (from..=until).contains(&roster.day(at_ms));
        let mut finished: Vec<&VisitLine> = view.state.visits.iter().filter(|v| v.finished_ms.is_some() && in_days(v.at_ms)).collect();
        let earlier = cut(&mut finished, MOST_VISITS);
        let mut visits = Vec::with_capacity(finished.len());
        for line in finished.into_iter().rev() {
            visits.push(self.of_visit(line.visit, &season, unit, now)?);
        }
        Ok(SeasonRecord {
            shop: roster.settings.name.clone(),
            tag: view.tag.clone(),
            description: view.description.clone(),
            property: view.property_name.clone(),
            from,
            until,
            hold: view.state.holds().next().is_some(),
            next_due: view.due_words.clone(),
            visits,
            earlier,
            made: roster.day(self.book.reader().shop_now_ms(now)?),
        })
    }

    /// The document of a visit's machine.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where the book has no such visit.
    pub fn machine_of_visit(&self, visit: RecordId) -> Result<DocId, BookError> {
        let held = self.book.store.records().held(visit)?.filter(|h| matches!(&h.entry.record.body, Body::Visit(b) if b.resumes.is_none()));
        held.map(|h| h.doc).ok_or_else(|| BookError::Unknown("this book has no such visit".to_owned()))
    }

    fn of_visit(&self, visit: RecordId, season: &Season<'_>, unit: LengthUnit, now: &ClockReading) -> Result<ServiceRecord, BookError> {
        let roster = self.book.roster()?;
        let Season { view, ledger, .. } = *season;
        let by = ledger.get(visit).map(|e| e.record.measurer());
        let by = by.filter(|_| ledger.voided_by(visit, roster).is_none());
        let by = by.ok_or_else(|| BookError::Unknown("this book has no such visit, or it was undone".to_owned()))?;
        let of_visit = season.of_visit(visit);
        let doubted = |id: RecordId| season.doubted.contains(&id);
        let good = |id: RecordId| ledger.voided_by(id, roster).is_none() && !doubted(id);
        let live = || of_visit.iter().filter(|e| ledger.voided_by(e.record.id, roster).is_none());
        let meter = live().filter_map(|e| match &e.record.body {
            Body::Hours(b) => Some((ledger.time(e.record.id).ms, b.meter)),
            _ => None,
        });
        let in_doubt = live().any(|e| !matches!(e.record.body, Body::Clearance(_)) && doubted(e.record.id));
        let mut findings: Vec<String> = live()
            .filter_map(|e| match &e.record.body {
                // Seen to since: no warning any more, and no secret either.
                Body::Finding(b) if !season.open.contains(&e.record.id) => Some(format!("{} (put right since)", b.what)),
                Body::Finding(b) if b.grade == FindingKind::Hold => Some(format!("DO NOT RUN: {}", b.what)),
                Body::Finding(b) => Some(b.what.clone()),
                _ => None,
            })
            .collect();
        let more_findings = cut(&mut findings, MOST_LINES);
        // Judged as it was signed off; a visit that is open is judged by the card of now.
        let revision = season.revisions.at(season.finished.get(&visit).copied().unwrap_or(i64::MAX));
        let card = revision.as_ref().map(|revision| &revision.card);
        let source = card.and_then(|card| card.source.as_ref());
        let mut valves = Vec::new();
        for valve in view.valves() {
            let found = of_stage(of_visit, valve, Stage::Found, good);
            // As it was left; as found where nothing was touched.
            let untouched = || if of_stage(of_visit, valve, Stage::Set, good).is_some() { None } else { found };
            let left = of_stage(of_visit, valve, Stage::Left, good).or_else(untouched);
            if left.is_none() && found.is_none() {
                continue;
            }
            let words = |reading: Option<&Clearance>| {
                reading.and_then(|r| r.bracket().ok()).map_or_else(|| "not read".to_owned(), |b| b.show(unit))
            };
            valves.push(ServiceValve {
                valve,
                range: card.and_then(|card| card.range(valve.side())).map_or_else(String::new, |range| range.as_said(None, unit)),
                found: words(found),
                left: words(left),
                verdict: match (left, card) {
                    (Some(left), Some(card)) => judge_on_card(left, card).word().to_owned(),
                    _ => "not judged".to_owned(),
                },
            });
        }
        Ok(ServiceRecord {
            shop: roster.settings.name.clone(),
            visit,
            tag: view.tag.clone(),
            description: view.description.clone(),
            property: view.property_name.clone(),
            when: roster.local(ledger.time(visit).ms),
            by: roster.name(by),
            meter: meter.max_by_key(|(at, _)| *at).map(|(_, meter)| meter).filter(|_| !in_doubt),
            card: revision.as_ref().map_or_else(String::new, |revision| revision.words(roster)),
            source: source.map(|s| format!("{}, {}", s.manual, s.page)).unwrap_or_default(),
            valves,
            findings,
            more_findings,
            hold: view.state.holds().next().is_some(),
            next_due: view.due_words.clone(),
            finished: season.finished.contains_key(&visit),
            made: roster.day(self.book.reader().shop_now_ms(now)?),
        })
    }
}

/// A machine's records by the visit that they belong to, and what is known of them: laid out once for all visits.
struct Season<'a> {
    view: &'a MachineView,
    ledger: &'a Ledger,
    by_visit: BTreeMap<RecordId, Vec<&'a Entry>>,
    /// What does not stand by itself.
    doubted: BTreeSet<RecordId>,
    /// Findings that are open.
    open: BTreeSet<RecordId>,
    /// When visits were finished, ms since 1970 UTC.
    finished: BTreeMap<RecordId, i64>,
    revisions: Revisions,
}

impl<'a> Season<'a> {
    fn of(view: &'a MachineView, ledger: &'a Ledger, revisions: Revisions) -> Self {
        let mut by_visit: BTreeMap<RecordId, Vec<&Entry>> = BTreeMap::new();
        for entry in ledger.entries() {
            let visit = match &entry.record.body {
                Body::Hours(b) => b.visit,
                Body::Finding(b) => b.visit,
                Body::Clearance(b) => b.visit,
                _ => None,
            };
            if let Some(visit) = visit {
                by_visit.entry(visit).or_default().push(entry);
            }
        }
        let finished = view.state.visits.iter().filter_map(|line| Some((line.visit, line.finished_ms?)));
        Self {
            view,
            ledger,
            by_visit,
            doubted: view.state.aside.iter().map(|aside| aside.aside.id).collect(),
            open: view.findings.iter().map(|finding| finding.finding).collect(),
            finished: finished.collect(),
            revisions,
        }
    }

    fn of_visit(&self, visit: RecordId) -> &[&'a Entry] {
        self.by_visit.get(&visit).map_or(&[], Vec::as_slice)
    }
}

/// The last good reading of a valve at a stage among those of a visit.
fn of_stage<'a>(of_visit: &[&'a Entry], valve: Valve, stage: Stage, good: impl Fn(RecordId) -> bool) -> Option<&'a Clearance> {
    of_visit.iter().rev().find_map(|entry| match &entry.record.body {
        Body::Clearance(c) if c.valve == valve && c.stage == stage && good(entry.record.id) => Some(c),
        _ => None,
    })
}
