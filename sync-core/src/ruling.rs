//! Rulings on a slot: which are valid, and what they decide.

use std::collections::BTreeSet;

use shared::ids::RecordId;
use shared::record::{Body, Decision};
use shared::role::Role;
use shared::slot::Slot;

use crate::ledger::Ledger;
use crate::rights;
use crate::roster::Roster;
use crate::standing::{Standing, State, live};

/// The live rulings on a slot whose authors had the right, newest word of each chain only.
pub(crate) fn valid(slot: &Slot, ledger: &Ledger, roster: &Roster) -> Vec<RecordId> {
    ledger.tips_among(&with_right(slot, ledger, roster))
}

/// The live rulings on a slot whose authors had the right, those that a later one has seen among them.
pub(crate) fn with_right(slot: &Slot, ledger: &Ledger, roster: &Roster) -> Vec<RecordId> {
    if !ledger.settles() {
        return Vec::new();
    }
    let had_right = |id: &RecordId| ledger.get(*id).is_some_and(|entry| rights::had_right(entry, ledger, roster).is_ok());
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

const UNSEEN: &str = "a reading that the ruling had not seen re-opened it";

/// A ruling that names all present contenders decides. Of several, the same order as among readings. `re_opened`: what a ruling had
/// let in is contradicted by a reading that it had not seen.
pub(crate) fn apply(standing: &mut Standing, rulings: &[RecordId], re_opened: bool, ledger: &Ledger, roster: &Roster) {
    let mut why_not: Option<&str> = re_opened.then_some(UNSEEN);
    let mut deciding: Vec<(u8, i64, RecordId, Decision, String)> = Vec::new();
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
            let time = ledger.time(*id).ms;
            let role = roster.role_at(entry.record.by, time);
            let who = role.map_or("the office", Role::name);
            let reason = if ruling.reason.is_empty() { String::new() } else { format!(": {}", ruling.reason) };
            deciding.push((role.map_or(0, Role::rank), time, *id, ruling.decision, format!("ruled by {who}{reason}")));
        } else if let Decision::Stands(picked) = ruling.decision
            && ledger.voided_by(picked, roster).is_some()
        {
            why_not = Some("the reading that the ruling had let stand was taken back");
        } else if !named.is_empty() {
            why_not = why_not.or(Some(UNSEEN));
        }
    }
    deciding.sort_by_key(|(rank, time, id, ..)| std::cmp::Reverse((*rank, *time, *id)));
    let Some((_, _, id, decision, words)) = deciding.into_iter().next() else {
        if let Some(why_not) = why_not {
            standing.reason = format!("{}; {why_not}", standing.reason);
        }
        return;
    };
    standing.ruling = Some(id);
    standing.order_unknown = false;
    standing.reason = words;
    match decision {
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
