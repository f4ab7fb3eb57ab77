//! The hours of one machine: its readings on one scale across meter changes, and which of them cannot be.

use std::collections::{BTreeMap, BTreeSet};

use shared::hours::Hours;
use shared::ids::RecordId;
use shared::meter::{Chain, Feasible, MeterPoint, MeterSwap, Rival, chain, likely_replaced, likely_slip, rival};
use shared::record::Body;
use shared::role::Role;
use shared::slot::Slot;

use crate::judge::ledger::Ledger;
use crate::judge::reason::{Doubt, Reason};
use crate::judge::roster::Roster;
use crate::judge::standing::{Standing, State, live, within};
use crate::judge::{changes, ruling};

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
    /// What contradicts the chain and weighs nearly as much.
    rival: Option<Rival>,
    ruled_in: BTreeSet<RecordId>,
    re_opened: BTreeSet<RecordId>,
}

impl MachineHours {
    /// The live hour readings of a machine's ledger, with those that rulings let in.
    ///
    /// A ruling lets its reading in until a contender comes that it had not weighed and that its reading contradicts.
    #[must_use]
    pub fn of(ledger: &Ledger, roster: &Roster) -> Self {
        let rulings = ruling::valid(&Slot::Hours, ledger, roster);
        let live = live(&Slot::Hours, ledger, roster);
        let swaps = changes::counting(ledger, roster);
        let all = ruling::picked(&rulings, ledger);
        let ruled = Self::with(ledger, roster, &live, swaps.clone(), all.clone());
        if all.is_empty() {
            return ruled;
        }
        let without = Self::with(ledger, roster, &live, swaps.clone(), BTreeSet::new());
        let plausible: Vec<RecordId> = live.iter().copied().filter(|id| without.is_on_chain(*id)).collect();
        let window_ms = roster.settings.conflict_window_ms();
        let (contenders, _) = within(Some(window_ms), ledger.tips_among(&plausible), ledger);
        let excluded: Vec<RecordId> = contenders.into_iter().filter(|id| !ruled.is_on_chain(*id)).collect();
        let weighed_all = |id: &RecordId| match ledger.get(*id).map(|e| &e.record.body) {
            Some(Body::Ruling(ruling)) => excluded.iter().all(|id| ruling.of.contains(id)),
            _ => false,
        };
        let kept: Vec<RecordId> = rulings.into_iter().filter(weighed_all).collect();
        let kept = ruling::picked(&kept, ledger);
        if kept.len() == all.len() {
            return ruled;
        }
        let judged = Self::with(ledger, roster, &live, swaps, kept);
        let re_opened = all.into_iter().filter(|id| judged.by_id.contains_key(id) && !judged.is_on_chain(*id)).collect();
        Self { re_opened, ..judged }
    }

    fn with(ledger: &Ledger, roster: &Roster, live: &[RecordId], swaps: Vec<MeterSwap>, ruled_in: BTreeSet<RecordId>) -> Self {
        let point = |id: &RecordId| {
            let Some((Body::Hours(reading), by)) = ledger.get(*id).map(|e| (&e.record.body, e.record.by)) else { return None };
            let time = ledger.time(*id);
            let rank = roster.role_at(by, time.ms).map_or(0, Role::rank);
            let weight = if ruled_in.contains(id) { RULED_WEIGHT } else { u32::from(rank) + 1 };
            Some((*id, MeterPoint { at_ms: time.ms, meter: reading.meter, weight, uncertainty_ms: time.uncertainty_ms }))
        };
        let mut points: Vec<(RecordId, MeterPoint)> = live.iter().filter_map(point).collect();
        points.sort_by_key(|(id, point)| (point.at_ms, *id));
        let bare: Vec<MeterPoint> = points.iter().map(|(_, point)| *point).collect();
        let chain = chain(&bare, &swaps);
        let feasible = Feasible::over(&chain.kept(&bare));
        let by_id: BTreeMap<RecordId, usize> = points.iter().enumerate().map(|(n, (id, _))| (*id, n)).collect();
        // A person who reads the meter again, and writes what fits, says that their reading before it was a slip.
        let corrected = |n: usize| {
            let again = ledger.get(points[n].0).filter(|_| chain.feasible[n]);
            let before = again.into_iter().flat_map(|again| again.record.seen.iter().map(move |seen| (again, seen)));
            before.filter_map(|(again, seen)| {
                let own = ledger.get(*seen).is_some_and(|slip| slip.record.measurer() == again.record.measurer());
                by_id.get(seen).copied().filter(|_| own)
            })
        };
        let corrected = (0..points.len()).flat_map(corrected).collect();
        let rival = rival(&bare, &chain, &corrected);
        Self { points, by_id, swaps, chain, feasible, rival, ruled_in, re_opened: BTreeSet::new() }
    }

    fn is_on_chain(&self, id: RecordId) -> bool {
        self.by_id.get(&id).is_some_and(|n| self.chain.feasible[*n])
    }

    /// Readings that rulings let in.
    #[must_use]
    pub const fn ruled_in(&self) -> &BTreeSet<RecordId> {
        &self.ruled_in
    }

    /// Readings off the chain that are asked about: what rulings had let in until a reading came that they had not weighed, and the
    /// latest of those that weigh nearly as much as what they contradict.
    #[must_use]
    pub fn in_question(&self) -> BTreeSet<RecordId> {
        let latest = self.rival.as_ref().and_then(|rival| rival.readings.last()).map(|n| self.points[*n].0);
        self.re_opened.iter().copied().chain(latest).collect()
    }

    /// A reading came that a ruling had not weighed, and that contradicts what it had let in.
    pub(crate) fn is_re_opened(&self) -> bool {
        !self.re_opened.is_empty()
    }

    /// Contests the hour meter where a reading off the chain is asked about.
    pub(crate) fn contest(&self, standing: &mut Standing) {
        if standing.contenders.is_empty() {
            return;
        }
        if let Some(Rival { weight, against, .. }) = self.rival {
            standing.state = State::Contested;
            standing.reason = Reason::TooNear { against, weight };
        }
        if self.is_re_opened() {
            standing.state = State::Contested;
        }
    }

    /// Engine hours of a reading: the meter with all meter changes undone.
    #[must_use]
    pub fn engine_hours(&self, id: RecordId) -> Option<Hours> {
        self.by_id.get(&id).and_then(|n| self.chain.engine_hours.get(*n)).copied()
    }

    /// Why a reading cannot be, with the likely slip or a replaced meter; `None` for one on the chain.
    #[must_use]
    pub fn doubt(&self, id: RecordId) -> Option<Doubt> {
        let n = *self.by_id.get(&id)?;
        if self.chain.feasible.get(n).copied().unwrap_or(true) {
            return None;
        }
        let (_, point) = self.points[n];
        let engine = self.chain.engine_hours[n];
        let offset = engine.minus(point.meter);
        let (low, high) = self.feasible.at(point.at_ms);
        let (low, high) = (low.minus(offset), high.minus(offset));
        let below = point.meter < low;
        Some(Doubt::Hours {
            meter: point.meter,
            bound: if below { low } else { high },
            below,
            likely: likely_slip(point.meter, low, high).map(|(likely, _)| likely),
            new_meter: self.replaced_beside(n),
        })
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
