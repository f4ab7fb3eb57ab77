//! What stands in a slot, how, and whether the order is known, the slow and obvious way: written from the design's words alone
//! (section 6), over plain lists, each thing compared with each other one.
//!
//! - `facts`: corrected times, receipts, who had the right, what was undone.
//! - `set_between`: readings with the valve set between two visits. `hours`: the meter chain. `meter`: changes of the meter.
//!
//! It shares no rule with the core: of that it uses entries, the roster's roles and the names of states alone.

use shared::ids::RecordId;
use shared::record::{Body, Decision};
use shared::slot::Slot;
use sync_core::judge::ledger::Entry;
use sync_core::judge::roster::Roster;
use sync_core::judge::standing::{Standing, State};

mod facts;
mod hours;
mod meter;
mod set_between;

use facts::Facts;

/// How a slot stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Verdict {
    /// The record that stands.
    pub stands: Option<RecordId>,
    /// How.
    pub state: State,
    /// Whether the order of those that decide is unknown.
    pub order_unknown: bool,
}

impl From<&Standing> for Verdict {
    fn from(standing: &Standing) -> Self {
        Self { stands: standing.stands, state: standing.state, order_unknown: standing.order_unknown }
    }
}

/// Leaves over 1.5 mm are not read.
const THICKEST_TENTH_UM: i64 = 15_000;

/// The oracle over a document's records.
#[derive(Debug)]
pub struct Oracle<'a> {
    facts: Facts<'a>,
}

/// One that may stand, with what disputes are judged by.
#[derive(Clone, Copy)]
struct Contender<'a> {
    entry: &'a Entry,
    engine_tenths: Option<i64>,
}

/// What is judged together.
struct Question<'a> {
    /// Those that can be, none of them undone.
    plausible: Vec<&'a Entry>,
    rulings: Vec<&'a Entry>,
    /// Whether those older than the window are history.
    by_window: bool,
}

impl<'a> Oracle<'a> {
    /// Over a document's records and the roster.
    #[must_use]
    pub fn over(entries: &'a [Entry], roster: &'a Roster) -> Self {
        Self { facts: Facts::over(entries, roster) }
    }

    /// How a slot stands; `None` where the design's words leave it open: sets of hour readings of the very same weight and times.
    #[must_use]
    pub fn judge(&self, slot: &Slot) -> Option<Verdict> {
        match slot {
            Slot::Hours => self.judge_hours(),
            Slot::MeterChanges => Some(self.judge_meter()),
            _ => {
                let rulings = self.rulings(slot);
                let plausible = self.plausible(slot, &rulings);
                Some(self.judge_these(&Question { plausible, rulings, by_window: true }, |_| None))
            }
        }
    }

    /// The newest word of each line of rulings on a slot.
    fn rulings(&self, slot: &Slot) -> Vec<&'a Entry> {
        self.facts.tips(&self.rulings_with_right(slot))
    }

    fn rulings_with_right(&self, slot: &Slot) -> Vec<&'a Entry> {
        self.facts.live(&Slot::ruling(slot)).into_iter().filter(|e| self.facts.had_right(e)).collect()
    }

    /// What is not undone and can be, or was let in by a ruling.
    fn plausible(&self, slot: &Slot, rulings: &[&Entry]) -> Vec<&'a Entry> {
        let let_in = |e: &Entry| rulings.iter().any(|ruling| picks(ruling) == Some(e.record.id));
        self.facts.live(slot).into_iter().filter(|e| let_in(e) || self.can_be(e)).collect()
    }

    fn can_be(&self, entry: &Entry) -> bool {
        let valve_is_there = |cylinder: u8| self.cylinders().is_none_or(|cylinders| cylinder <= cylinders);
        let can = match &entry.record.body {
            Body::Clearance(reading) => facts::leaves_can_be(reading) && valve_is_there(reading.valve.cylinder()),
            _ => true,
        };
        can && self.facts.had_right(entry) && !self.facts.only_proposes(entry)
    }

    /// What the machine's card that stands says.
    fn cylinders(&self) -> Option<u8> {
        let card = self.judge(&Slot::Machine)?.stands?;
        match &self.facts.find(card)?.record.body {
            Body::Machine(card) => card.cylinders,
            _ => None,
        }
    }

    fn judge_these(&self, question: &Question<'a>, engine_tenths: impl Fn(RecordId) -> Option<i64>) -> Verdict {
        let tips = self.facts.tips(&question.plausible);
        let in_window = if question.by_window { self.in_window(&tips) } else { tips };
        let contenders: Vec<Contender<'a>> = in_window
            .iter()
            .filter(|tip| !in_window.iter().any(|later| self.facts.was_set_between(tip, later)))
            .map(|entry| Contender { entry, engine_tenths: engine_tenths(entry.record.id) })
            .collect();
        let before_rulings = self.pick(&contenders, question.by_window);
        self.rule(before_rulings, &contenders, &question.rulings)
    }

    /// Those not older than another by more than the window, whatever clocks leave open.
    fn in_window(&self, tips: &[&'a Entry]) -> Vec<&'a Entry> {
        let window_ms = i64::from(self.facts.roster.settings.conflict_window_min) * 60_000;
        let earliest = |e: &Entry| self.facts.at(e) - self.facts.off_by(e);
        let latest = |e: &Entry| self.facts.at(e) + self.facts.off_by(e);
        let too_old = |tip: &Entry| tips.iter().any(|later| earliest(later) - latest(tip) > window_ms);
        tips.iter().copied().filter(|tip| !too_old(tip)).collect()
    }

    /// Whether one may be older than another by more than the window, as far as clocks can tell.
    fn may_be_too_old(&self, one: &Entry, other: &Entry) -> bool {
        let window_ms = i64::from(self.facts.roster.settings.conflict_window_min) * 60_000;
        let at_most = self.facts.at(other) + self.facts.off_by(other) - (self.facts.at(one) - self.facts.off_by(one));
        one.record.id != other.record.id && at_most > window_ms
    }

    /// The highest role, then the latest, then the greatest id.
    fn pick(&self, contenders: &[Contender<'a>], by_window: bool) -> Verdict {
        let key = |c: &Contender<'_>| (self.facts.rank(c.entry), self.facts.at(c.entry), c.entry.record.id);
        let Some(pick) = contenders.iter().max_by_key(|c| key(c)) else {
            return Verdict { stands: None, state: State::Empty, order_unknown: false };
        };
        let contested = contenders.iter().any(|a| contenders.iter().any(|b| self.disagree(a, b)));
        // Of a pick that may be history neither its role nor its time decides.
        let may_be_history = by_window && contenders.iter().any(|other| self.may_be_too_old(pick.entry, other.entry));
        let order_unknown = contenders.iter().any(|other| {
            let same_role = self.facts.rank(other.entry) == self.facts.rank(pick.entry);
            let by_time = same_role && !self.facts.order_is_known(pick.entry, other.entry);
            (by_time || may_be_history) && self.disagree(pick, other)
        });
        let state = match (contenders.len(), contested) {
            (1, _) => State::Stands,
            (_, true) => State::Contested,
            (_, false) => State::Corroborated,
        };
        Verdict { stands: Some(pick.entry.record.id), state, order_unknown }
    }

    /// Whether two cannot both be so.
    fn disagree(&self, a: &Contender<'_>, b: &Contender<'_>) -> bool {
        if a.entry.record.id == b.entry.record.id {
            return false;
        }
        match (&a.entry.record.body, &b.entry.record.body) {
            (Body::Clearance(x), Body::Clearance(y)) => {
                let wider = i64::from(self.facts.roster.settings.leaf_tolerance_tenth_um);
                let low = |leaf: Option<shared::length::Length>| leaf.map_or(i64::MIN / 4, |leaf| leaf.tenth_um() - wider);
                let high = |leaf: Option<shared::length::Length>| leaf.map_or(i64::MAX / 4, |leaf| leaf.tenth_um() + wider);
                low(x.go) >= high(y.no_go) || low(y.go) >= high(x.no_go)
            }
            (Body::Hours(_), Body::Hours(_)) => match (a.engine_tenths, b.engine_tenths) {
                (Some(x), Some(y)) => hours::too_far_apart((self.facts.at(a.entry), x), (self.facts.at(b.entry), y)),
                _ => true,
            },
            (Body::MeterChange(x), Body::MeterChange(y)) => (x.old, x.new) != (y.old, y.new),
            (
                Body::SignOff(_) | Body::Void(_) | Body::Ruling(_) | Body::FindingCleared(_) | Body::DeviceRevoked(_) | Body::DayClosed(_),
                _,
            ) => false,
            (x, y) => x != y,
        }
    }

    /// What rulings make of it. One that names all contenders decides; among several the same rules as among readings.
    fn rule(&self, standing: Verdict, contenders: &[Contender<'a>], rulings: &[&'a Entry]) -> Verdict {
        let names_all = |ruling: &Entry| match &ruling.record.body {
            Body::Ruling(ruling) => {
                let contends = |id: RecordId| contenders.iter().any(|c| c.entry.record.id == id);
                let decides = match ruling.decision {
                    Decision::Stands(picked) => contends(picked),
                    Decision::Recheck => !contenders.is_empty(),
                };
                decides && contenders.iter().all(|c| ruling.of.contains(&c.entry.record.id))
            }
            _ => false,
        };
        let deciding: Vec<&Entry> = rulings.iter().copied().filter(|ruling| names_all(ruling)).collect();
        let deciding = self.in_window(&deciding);
        let key = |e: &Entry| (self.facts.rank(e), self.facts.at(e), e.record.id);
        let Some(picked) = deciding.iter().max_by_key(|e| key(e)) else { return standing };
        let against: Vec<&Entry> = deciding.iter().copied().filter(|other| picks(other) != picks(picked)).collect();
        let same_role = |other: &Entry| self.facts.rank(other) == self.facts.rank(picked);
        let order_unknown = against.iter().any(|other| same_role(other) && !self.facts.order_is_known(picked, other));
        let stands = picks(picked);
        let state = match (against.is_empty(), stands) {
            (false, _) => State::Contested,
            (true, Some(_)) => State::Ruled,
            (true, None) => State::Recheck,
        };
        Verdict { stands, state, order_unknown }
    }
}

/// The record that a ruling lets stand; none where it asks for another reading.
fn picks(ruling: &Entry) -> Option<RecordId> {
    match &ruling.record.body {
        Body::Ruling(ruling) => match ruling.decision {
            Decision::Stands(picked) => Some(picked),
            Decision::Recheck => None,
        },
        _ => None,
    }
}
