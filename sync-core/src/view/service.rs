//! The service record of one visit, for the client: found and left against the range, hours, findings, next due, who.
//! No internal notes, no disputes, no other machine.

use serde::Serialize;
use shared::hours::Hours;
use shared::ids::RecordId;
use shared::length::LengthUnit;
use shared::record::{Body, Clearance, FindingKind, Stage};
use shared::slot::Slot;
use shared::valve::Valve;
use shared::verdict::judge_on_card;

use super::machine::last_of_visit;
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
}

impl Book {
    /// The service record of a visit.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where the book has no such visit.
    pub fn service_record(&self, visit: RecordId, unit: LengthUnit, now: &Moment) -> Result<ServiceRecord, BookError> {
        let roster = self.roster()?;
        let held = self.store.held(visit)?.filter(|h| matches!(h.entry.record.body, Body::Visit(_)));
        let held = held.ok_or_else(|| BookError::Unknown("this book has no such visit".to_owned()))?;
        let view = self.machine_view(held.doc, unit, now)?;
        let ledger = self.store.ledger_of(held.doc)?;
        let of_visit = |body: &Body| match body {
            Body::Hours(b) => b.visit == Some(visit),
            Body::Finding(b) => b.visit == Some(visit),
            _ => false,
        };
        let live = || ledger.entries().filter(|e| of_visit(&e.record.body) && ledger.voided_by(e.record.id, roster).is_none());
        let meter = live().filter_map(|e| match &e.record.body {
            Body::Hours(b) => Some((ledger.time(e.record.id).ms, b.meter)),
            _ => None,
        });
        let doubted = |id: RecordId| view.state.aside.iter().any(|a| a.aside.id == id);
        let findings = live().filter_map(|e| match &e.record.body {
            Body::Finding(b) if b.grade == FindingKind::Hold => Some(format!("DO NOT RUN: {}", b.what)),
            Body::Finding(b) => Some(b.what.clone()),
            _ => None,
        });
        let card = view.engine_card.as_ref();
        let mut valves = Vec::new();
        for valve in view.valves() {
            let left = last_of_visit(&ledger, visit, valve, roster);
            let found = of_stage(&ledger, visit, valve, Stage::Found, roster);
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
            by: roster.name(held.entry.record.measurer()),
            meter: meter.max_by_key(|(at, _)| *at).map(|(_, meter)| meter).filter(|_| !live().any(|e| doubted(e.record.id))),
            source: card.and_then(|c| c.source.as_ref()).map(|s| format!("{}, {}", s.manual, s.page)).unwrap_or_default(),
            valves,
            findings: findings.collect(),
            hold: view.state.holds().next().is_some(),
            next_due: view.due_words.clone(),
            finished: line.is_some_and(|l| l.finished_ms.is_some()),
        })
    }
}

fn of_stage<'a>(ledger: &'a Ledger, visit: RecordId, valve: Valve, stage: Stage, roster: &crate::roster::Roster) -> Option<&'a Clearance> {
    ledger.in_slot(&Slot::lash(valve, stage)).iter().rev().find_map(|id| match &ledger.get(*id)?.record.body {
        Body::Clearance(c) if c.visit == Some(visit) && ledger.voided_by(*id, roster).is_none() => Some(c),
        _ => None,
    })
}
