//! What a wrong hand wrote makes no difference, however it came into the book: released by the office, or taken by a shop that had
//! forgotten. Left out of the book, the roster, what stands and what is on hold are the same.

use std::collections::BTreeSet;

use shared::ids::{PersonId, RecordId};
use shared::record::Body;
use shared::role::Role;
use sync_core::judge::ledger::Ledger;
use sync_core::judge::machine::MachineState;
use sync_core::judge::roster::Roster;
use sync_core::judge::standing::Standings;
use sync_core::store::Store;

use super::super::insider::{Fate, Forged};
use super::super::world::{Broken, SHOP, World};
use super::hand::{decides, may};

fn broken<T>(promise: &'static str, seen: String) -> Result<T, Broken> {
    Err(Broken { promise, seen })
}

const HAND: &str = "no wrong hand";

/// Judges it, and what else can be told of forged records at the end of a story.
pub(in crate::sim) fn weigh(world: &mut World) -> Result<(), Broken> {
    if world.insiders.is_empty() {
        return Ok(());
    }
    world.within_bounds()?;
    let failed = |e: &dyn std::fmt::Display| Broken { promise: "reads", seen: e.to_string() };
    let wrong = world.wrong_at_the_end();
    let Some(without) = world.roster_without(SHOP, &wrong) else { return Ok(()) };
    let Some(shop) = world.nodes[SHOP].book.as_ref() else { return Ok(()) };
    let store = shop.store();
    let roster = shop.roster().map_err(|e| failed(&e))?;
    same_roster(roster, &without)?;
    // Every device's keys are those for which the shop itself signed.
    let ledger = store.records().ledger_of(roster.root.shop.roster()).map_err(|e| failed(&e))?;
    for (device, held) in &roster.devices {
        let signed = ledger
            .entries()
            .any(|entry| entry.device == roster.root.device && matches!(&entry.record.body, Body::Device(card) if **card == held.card));
        if !signed {
            return broken(HAND, format!("the device {device} is on the roster with keys that never enrolled"));
        }
    }
    for row in store.documents().all().map_err(|e| failed(&e))? {
        let held = store.records().ledger(row.num).map_err(|e| failed(&e))?;
        let touched = held.entries().any(|entry| wrong.contains(&entry.record.id));
        if !touched {
            continue;
        }
        let ledger = Ledger::new(held.entries().filter(|entry| !wrong.contains(&entry.record.id)).cloned());
        let stands = Standings::new(&ledger, &without).all();
        for standing in &stands {
            let now = store.projections().standing(row.doc, &standing.slot).map_err(|e| failed(&e))?;
            if now.as_ref().map(|now| (now.stands, now.state)) != Some((standing.stands, standing.state)) {
                return broken(
                    HAND,
                    format!("{} stands otherwise for what a wrong hand wrote: {now:?}, and not {standing:?}", standing.slot),
                );
            }
        }
        if let Some(machine) = store.machine_rows().machine(row.doc).map_err(|e| failed(&e))? {
            let findings = MachineState::fold(&ledger, &stands, &without).findings;
            if machine.state.findings != findings {
                let seen = format!("a wrong hand moved a hold: open are {:?}, and not {findings:?}", machine.state.findings);
                return broken(HAND, seen);
            }
        }
    }
    let liars: Vec<_> = world.forged.iter().filter(|forged| forged.lies && matches!(forged.fate, Fate::In { .. })).collect();
    for liar in liars {
        let ledger = store.records().ledger_of(liar.doc).map_err(|e| failed(&e))?;
        // A shop that was put back may not have it any more.
        if ledger.get(liar.record).is_none() {
            continue;
        }
        // Put back from before it came, the shop has lost its measure; of a clock it measures only what comes from it directly.
        if ledger.receipt(liar.record).is_some_and(|receipt| !receipt.of_writer) {
            continue;
        }
        let time = ledger.time(liar.record);
        let off_ms = (time.ms - liar.at_ms).abs();
        if off_ms > time.uncertainty_ms.saturating_add(1_000) {
            let seen = format!("a reading is {off_ms} ms off by its device's own word, and said to be within {} ms", time.uncertainty_ms);
            return broken("clocks in doubt are in doubt", seen);
        }
    }
    // What no right allows is on no honest phone either.
    for node in (0..world.nodes.len()).filter(|node| !world.is_insider(*node)) {
        let Some(book) = world.nodes[node].book.as_ref() else { continue };
        for forged in world.forged.iter().filter(|forged| forged.fate == Fate::Out && decides(forged.body.kind())) {
            let held = book.store().records().held(forged.record).map_err(|e| failed(&e))?;
            if held.is_some_and(|held| held.bytes == forged.bytes) && world.known(node) && !world.nodes[node].revoked {
                let (kind, name) = (forged.body.kind(), &world.nodes[node].name);
                return broken(HAND, format!("{name} has in its book a {kind} that the shop has not taken"));
            }
        }
    }
    let waiting = world.forged.iter().filter(|forged| forged.fate == Fate::Out).count();
    world.told.forged += world.forged.len();
    world.told.forged_out += waiting;
    Ok(())
}

fn same_roster(roster: &Roster, without: &Roster) -> Result<(), Broken> {
    let people: BTreeSet<PersonId> = roster.people.keys().chain(without.people.keys()).copied().collect();
    for person in people {
        let (now, then) = (roster.role_now(person), without.role_now(person));
        if now != then {
            return broken(HAND, format!("{person} is {now:?} for what a wrong hand wrote, and not {then:?}"));
        }
    }
    let keys = |roster: &Roster| -> Vec<_> {
        roster.devices.iter().map(|(id, device)| (*id, device.card.clone(), device.revoked_ms.is_some())).collect()
    };
    let same = roster.people == without.people
        && roster.settings == without.settings
        && roster.assignments == without.assignments
        && keys(roster) == keys(without);
    if same { Ok(()) } else { broken(HAND, "the roster says something else for what a wrong hand wrote".to_owned()) }
}

impl World {
    /// Forged decisions in the shop's book whose authors had no right: as far as the shop knew when they came, or in truth when they
    /// were written.
    fn wrong_at_the_end(&self) -> BTreeSet<RecordId> {
        let Some(truth) = self.truth() else { return BTreeSet::new() };
        let Some(shop) = self.nodes[SHOP].book.as_ref() else { return BTreeSet::new() };
        let in_truth = |forged: &Forged| {
            may(forged, self.role_then(forged.by, forged.at_ms), &truth, shop.store()) || self.clocks_cannot_tell(forged, shop.store())
        };
        let of_deciding = self.forged.iter().filter(|forged| decides(forged.body.kind()));
        of_deciding
            .filter(|forged| match forged.fate {
                Fate::Out => false,
                Fate::In { lawful } => !lawful || !in_truth(forged),
                // What the office lets in is judged by the time that it claims: no one else can know a better.
                Fate::Released { by_claim } => !by_claim,
            })
            .map(|forged| forged.record)
            .collect()
    }

    /// Whether something forged came within what the clock of a change of its author's role leaves open: which was first is then not known
    /// to anybody but the story.
    fn clocks_cannot_tell(&self, forged: &Forged, store: &Store) -> bool {
        let came = store.records().ledger_of(forged.doc).ok().and_then(|ledger| ledger.receipt(forged.record).map(|receipt| receipt.at_ms));
        let changes = self.grants.iter().filter(|grant| grant.person == forged.by);
        let open = |record: RecordId, came_ms: i64| {
            let held = store.records().held(record).ok().flatten()?;
            let time = store.records().ledger_of(held.doc).ok()?.time(record);
            Some((time.ms - came_ms).abs() <= time.uncertainty_ms)
        };
        came.is_some_and(|came_ms| changes.into_iter().any(|grant| open(grant.record, came_ms).unwrap_or(false)))
    }

    /// The role that somebody truly had at a time, as far as the shop has heard of it by now.
    pub(super) fn role_then(&self, person: PersonId, at_ms: i64) -> Option<Role> {
        let store = self.nodes[SHOP].book.as_ref()?.store();
        let mut known = self.grants.iter().filter(|grant| grant.person == person && grant.counts(store));
        known.rfind(|grant| grant.at_ms <= at_ms).and_then(|grant| grant.role)
    }

    /// Whether the shop knows a node's device.
    pub(in crate::sim) fn known(&self, node: usize) -> bool {
        let roster = self.nodes[SHOP].book.as_ref().and_then(|book| book.roster().ok());
        roster.is_some_and(|roster| node == SHOP || roster.devices.contains_key(&self.nodes[node].device))
    }
}
