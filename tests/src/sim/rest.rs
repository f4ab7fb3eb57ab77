//! The end of a story: everything is healed, all exchange until nothing moves, and what is promised is judged.

use std::collections::BTreeSet;

use shared::wire::ExchangeRequest;
use sync_core::book::Book;
use sync_core::store::{QuarantineState, Quarantined};

use super::nodes::Node;
use super::rows;
use super::steps::Way;
use super::travel::room;
use super::world::{Broken, OFFICE, SHOP, World};
use crate::crew::Dice;
use crate::oracle::{Oracle, Verdict};

/// Rounds after which a crew that still moves will move for ever.
const MOST_ROUNDS: usize = 12;
/// Exchanges after which one device that still has more will have more for ever.
const MOST_EXCHANGES: usize = 1_000;

/// What is promised of a device, as against what is promised of the shop.
const OF_DEVICE: [&str; 3] = ["offers", "takes an answer", "comes to rest"];

fn broken<T>(promise: &'static str, seen: String) -> Result<T, Broken> {
    Err(Broken { promise, seen })
}

/// Heals disks and network, and lets everyone exchange until nothing moves.
pub(super) fn come_to_rest(world: &mut World, seed: u64) -> Result<(), Broken> {
    world.resting = true;
    world.say("At rest: every disk is whole, every network works, and everyone exchanges.");
    let dice = &mut Dice::new(seed ^ 0xfeed);
    world.mail.clear();
    for node in 0..world.nodes.len() {
        let disk = &world.nodes[node].disk;
        disk.lie(false);
        disk.leave_room(None);
        disk.read_only(false);
        disk.keep_power();
        // Opened anew, too: a book opened while its disk was read-only stays so.
        world.revive(node, dice)?;
    }
    for _ in 0..MOST_ROUNDS {
        let before = ends(world);
        for phone in OFFICE..world.nodes.len() {
            if world.nodes[phone].revoked {
                continue;
            }
            match level(world, phone, dice) {
                // What an insider did to their own device is theirs to bear.
                Err(broken) if world.is_insider(phone) && OF_DEVICE.contains(&broken.promise) => {}
                outcome => outcome?,
            }
        }
        if ends(world) == before {
            return Ok(());
        }
    }
    broken("comes to rest", format!("something still moves after {MOST_ROUNDS} rounds of everyone exchanging"))
}

/// Where every log ends.
fn ends(world: &World) -> Vec<Option<u64>> {
    let honest = (0..world.nodes.len()).filter(|node| !world.is_insider(*node)).map(|node| &world.nodes[node]);
    honest.map(|node| node.book.as_ref().and_then(|book| book.store().log().log_end().ok())).collect()
}

/// One device exchanges until it and the shop are level.
pub(super) fn level(world: &mut World, phone: usize, dice: &mut Dice) -> Result<(), Broken> {
    let room = room(dice);
    for _ in 0..MOST_EXCHANGES {
        let sent_at = world.nodes[phone].moment(world.now_ms);
        let Some(book) = world.nodes[phone].book.as_ref() else { return Ok(()) };
        let request = book.outgoing().offer(&sent_at).map_err(|e| Broken { promise: "offers", seen: e.to_string() })?;
        let request = ExchangeRequest { room, ..request };
        let body = sync_core::sync::write_body(&request, true).map_err(|e| Broken { promise: "offers", seen: e.to_string() })?;
        let Some(answer) = world.at_the_shop(phone, &body, None, dice)? else {
            // A shop put back from before this device was enrolled does not know it: another device carries its word.
            return world.bundle(phone, OFFICE, Way::Through, None, dice);
        };
        match world.at_the_phone(phone, &answer, sent_at, None, dice)? {
            Some(true) => {}
            Some(false) => return Ok(()),
            None => return broken("takes an answer", format!("{} cannot take the shop's answer", world.nodes[phone].name)),
        }
    }
    broken("comes to rest", format!("{} still has more after {MOST_EXCHANGES} exchanges", world.nodes[phone].name))
}

/// Judges what is promised of a crew at rest.
pub(super) fn judge(world: &mut World) -> Result<(), Broken> {
    let Some(shop) = world.nodes[SHOP].book.as_ref() else { return broken("opens again", "the shop's book is closed".to_owned()) };
    let failed = |e: &dyn std::fmt::Display| Broken { promise: "reads", seen: e.to_string() };
    for node in &world.nodes {
        let Some(book) = node.book.as_ref() else { return broken("opens again", format!("the book of {} is closed", node.name)) };
        let faults = book.verify().map_err(|e| failed(&e))?.faults;
        if !faults.is_empty() {
            return broken("verifies", format!("{}: {faults:?}", node.name));
        }
        rows::hold_no_sentence(book, &node.name)?;
    }
    let waiting: Vec<_> = shop.store().quarantine().quarantined().map_err(|e| failed(&e))?;
    let out: BTreeSet<_> = waiting.iter().filter(|q| q.state != QuarantineState::Released).map(|q| (q.doc, q.bytes.clone())).collect();
    // A shop put back from before a device was enrolled, whose card nobody else had yet, does not know it: it enrols anew.
    let roster = shop.roster().map_err(|e| failed(&e))?;
    // Whoever has no role is sent nothing, and so is level with nothing.
    let known = |node: &&Node| roster.devices.contains_key(&node.device) && roster.role_now(node.person).is_some();
    let honest = |node: &&Node| !world.insiders.contains(&node.device);
    for (record, what) in &world.kept {
        let at_shop = world.nodes[SHOP].holds(*record) && !world.stolen(*record);
        let elsewhere = world.nodes.iter().find(|node| node.holds(*record));
        // A revoked device's own word never reaches the shop but by another's: it stays on that device.
        let silent =
            elsewhere.is_some_and(|node| node.revoked) || world.nodes.iter().any(|node| in_quarantine(node.book.as_ref(), *record));
        let on_insiders = (0..world.nodes.len()).any(|node| world.is_insider(node) && world.nodes[node].holds(*record));
        if !at_shop && !silent && !on_insiders {
            return broken("keeps what it kept", format!("{record} ({what}) is not at the shop; on {:?}", elsewhere.map(|n| &n.name)));
        }
        // Where the writer's own phone says that it waits for the office, the office sees it waiting.
        let waits_on = world.nodes.iter().find(|node| waits_on_its_writer(node, *record));
        if let Some(node) = waits_on.filter(|node| known(node) && honest(node) && !node.revoked && !at_shop) {
            return broken("the office sees what waits for it", format!("{record} ({what}) waits on {}, and not at the shop", node.name));
        }
    }
    for node in world.nodes.iter().skip(OFFICE).filter(|node| !node.revoked).filter(known).filter(honest) {
        let Some(book) = node.book.as_ref() else { continue };
        for row in book.store().documents().all().map_err(|e| failed(&e))? {
            let ours = book.store().records().ledger(row.num).map_err(|e| failed(&e))?;
            for entry in ours.entries() {
                let held = book.store().records().held(entry.record.id).map_err(|e| failed(&e))?;
                if held.is_some_and(|held| out.contains(&(row.doc, held.bytes))) {
                    return broken(
                        "keeps out what was refused",
                        format!("{} holds {} of {}", node.name, entry.record.id, entry.record.body.kind()),
                    );
                }
            }
            let Some(there) = shop.store().documents().document(row.doc).map_err(|e| failed(&e))? else {
                return broken("is level", format!("the shop lacks document {} of {}", row.doc, node.name));
            };
            if !shop.store().grants().may_read(node.person, &there).map_err(|e| failed(&e))? {
                continue;
            }
            if there.heads != row.heads {
                return broken("is level", format!("{} has other heads of {} than the shop", node.name, row.doc));
            }
            let (a, b) = (book.store().projections().standings(row.doc), shop.store().projections().standings(row.doc));
            if a.map_err(|e| failed(&e))? != b.map_err(|e| failed(&e))? {
                return broken("is level", format!("{} has other standings of {} than the shop", node.name, row.doc));
            }
        }
    }
    let mut asked = 0;
    for node in &world.nodes {
        asked += ask_the_oracle(node)?;
    }
    world.told.asked += asked;
    world.told.quarantined = waiting.iter().filter(|q| q.state == QuarantineState::Waiting).count();
    Ok(())
}

/// Asks the slow oracle for every slot of every document on a replica; how many it could tell.
fn ask_the_oracle(node: &Node) -> Result<usize, Broken> {
    let failed = |e: &dyn std::fmt::Display| Broken { promise: "reads", seen: e.to_string() };
    let Some(book) = node.book.as_ref() else { return Ok(0) };
    let roster = book.roster().map_err(|e| failed(&e))?;
    let mut asked = 0;
    for row in book.store().documents().all().map_err(|e| failed(&e))? {
        let entries: Vec<_> = book.store().records().ledger(row.num).map_err(|e| failed(&e))?.entries().cloned().collect();
        let oracle = Oracle::over(&entries, roster);
        for standing in book.store().projections().standings(row.doc).map_err(|e| failed(&e))? {
            let Some(slow) = oracle.judge(&standing.slot) else { continue };
            asked += 1;
            if slow != Verdict::from(&standing) {
                let seen = format!("{}, {:?}: {:?}, and slowly {slow:?}", node.name, standing.slot, Verdict::from(&standing));
                return broken("stands as the slow oracle says", seen);
            }
        }
    }
    Ok(asked)
}

impl World {
    /// Whether the shop has something forged under this id.
    fn stolen(&self, record: shared::ids::RecordId) -> bool {
        self.forged.iter().any(|forged| forged.record == record && forged.fate != super::insider::Fate::Out)
    }
}

fn in_quarantine(book: Option<&Book>, record: shared::ids::RecordId) -> bool {
    book.is_some_and(|book| book.store().quarantine().quarantined().is_ok_and(|waiting| waiting.iter().any(|q| q.record == Some(record))))
}

/// Whether a record waits for the office in the quarantine of the device that signed it.
fn waits_on_its_writer(node: &Node, record: shared::ids::RecordId) -> bool {
    let Some(book) = &node.book else { return false };
    let waits = |q: &Quarantined| q.record == Some(record) && q.device == Some(node.device) && q.state == QuarantineState::Waiting;
    book.store().quarantine().quarantined().is_ok_and(|waiting| waiting.iter().any(waits))
}
