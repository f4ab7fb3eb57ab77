//! The history, forged as the workload says it: visits of a few records, one device signing a visit, one change a record, each
//! change on the one before. It is handed to the shop as those devices' own offers, and judged like any other.

use std::collections::BTreeMap;

use shared::bytes::{Blob, Bytes16, Bytes32};
use shared::ids::{DocId, RecordId};
use shared::record::{ClockEvidence, Record};
use shared::slot::Slot;
use shared::wire::{DocOffer, ExchangeRequest, MOST_OFFERED, PAGE_BYTES, PROTOCOL, Recipe};
use sync_core::book::Book;
use sync_core::change::replica;
use sync_core::crypto::envelope;
use sync_core::sys::clock::ClockReading;
use sync_core::sys::rng::random;

use super::workload::Line;
use super::{Stopwatch, chance, words};

/// Records of a visit, as in the peers' Automerge documents.
const OF_A_VISIT: usize = 13;
/// A visit's records reach the shop so long after the last of them.
const UNTIL_SENT_MS: i64 = 60_000;
/// The counter of the one operation in a machine's founding change: the genesis has the first, and the card is one record.
const FOUNDING_OP: u64 = 2;

/// What the history is built on.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ground<'g> {
    /// The devices' books, which hold their keys.
    pub(super) crew: &'g [Book],
    /// The document of each machine of the workload.
    pub(super) machines: &'g BTreeMap<String, DocId>,
    /// Each document's heads as it was founded.
    pub(super) heads: &'g BTreeMap<DocId, Vec<Bytes32>>,
}

/// One machine's history while it is told.
struct Told {
    doc: DocId,
    deps: Vec<Bytes32>,
    top_op: u64,
    last_in_slot: BTreeMap<Slot, RecordId>,
    /// Still to be told, the last visit first.
    visits: Vec<Vec<Line>>,
}

/// A visit, forged.
struct Visit {
    doc: DocId,
    recipes: Vec<Recipe>,
    bytes: usize,
}

/// Whoever tells the history.
pub(super) struct Forger<'g> {
    ground: Ground<'g>,
    machines: Vec<Told>,
}

impl<'g> Forger<'g> {
    pub(super) fn new(ground: Ground<'g>, fleet: Vec<Line>) -> Result<Self, String> {
        let mut of_doc: BTreeMap<DocId, Vec<Line>> = BTreeMap::new();
        for line in fleet {
            let doc = ground.machines.get(&line.machine).ok_or_else(|| format!("a record names {}, which is no machine", line.machine))?;
            of_doc.entry(*doc).or_default().push(line);
        }
        let mut machines = Vec::with_capacity(of_doc.len());
        for (doc, mut lines) in of_doc {
            lines.sort_by_key(Line::at_ms);
            let mut visits: Vec<Vec<Line>> = Vec::new();
            for line in lines {
                match visits.last_mut() {
                    Some(visit) if visit.len() < OF_A_VISIT => visit.push(line),
                    _ => visits.push(vec![line]),
                }
            }
            visits.reverse();
            let deps = ground.heads.get(&doc).ok_or("a machine that the office did not found")?.clone();
            machines.push(Told { doc, deps, top_op: FOUNDING_OP, last_in_slot: BTreeMap::new(), visits });
        }
        Ok(Self { ground, machines })
    }

    /// Tells every machine's first visit, then every second one, and so on, and hands them to the shop device by device.
    pub(super) fn write_into(mut self, shop: &mut Book, say: &mut dyn FnMut(&str)) -> Result<(), String> {
        let watch = Stopwatch::start();
        let mut round = 0;
        loop {
            let mut latest_ms = i64::MIN;
            let mut of_device: BTreeMap<usize, Vec<Visit>> = BTreeMap::new();
            for machine in &mut self.machines {
                let Some(lines) = machine.visits.pop() else { continue };
                let Some(first) = lines.first() else { continue };
                let number = first.device()?;
                latest_ms = lines.iter().map(Line::at_ms).fold(latest_ms, i64::max);
                let device = self.ground.crew.get(number).ok_or_else(|| format!("a record names device {number}, and nobody has it"))?;
                of_device.entry(number).or_default().push(machine.visit(device, &lines)?);
            }
            if of_device.is_empty() {
                return Ok(());
            }
            let now = ClockReading::at(latest_ms.saturating_add(UNTIL_SENT_MS));
            let mut changes = 0;
            for (number, visits) in of_device {
                let device = self.ground.crew.get(number).ok_or("a device that was there")?;
                changes += hand_over(shop, device, visits, &now)?;
            }
            round += 1;
            say(&format!("visit {round} of each machine: {changes} changes taken, after {:.1} s of history", watch.wall_ms() / 1000.0));
        }
    }
}

impl Told {
    /// Signs and builds a visit's changes.
    fn visit(&mut self, device: &Book, lines: &[Line]) -> Result<Visit, String> {
        let identity = device.identity().map_err(words)?;
        let actor = Bytes16(random(&mut chance));
        let (mut recipes, mut bytes) = (Vec::with_capacity(lines.len()), 0);
        for (line, seq) in lines.iter().zip(1..) {
            let mut record = Record {
                id: line.id_by(identity.device),
                doc: self.doc,
                by: identity.person,
                measured_by: None,
                at_ms: line.at_ms(),
                clock: ClockEvidence { offset_ms: Some(0), uncertainty_ms: Some(100), ..ClockEvidence::default() },
                seen: Vec::new(),
                body: line.body(),
            };
            if let Some(slot) = Slot::of(&record) {
                record.seen = self.last_in_slot.insert(slot, record.id).into_iter().collect();
            }
            let signed =
                envelope::sign(&record, identity.device, identity.keys().map_err(words)?.record(), identity.root.shop).map_err(words)?;
            bytes += signed.len() + 128;
            let mut recipe = Recipe {
                hash: Bytes32([0; 32]),
                actor,
                seq,
                start_op: self.top_op + 1,
                deps: self.deps.clone(),
                time: record.at_ms,
                records: vec![Blob(signed)],
            };
            recipe.hash = replica::change_hash(self.doc, &recipe).map_err(words)?;
            self.deps = vec![recipe.hash];
            self.top_op += 1;
            recipes.push(recipe);
        }
        Ok(Visit { doc: self.doc, recipes, bytes })
    }
}

/// Hands a device's visits to the shop, as many to a request as one takes; how many changes were taken.
fn hand_over(shop: &mut Book, device: &Book, visits: Vec<Visit>, now: &ClockReading) -> Result<usize, String> {
    let (mut taken, mut changes, mut bytes) = (0, 0, 0);
    let mut batch: Vec<Visit> = Vec::new();
    for visit in visits {
        if !batch.is_empty() && (changes + visit.recipes.len() > MOST_OFFERED || bytes + visit.bytes > PAGE_BYTES) {
            taken += offer(shop, device, std::mem::take(&mut batch), now)?;
            (changes, bytes) = (0, 0);
        }
        changes += visit.recipes.len();
        bytes += visit.bytes;
        batch.push(visit);
    }
    Ok(taken + offer(shop, device, batch, now)?)
}

/// One request of a device, which says that it has never been here, and of which the answer's page is left lying.
fn offer(shop: &mut Book, device: &Book, visits: Vec<Visit>, now: &ClockReading) -> Result<usize, String> {
    let changes: usize = visits.iter().map(|visit| visit.recipes.len()).sum();
    let docs = visits.into_iter().map(offer_of).collect();
    let request = ExchangeRequest {
        v: PROTOCOL,
        device_time: now.wall_ms,
        epoch: None,
        cursor: Default::default(),
        segments: true,
        room: Some(0),
        docs,
    };
    let device = device.identity().map_err(words)?.device;
    let answer = shop.peer().answer(device, &request, now, &mut chance).map_err(words)?;
    if let Some(refusal) = answer.docs.iter().flat_map(|doc| &doc.refused).next() {
        return Err(format!("the shop refused a forged change: {}", refusal.detail));
    }
    // The last change of a visit is named, and with it all of the visit is taken.
    match answer.docs.iter().find(|doc| doc.taken.is_empty()) {
        Some(doc) => Err(format!("the shop did not take what was forged for {}", doc.id)),
        None => Ok(changes),
    }
}

fn offer_of(visit: Visit) -> DocOffer {
    let heads = visit.recipes.last().map(|recipe| recipe.hash).into_iter().collect();
    DocOffer { id: visit.doc, heads, recipes: visit.recipes.into_iter().map(Into::into).collect(), lacking: false }
}
