//! The hours of one machine: its readings on one scale across meter changes, and which of them cannot be.

use std::collections::{BTreeMap, BTreeSet};

use shared::hours::Hours;
use shared::ids::RecordId;
use shared::meter::{Chain, Feasible, MeterPoint, MeterSwap, chain, likely_replaced, likely_slip};
use shared::record::Body;
use shared::slot::Slot;

use crate::changes;
use crate::ledger::Ledger;
use crate::roster::Roster;

/// A reading that a ruling let in outweighs any number of others.
const RULED_WEIGHT: u32 = 10_000;

/// The hour readings of one machine, judged together.
#[derive(Debug, Clone)]
pub struct MachineHours {
    points: Vec<(RecordId, MeterPoint)>,
    by_id: BTreeMap<RecordId, usize>,
    swaps: Vec<MeterSwap>,
    chain: Chain,
    /// What fits the readings on the chain.
    feasible: Feasible,
}

impl MachineHours {
    /// The live hour readings of a machine's ledger, with those that rulings let in.
    #[must_use]
    pub fn of(ledger: &Ledger, roster: &Roster, ruled_in: &BTreeSet<RecordId>) -> Self {
        let mut points: Vec<(RecordId, MeterPoint)> = Vec::new();
        for id in ledger.in_slot(&Slot::hours()) {
            if let Some(Body::Hours(reading)) = ledger.get(*id).map(|e| &e.record.body)
                && ledger.voided_by(*id, roster).is_none()
            {
                let time = ledger.time(*id);
                let weight = if ruled_in.contains(id) { RULED_WEIGHT } else { 1 };
                let point = MeterPoint { at_ms: time.ms, meter: reading.meter, weight, uncertainty_ms: time.uncertainty_ms };
                points.push((*id, point));
            }
        }
        points.sort_by_key(|(id, point)| (point.at_ms, *id));
        let swaps = changes::counting(ledger, roster);
        let bare: Vec<MeterPoint> = points.iter().map(|(_, point)| *point).collect();
        let chain = chain(&bare, &swaps);
        let feasible = Feasible::over(&chain.kept(&bare));
        let by_id = points.iter().enumerate().map(|(n, (id, _))| (*id, n)).collect();
        Self { points, by_id, swaps, chain, feasible }
    }

    /// Engine hours of a reading: the meter with all meter changes undone.
    #[must_use]
    pub fn engine_hours(&self, id: RecordId) -> Option<Hours> {
        self.by_id.get(&id).and_then(|n| self.chain.engine_hours.get(*n)).copied()
    }

    /// Why a reading cannot be, with the likely slip or a replaced meter; `None` for one on the chain.
    #[must_use]
    pub fn doubt(&self, id: RecordId) -> Option<String> {
        let n = *self.by_id.get(&id)?;
        if self.chain.feasible.get(n).copied().unwrap_or(true) {
            return None;
        }
        let (_, point) = self.points[n];
        let engine = self.chain.engine_hours[n];
        let offset = engine.minus(point.meter);
        let (low, high) = self.feasible.at(point.at_ms);
        let (low, high) = (low.minus(offset), high.minus(offset));
        let off = if point.meter < low {
            format!("{} h is below the {low} h that the meter showed before", point.meter)
        } else {
            format!("{} h is more than the clock allows (at most {high} h by then)", point.meter)
        };
        let slip = likely_slip(point.meter, low, high).map(|(likely, _)| format!("{likely} entered as {}", point.meter));
        let replaced = self.replaced_beside(n).then(|| "a new hour meter? If so, note the change, with the day it was made".to_owned());
        let causes: Vec<String> = slip.map(|slip| if replaced.is_some() { slip } else { slip + "?" }).into_iter().chain(replaced).collect();
        Some(if causes.is_empty() { off } else { format!("{off}; {}", causes.join(", or ")) })
    }

    /// Whether a replaced meter explains why a reading off the chain contradicts the nearest one on it.
    fn replaced_beside(&self, n: usize) -> bool {
        let on_chain = |k: &usize| self.chain.feasible[*k];
        let likely = |earlier: usize, later: usize| {
            let (then, now) = (self.points[earlier].1, self.points[later].1);
            // The earlier reading on the scale of the meter that the later one is taken to show.
            let offset = self.chain.engine_hours[later].minus(now.meter);
            likely_replaced(self.chain.engine_hours[earlier].minus(offset), then.at_ms, now.meter, now.at_ms)
        };
        let before = (0..n).rev().find(on_chain).is_some_and(|earlier| likely(earlier, n));
        before || (n + 1..self.points.len()).find(on_chain).is_some_and(|later| likely(n, later))
    }

    /// The readings on the chain as (corrected ms, engine hours), in the order of time.
    #[must_use]
    pub fn on_chain(&self) -> Vec<(i64, Hours)> {
        let feasible = self.points.iter().zip(&self.chain.feasible).zip(&self.chain.engine_hours);
        feasible.filter(|((_, ok), _)| **ok).map(|(((_, p), _), h)| (p.at_ms, *h)).collect()
    }

    /// The last reading on the chain: id, corrected ms, meter, engine hours.
    #[must_use]
    pub fn last(&self) -> Option<(RecordId, i64, Hours, Hours)> {
        (0..self.points.len()).rev().find(|n| self.chain.feasible[*n]).map(|n| {
            let (id, point) = self.points[n];
            (id, point.at_ms, point.meter, self.chain.engine_hours[n])
        })
    }

    /// How many times the meter was changed.
    #[must_use]
    pub fn meter_changes(&self) -> usize {
        self.swaps.len()
    }
}
