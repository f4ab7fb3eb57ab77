//! What stands for a slot, and why: one pure function of the records, the roster and nothing else.
//!
//! The same records give the same answer on every replica and in every order of arrival.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};
use shared::bracket::Bracket;
use shared::ids::RecordId;
use shared::length::Length;
use shared::record::Body;
use shared::role::Role;
use shared::slot::Slot;

use crate::judge::corrected_time::Corrected;
use crate::judge::dispute::{Said, any_disagree, disagree};
use crate::judge::hours::MachineHours;
use crate::judge::ledger::Ledger;
use crate::judge::plausible::{self, Machine};
use crate::judge::reason::{Doubt, Reason, Rule};
use crate::judge::roster::Roster;
use crate::judge::{changes, ruling, valve_set};

/// The version of these rules. Every standing carries the version that made it.
pub const RULES: u32 = 2;

/// How a slot stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// Nothing plausible has been stated.
    Empty,
    /// One record stands, undisputed.
    Stands,
    /// Several people agree.
    Corroborated,
    /// People disagree; the pick stands meanwhile.
    Contested,
    /// A ruling decided.
    Ruled,
    /// A ruling sent someone to measure again; nothing stands.
    Recheck,
}

impl State {
    /// The state in a word or two.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Empty => "nothing stands",
            Self::Stands => "stands",
            Self::Corroborated => "several agree",
            Self::Contested => "contested",
            Self::Ruled => "by ruling",
            Self::Recheck => "measure again",
        }
    }
}

/// A record that does not stand by itself, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Aside {
    /// Which.
    pub id: RecordId,
    /// Why, with the likely slip where there is one; a lead's proposal is one of these.
    #[cfg_attr(feature = "schema", schema(value_type = crate::judge::reason::Worded))]
    pub why: Doubt,
}

/// What stands for a slot.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Standing {
    /// Which slot.
    pub slot: Slot,
    /// How it stands.
    pub state: State,
    /// The record that stands.
    pub stands: Option<RecordId>,
    /// Why.
    pub reason: Reason,
    /// The order in which the deciding records were written is not known: a ruling is asked for.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub order_unknown: bool,
    /// The plausible records that nothing has replaced and that the window leaves in question.
    pub contenders: Vec<RecordId>,
    /// Tips older than the window, or from before the valve was set: history, but nothing has seen and replaced them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub outdated: Vec<RecordId>,
    /// Tips that do not stand by themselves.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub aside: Vec<Aside>,
    /// The ruling that decided.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ruling: Option<RecordId>,
    /// Rulings that contradict each other, of which none has seen another.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub rulings: Vec<RecordId>,
    /// For clearances: what agreeing contenders say together.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bracket: Option<Bracket>,
    /// [`RULES`].
    pub rules: u32,
}

impl Standing {
    /// Of a slot about which nothing is stated.
    pub(crate) fn empty(slot: Slot) -> Self {
        Self {
            slot,
            state: State::Empty,
            stands: None,
            reason: Reason::NothingStated,
            order_unknown: false,
            contenders: Vec::new(),
            outdated: Vec::new(),
            aside: Vec::new(),
            ruling: None,
            rulings: Vec::new(),
            bracket: None,
            rules: RULES,
        }
    }

    /// Everything that a new record in this slot must name as seen.
    #[must_use]
    pub fn open_ends(&self) -> Vec<RecordId> {
        self.contenders.iter().chain(&self.outdated).copied().chain(self.aside.iter().map(|a| a.id)).collect()
    }

    /// The office should look at this slot.
    #[must_use]
    pub fn wants_ruling(&self) -> bool {
        self.state == State::Contested || self.order_unknown
    }
}

/// A contender with what the pick goes by.
struct Contender<'a> {
    id: RecordId,
    body: &'a Body,
    role: Option<Role>,
    time: Corrected,
    engine_hours: Option<i64>,
}

impl Contender<'_> {
    fn rank(&self) -> u8 {
        self.role.map_or(0, Role::rank)
    }

    const fn said(&self) -> Said<'_> {
        Said { body: self.body, at_ms: self.time.ms, engine_hours: self.engine_hours }
    }
}

/// What stands in one document; what many of its slots need is found once.
#[derive(Debug)]
pub struct Standings<'a> {
    ledger: &'a Ledger,
    roster: &'a Roster,
    cylinders: std::cell::OnceCell<Option<u8>>,
}

impl<'a> Standings<'a> {
    /// Over a document's records.
    #[must_use]
    pub const fn new(ledger: &'a Ledger, roster: &'a Roster) -> Self {
        Self { ledger, roster, cylinders: std::cell::OnceCell::new() }
    }

    /// Of every slot that anything speaks about.
    #[must_use]
    pub fn all(&self) -> Vec<Standing> {
        self.ledger.slots().map(|slot| self.of(slot)).collect()
    }

    fn cylinders(&self) -> Option<u8> {
        *self.cylinders.get_or_init(|| plausible::cylinders(self.ledger, self.roster))
    }
}

/// What stands for a slot.
#[must_use]
pub fn stands(slot: &Slot, ledger: &Ledger, roster: &Roster) -> Standing {
    Standings::new(ledger, roster).of(slot)
}

impl Standings<'_> {
    /// What stands for a slot.
    #[must_use]
    pub fn of(&self, slot: &Slot) -> Standing {
        if *slot == Slot::MeterChanges {
            return changes::shown(changes::of(self.ledger, self.roster));
        }
        let rulings = ruling::valid(slot, self.ledger, self.roster);
        let machine = Machine {
            hours: (*slot == Slot::Hours).then(|| MachineHours::of(self.ledger, self.roster)),
            cylinders: if matches!(slot, Slot::Lash(..)) { self.cylinders() } else { None },
        };
        let live = live(slot, self.ledger, self.roster);
        let window_ms = self.roster.settings.conflict_window_ms();
        let judged = Judged { slot, live: &live, rulings: &rulings, window_ms: Some(window_ms) };
        judged.stands(&machine, self.ledger, self.roster)
    }

    /// Whether a ruling decides a slot; of the changes of a meter, one of them.
    pub(crate) fn are_decided_by(&self, ruling: RecordId, slot: &Slot) -> bool {
        let changes = if *slot == Slot::MeterChanges { changes::of(self.ledger, self.roster) } else { vec![self.of(slot)] };
        changes.iter().any(|standing| standing.ruling == Some(ruling))
    }
}

/// The records of a slot that nobody has taken back.
pub(crate) fn live(slot: &Slot, ledger: &Ledger, roster: &Roster) -> Vec<RecordId> {
    ledger.in_slot(slot).iter().copied().filter(|id| ledger.voided_by(*id, roster).is_none()).collect()
}

/// Tips that the conflict window leaves in question, and those that are history: older than the window whatever the clocks leave open.
pub(crate) fn within(window_ms: Option<i64>, tips: Vec<RecordId>, ledger: &Ledger) -> (Vec<RecordId>, Vec<RecordId>) {
    let latest = tips.iter().map(|id| ledger.time(*id).earliest_ms()).max();
    let oldest = latest.zip(window_ms).map(|(latest, window)| latest.saturating_sub(window));
    tips.into_iter().partition(|id| oldest.is_none_or(|oldest| ledger.time(*id).latest_ms() >= oldest))
}

/// Records that speak about one thing, and the rulings on it.
pub(crate) struct Judged<'a> {
    /// The slot that they are of.
    pub(crate) slot: &'a Slot,
    /// The records, none of them taken back.
    pub(crate) live: &'a [RecordId],
    /// Valid rulings that no other has seen.
    pub(crate) rulings: &'a [RecordId],
    /// Tips so much older than the latest are history; `None` where none of these can be.
    pub(crate) window_ms: Option<i64>,
}

impl Judged<'_> {
    /// What stands of them.
    pub(crate) fn stands(&self, machine: &Machine, ledger: &Ledger, roster: &Roster) -> Standing {
        let ruled_in = machine.hours.as_ref().map_or_else(|| ruling::picked(self.rulings, ledger), |hours| hours.ruled_in().clone());
        let doubts: BTreeMap<RecordId, Doubt> = self
            .live
            .iter()
            .filter(|id| !ruled_in.contains(id))
            .filter_map(|id| plausible::doubt(*id, ledger, roster, machine).map(|doubt| (*id, doubt)))
            .collect();
        let plausible: Vec<RecordId> = self.live.iter().copied().filter(|id| !doubts.contains_key(id)).collect();
        let tips = ledger.tips_among(&plausible);
        // What contradicts the hours that stand is shown beside them though somebody who knew of it has read the meter since.
        let beside = machine.hours.as_ref().map(MachineHours::in_question).unwrap_or_default();
        let open: BTreeSet<RecordId> = ledger.tips_among(self.live).into_iter().chain(beside).collect();
        let aside = open.iter().filter_map(|id| doubts.get(id).map(|why| Aside { id: *id, why: why.clone() }));
        let (mut contending, mut outdated) = within(self.window_ms, tips, ledger);
        let before_it_was_set = valve_set::before_it_was_set(&contending, ledger, roster);
        contending.retain(|id| !before_it_was_set.contains(id));
        outdated.extend(&before_it_was_set);
        outdated.sort_unstable();
        let mut contenders: Vec<Contender<'_>> = contending
            .iter()
            .filter_map(|id| {
                let entry = ledger.get(*id)?;
                let time = ledger.time(*id);
                let engine_hours = machine.hours.as_ref().and_then(|h| h.engine_hours(*id)).map(|h| h.tenths());
                Some(Contender { id: *id, body: &entry.record.body, role: roster.role_at(entry.record.by, time.ms), time, engine_hours })
            })
            .collect();
        contenders.sort_by_key(|c| std::cmp::Reverse((c.rank(), c.time.ms, c.id)));

        let mut standing = Standing {
            stands: contenders.first().map(|c| c.id),
            contenders: contenders.iter().map(|c| c.id).collect(),
            outdated,
            aside: aside.collect(),
            ..Standing::empty(self.slot.clone())
        };
        standing.contenders.sort_unstable();
        let may_be_history = |pick: &Contender<'_>| {
            let latest = contenders.iter().filter(|other| other.id != pick.id).map(|other| other.time.latest_ms()).max();
            let oldest = latest.zip(self.window_ms).map(|(latest, window)| latest.saturating_sub(window));
            oldest.is_some_and(|oldest| pick.time.earliest_ms() < oldest)
        };
        let in_window = !contenders.first().is_some_and(may_be_history);
        judge(&mut standing, &contenders, in_window, !before_it_was_set.is_empty(), roster);
        if let Some(hours) = &machine.hours {
            hours.contest(&mut standing);
        }
        ruling::apply(&mut standing, self.rulings, machine.hours.as_ref().is_some_and(MachineHours::is_re_opened), ledger, roster);
        standing
    }
}

/// Picks, says why, and finds agreement or dispute. `in_window`: the pick is no history, whatever the clocks leave open.
fn judge(standing: &mut Standing, contenders: &[Contender<'_>], in_window: bool, was_set: bool, roster: &Roster) {
    let Some((pick, others)) = contenders.split_first() else {
        if !standing.aside.is_empty() {
            standing.reason = Reason::NothingPlausible;
        }
        return;
    };
    standing.bracket = common_bracket(contenders);
    if others.is_empty() {
        standing.state = State::Stands;
        standing.reason = match (standing.outdated.is_empty(), was_set) {
            (true, _) => Reason::OnlyOne,
            (false, true) => Reason::SetSince,
            (false, false) => Reason::OthersOlder,
        };
        return;
    }
    let tolerance = Length::from_tenth_um(i64::from(roster.settings.leaf_tolerance_tenth_um));
    let disputed = any_disagree(&contenders.iter().map(Contender::said).collect::<Vec<_>>(), tolerance);
    let by_time = |other: &Contender<'_>| other.rank() == pick.rank() && !order_known(pick.time, other.time);
    let unordered = |other: &Contender<'_>| by_time(other) || !in_window;
    standing.order_unknown = others.iter().any(|other| unordered(other) && disagree(pick.said(), other.said(), tolerance));
    standing.state = if disputed { State::Contested } else { State::Corroborated };
    let agree = (!disputed).then_some(contenders.len());
    standing.reason = Reason::Picked { rule: rule_of(pick, &others[0], standing.order_unknown), agree };
}

fn rule_of(pick: &Contender<'_>, next: &Contender<'_>, order_unknown: bool) -> Rule {
    let (apart_ms, by_role) = (pick.time.ms - next.time.ms, pick.rank() != next.rank());
    match (by_role, order_unknown) {
        (true, true) => Rule::RoleThoughPerhapsOlder { pick: pick.role, over: next.role },
        (true, false) => Rule::Role { pick: pick.role, over: next.role, apart_ms },
        (false, true) => Rule::UnknownOrder { role: pick.role, apart_ms },
        (false, false) if apart_ms != 0 => Rule::Time { role: pick.role, apart_ms },
        (false, false) => Rule::Id,
    }
}

pub(crate) const fn order_known(a: Corrected, b: Corrected) -> bool {
    (a.ms - b.ms).abs() > a.uncertainty_ms.saturating_add(b.uncertainty_ms)
}

fn common_bracket(contenders: &[Contender<'_>]) -> Option<Bracket> {
    let mut brackets = contenders.iter().map(|c| match c.body {
        Body::Clearance(body) => body.bracket().ok(),
        _ => None,
    });
    let first = brackets.next()??;
    brackets.try_fold(first, |common, next| common.intersection(&next?))
}
