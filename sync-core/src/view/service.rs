//! The service record of one visit, or of one machine's season, for the client: found and left against the range, hours,
//! findings, next due, who. No internal notes, no disputes, nothing in doubt or taken back, no other machine.

use jiff::civil::Date;
use serde::Serialize;
use shared::hours::Hours;
use shared::ids::{DocId, RecordId};
use shared::length::LengthUnit;
use shared::record::{Body, Clearance, FindingKind, Stage};
use shared::slot::Slot;
use shared::valve::Valve;
use shared::verdict::judge_on_card;

use super::MachineView;
use crate::book::{Book, BookError};
use crate::ledger::Ledger;
use crate::moment::Moment;

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
    /// The engine card's source, where there is one.
    pub source: String,
    /// The valves.
    pub valves: Vec<ServiceValve>,
    /// Findings of the visit.
    pub findings: Vec<String>,
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
    /// The engine card's source, where there is one.
    pub source: String,
    /// The machine must not be run.
    pub hold: bool,
    /// When the next check is due, in words.
    pub next_due: String,
    /// The visits.
    pub visits: Vec<ServiceRecord>,
    /// The day on which this was put together, in the shop's zone.
    pub made: Date,
}

impl Book {
    /// The service record of a visit.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where the book has no such visit.
    pub fn service_record(&self, visit: RecordId, unit: LengthUnit, now: &Moment) -> Result<ServiceRecord, BookError> {
        let doc = self.machine_of_visit(visit)?;
        let view = self.machine_view(doc, unit, now)?;
        self.of_visit(visit, &view, &*self.store.ledger_of(doc)?, unit, now)
    }

    /// The service record of a machine over days in the shop's zone, both ends in it: its finished visits, each by the rules of
    /// [`Book::service_record`].
    ///
    /// # Errors
    /// [`BookError::Unknown`] where the book has no such machine, [`BookError::Entry`] where the days end before they begin.
    pub fn season_record(
        &self,
        machine: DocId,
        from: Date,
        until: Date,
        unit: LengthUnit,
        now: &Moment,
    ) -> Result<SeasonRecord, BookError> {
        if until < from {
            return Err(BookError::Entry(format!("The days end ({until}) before they begin ({from}).")));
        }
        let roster = self.roster()?;
        let view = self.machine_view(machine, unit, now)?;
        let ledger = self.store.ledger_of(machine)?;
        let mut visits = Vec::new();
        let in_days = |at_ms: i64| (from..=until).contains(&roster.day(at_ms));
        for line in view.state.visits.iter().rev().filter(|v| v.finished_ms.is_some() && in_days(v.at_ms)) {
            visits.push(self.of_visit(line.visit, &view, &ledger, unit, now)?);
        }
        Ok(SeasonRecord {
            shop: roster.settings.name.clone(),
            tag: view.tag.clone(),
            description: view.description.clone(),
            property: view.property_name.clone(),
            from,
            until,
            source: source_of(&view),
            hold: view.state.holds().next().is_some(),
            next_due: view.due_words.clone(),
            visits,
            made: roster.day(self.shop_now_ms(now)?),
        })
    }

    /// The document of a visit's machine.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where the book has no such visit.
    pub fn machine_of_visit(&self, visit: RecordId) -> Result<DocId, BookError> {
        let held = self.store.held(visit)?.filter(|h| matches!(h.entry.record.body, Body::Visit(_)));
        held.map(|h| h.doc).ok_or_else(|| BookError::Unknown("this book has no such visit".to_owned()))
    }

    fn of_visit(
        &self,
        visit: RecordId,
        view: &MachineView,
        ledger: &Ledger,
        unit: LengthUnit,
        now: &Moment,
    ) -> Result<ServiceRecord, BookError> {
        let roster = self.roster()?;
        let by = ledger.get(visit).map(|e| e.record.measurer());
        let by = by.filter(|_| ledger.voided_by(visit, roster).is_none());
        let by = by.ok_or_else(|| BookError::Unknown("this book has no such visit, or it was taken back".to_owned()))?;
        let of_visit = |body: &Body| match body {
            Body::Hours(b) => b.visit == Some(visit),
            Body::Finding(b) => b.visit == Some(visit),
            _ => false,
        };
        let doubted = |id: RecordId| view.state.aside.iter().any(|a| a.aside.id == id);
        let good = |id: RecordId| ledger.voided_by(id, roster).is_none() && !doubted(id);
        let live = || ledger.entries().filter(|e| of_visit(&e.record.body) && ledger.voided_by(e.record.id, roster).is_none());
        let meter = live().filter_map(|e| match &e.record.body {
            Body::Hours(b) => Some((ledger.time(e.record.id).ms, b.meter)),
            _ => None,
        });
        let findings = live().filter_map(|e| match &e.record.body {
            // Seen to since: no warning any more, and no secret either.
            Body::Finding(b) if !view.findings.iter().any(|f| f.finding == e.record.id) => Some(format!("{} (put right since)", b.what)),
            Body::Finding(b) if b.grade == FindingKind::Hold => Some(format!("DO NOT RUN: {}", b.what)),
            Body::Finding(b) => Some(b.what.clone()),
            _ => None,
        });
        let card = view.engine_card.as_ref();
        let mut valves = Vec::new();
        for valve in view.valves() {
            let found = of_stage(ledger, visit, valve, Stage::Found, good);
            // As it was left; as found where nothing was touched.
            let untouched = || if of_stage(ledger, visit, valve, Stage::Set, good).is_some() { None } else { found };
            let left = of_stage(ledger, visit, valve, Stage::Left, good).or_else(untouched);
            if left.is_none() && found.is_none() {
                continue;
            }
            let words = |reading: Option<&Clearance>| {
                reading.and_then(|r| r.bracket().ok()).map_or_else(|| "not read".to_owned(), |b| b.show(unit))
            };
            valves.push(ServiceValve {
                valve,
                range: card.map_or_else(String::new, |c| {
                    let range = c.range(valve.side());
                    format!("{} to {}", range.low.show_bare(unit), range.high.show(unit))
                }),
                found: words(found),
                left: words(left),
                verdict: match (left, card) {
                    (Some(left), Some(card)) => judge_on_card(left, card).word().to_owned(),
                    _ => "not judged".to_owned(),
                },
            });
        }
        let line = view.state.visits.iter().find(|v| v.visit == visit);
        Ok(ServiceRecord {
            shop: roster.settings.name.clone(),
            visit,
            tag: view.tag.clone(),
            description: view.description.clone(),
            property: view.property_name.clone(),
            when: roster.local(ledger.time(visit).ms),
            by: roster.name(by),
            meter: meter.max_by_key(|(at, _)| *at).map(|(_, meter)| meter).filter(|_| !live().any(|e| doubted(e.record.id))),
            source: source_of(view),
            valves,
            findings: findings.collect(),
            hold: view.state.holds().next().is_some(),
            next_due: view.due_words.clone(),
            finished: line.is_some_and(|l| l.finished_ms.is_some()),
            made: roster.day(self.shop_now_ms(now)?),
        })
    }
}

fn source_of(view: &MachineView) -> String {
    let source = view.engine_card.as_ref().and_then(|card| card.source.as_ref());
    source.map(|s| format!("{}, {}", s.manual, s.page)).unwrap_or_default()
}

/// The last good reading of a valve at a stage in a visit.
fn of_stage(ledger: &Ledger, visit: RecordId, valve: Valve, stage: Stage, good: impl Fn(RecordId) -> bool) -> Option<&Clearance> {
    ledger.in_slot(&Slot::lash(valve, stage)).iter().rev().find_map(|id| match &ledger.get(*id)?.record.body {
        Body::Clearance(c) if c.visit == Some(visit) && good(*id) => Some(c),
        _ => None,
    })
}
