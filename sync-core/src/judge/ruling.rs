//! Rulings on a slot: which are valid, and what they decide.

use std::collections::BTreeSet;

use shared::ids::RecordId;
use shared::record::{Body, Decision};
use shared::role::Role;
use shared::slot::Slot;

use crate::judge::corrected_time::Corrected;
use crate::judge::ledger::Ledger;
use crate::judge::permissions;
use crate::judge::reason::{Lapse, Reason, Rule};
use crate::judge::roster::Roster;
use crate::judge::standing::{Standing, State, live, order_known, within};

/// The live rulings on a slot whose authors had the right, newest word of each chain only.
pub(crate) fn valid(slot: &Slot, ledger: &Ledger, roster: &Roster) -> Vec<RecordId> {
    ledger.tips_among(&with_right(slot, ledger, roster))
}

/// The live rulings on a slot whose authors had the right, those that a later one has seen among them.
pub(crate) fn with_right(slot: &Slot, ledger: &Ledger, roster: &Roster) -> Vec<RecordId> {
    if !ledger.settles() {
        return Vec::new();
    }
    let had_right = |id: &RecordId| ledger.get(*id).is_some_and(|entry| permissions::had_right(entry, ledger, roster).is_ok());
    live(&Slot::ruling(slot), ledger, roster).into_iter().filter(had_right).collect()
}

/// The records that rulings let stand.
pub(crate) fn picked(rulings: &[RecordId], ledger: &Ledger) -> BTreeSet<RecordId> {
    let picked = |id: &RecordId| match ledger.get(*id).map(|e| &e.record.body) {
        Some(Body::Ruling(ruling)) => match ruling.decision {
            Decision::Stands(picked) => Some(picked),
            Decision::Recheck => None,
        },
        _ => None,
    };
    rulings.iter().filter_map(picked).collect()
}

/// A ruling that names all present contenders.
struct Deciding {
    id: RecordId,
    role: Option<Role>,
    time: Corrected,
    decision: Decision,
    why: String,
}

impl Deciding {
    fn rank(&self) -> u8 {
        self.role.map_or(0, Role::rank)
    }
}

/// A ruling that names all present contenders decides. Of several, of which none has seen another, the same rules hold as among
/// readings. `re_opened`: what a ruling had let in is contradicted by a reading that it had not seen.
pub(crate) fn apply(standing: &mut Standing, rulings: &[RecordId], re_opened: bool, ledger: &Ledger, roster: &Roster) {
    let (deciding, why_not) = deciding(standing, rulings, ledger, roster);
    let window_ms = roster.settings.conflict_window_ms();
    let (contending, _) = within(Some(window_ms), deciding.iter().map(|one| one.id).collect(), ledger);
    let contending: BTreeSet<RecordId> = contending.into_iter().collect();
    let mut contending: Vec<Deciding> = deciding.into_iter().filter(|one| contending.contains(&one.id)).collect();
    contending.sort_by_key(|one| std::cmp::Reverse((one.rank(), one.time.ms, one.id)));
    let Some((picked, others)) = contending.split_first() else {
        if let Some(ruling) = re_opened.then_some(Lapse::Unseen).or(why_not) {
            standing.reason = Reason::Lapsed { ruling, now: Box::new(standing.reason.clone()) };
        }
        return;
    };
    decide(standing, picked, ledger);
    let against: Vec<&Deciding> = others.iter().filter(|other| other.decision != picked.decision).collect();
    if let Some(next) = against.first() {
        let unordered = |other: &&&Deciding| other.rank() == picked.rank() && !order_known(picked.time, other.time);
        standing.order_unknown = against.iter().any(|other| unordered(&other));
        standing.state = State::Contested;
        standing.rulings = contending.iter().map(|one| one.id).collect();
        standing.rulings.sort_unstable();
        standing.reason = Reason::RulingsContradict { rule: rule_of(picked, next, standing.order_unknown) };
    }
}

/// The rulings that could decide, and why one does not where none can.
fn deciding(standing: &Standing, rulings: &[RecordId], ledger: &Ledger, roster: &Roster) -> (Vec<Deciding>, Option<Lapse>) {
    let mut why_not = None;
    let mut deciding = Vec::new();
    for id in rulings {
        let Some(entry) = ledger.get(*id) else { continue };
        let Body::Ruling(ruling) = &entry.record.body else { continue };
        // The contenders lie in order: looked up, not gone over for each that a ruling names.
        let contends = |id: &RecordId| standing.contenders.binary_search(id).is_ok();
        let named: BTreeSet<&RecordId> = ruling.of.iter().filter(|id| contends(id)).collect();
        let names_all = named.len() == standing.contenders.len();
        let picks_live = match ruling.decision {
            Decision::Stands(picked) => contends(&picked),
            Decision::Recheck => !standing.contenders.is_empty(),
        };
        if names_all && picks_live {
            let time = ledger.time(*id);
            let role = roster.role_at(entry.record.by, time.ms);
            deciding.push(Deciding { id: *id, role, time, decision: ruling.decision, why: ruling.reason.clone() });
        } else if let Decision::Stands(picked) = ruling.decision
            && ledger.voided_by(picked, roster).is_some()
        {
            why_not = Some(Lapse::Undone);
        } else if !named.is_empty() {
            why_not = why_not.or(Some(Lapse::Unseen));
        }
    }
    (deciding, why_not)
}

fn decide(standing: &mut Standing, ruling: &Deciding, ledger: &Ledger) {
    standing.ruling = Some(ruling.id);
    standing.order_unknown = false;
    standing.reason = Reason::Ruled { by: ruling.role, why: ruling.why.clone() };
    match ruling.decision {
        Decision::Stands(picked) => {
            standing.state = State::Ruled;
            standing.stands = Some(picked);
            standing.bracket = match ledger.get(picked).map(|e| &e.record.body) {
                Some(Body::Clearance(body)) => body.bracket().ok(),
                _ => None,
            };
        }
        Decision::Recheck => {
            standing.state = State::Recheck;
            standing.stands = None;
            standing.bracket = None;
        }
    }
}

fn rule_of(picked: &Deciding, next: &Deciding, order_unknown: bool) -> Rule {
    let apart_ms = picked.time.ms - next.time.ms;
    match (picked.rank() != next.rank(), order_unknown) {
        (true, _) => Rule::Role { pick: picked.role, over: next.role, apart_ms },
        (false, true) => Rule::UnknownOrder { role: picked.role, apart_ms },
        (false, false) => Rule::Time { role: picked.role, apart_ms },
    }
}
