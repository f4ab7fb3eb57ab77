//! Nothing grows beyond what can be handed out, verified and put back. How much that is is told here once more, from the design's
//! figures, and not asked of the program.

use std::collections::BTreeMap;

use shared::ids::DeviceId;
use shared::role::Role;
use shared::wire::{DocAnswer, ExchangeAnswer, ShortRecipe};
use sync_core::change::decoded_size;
use sync_core::judge::permissions::DocKind;
use sync_core::store::DocumentRow;

use super::super::world::{Broken, SHOP, World};

const MIB: u64 = 1024 * 1024;
/// A page of an answer, of changes as they are unpacked; one change by itself may be larger.
const PAGE: u64 = 6 * MIB;
/// The records of one change.
const CHANGE: u64 = MIB;
/// What a device brings in a day; of that, into the documents that every device has; and so where it is the office's.
const A_DAY: u64 = 16 * MIB;
const A_DAY_COMMON: u64 = MIB / 4;
const A_DAY_COMMON_OFFICE: u64 = 8 * MIB;
/// Beside the crew's and the office's room: receipts. A story has a few thousand records, at some 70 bytes each.
const RECEIPTS: u64 = MIB;

/// The most bytes of records that a document may come to.
const fn most(place: DocKind) -> u64 {
    match place {
        DocKind::Days => 132 * MIB,
        DocKind::Machine | DocKind::Property => 24 * MIB,
        DocKind::Roster | DocKind::Engines => 20 * MIB,
    }
}

/// Bytes of records that a device brought in a day.
#[derive(Debug, Clone, Copy, Default)]
struct Brought {
    all: u64,
    common: u64,
}

/// How many changes of a document are in an answer, and their bytes; what is packed counts as it is unpacked.
fn weight(answer: &DocAnswer) -> (usize, u64) {
    let loose = answer.recipes.iter().flat_map(|recipe| &recipe.records).map(|record| record.0.len());
    let packed = answer.segments.iter().filter_map(|segment| decoded_size(&segment.0).ok());
    let bytes: usize = loose.chain(packed).sum();
    (answer.recipes.len() + answer.segments.len(), u64::try_from(bytes).unwrap_or(u64::MAX))
}

impl World {
    /// Looks at what the shop sends: a phone, and the server beside all others, holds the whole of it.
    pub(in crate::sim) fn watch_size(&self, phone: usize, answer: &ExchangeAnswer) -> Result<(), Broken> {
        let (changes, bytes) = answer.docs.iter().map(weight).fold((0, 0_u64), |sum, doc| (sum.0 + doc.0, sum.1.saturating_add(doc.1)));
        if bytes > PAGE && changes > 1 {
            let seen = format!("the shop sent {} an answer of {changes} changes with {bytes} bytes", self.nodes[phone].name);
            return Err(Broken { promise: "an answer is no larger than a page", seen });
        }
        let of_one = |recipe: &ShortRecipe| recipe.records.iter().map(|record| record.0.len() as u64).sum::<u64>();
        let largest = answer.docs.iter().flat_map(|doc| &doc.recipes).map(of_one).max().unwrap_or_default();
        if largest > CHANGE {
            let seen = format!("the shop took a change of {largest} bytes, and hands it to {}", self.nodes[phone].name);
            return Err(Broken { promise: "no change is larger than may be handed on", seen });
        }
        Ok(())
    }

    /// Looks at the shop's documents.
    pub(super) fn within_bounds(&self) -> Result<(), Broken> {
        let Some(Ok(documents)) = self.nodes[SHOP].book.as_ref().map(|book| book.store().documents().all()) else { return Ok(()) };
        if let Some(row) = documents.iter().find(|row| row.size.bytes > most(row.place) + RECEIPTS) {
            let seen = format!("the {} {} has {} bytes of records", row.place.name(), row.doc, row.size.bytes);
            return Err(Broken { promise: "no document outgrows what can be verified", seen });
        }
        for ((device, day), brought) in self.brought_by_insiders(&documents) {
            if brought.all > A_DAY || brought.common > self.common_of_a_day(device) {
                let seen =
                    format!("on day {day} {device} brought {} bytes, {} of them into the common documents", brought.all, brought.common);
                return Err(Broken { promise: "a device brings only so much in a day", seen });
            }
        }
        Ok(())
    }

    /// What a device may bring in a day into the documents that every device has.
    fn common_of_a_day(&self, device: DeviceId) -> u64 {
        let person = self.nodes.iter().find(|node| node.device == device).map(|node| node.person);
        let now = |person| self.nodes[SHOP].book.as_ref().and_then(|book| book.roster().ok()?.role_now(person));
        let ever = |person| self.grants.iter().any(|grant| grant.person == person && grant.role == Some(Role::Office));
        let of_office = person.is_none_or(|person| ever(person) || now(person) == Some(Role::Office));
        if of_office { A_DAY_COMMON_OFFICE } else { A_DAY_COMMON }
    }

    /// What the shop has of each insider's device, by the day of its receipt.
    fn brought_by_insiders(&self, documents: &[DocumentRow]) -> BTreeMap<(DeviceId, i64), Brought> {
        let mut brought: BTreeMap<(DeviceId, i64), Brought> = BTreeMap::new();
        let Some(book) = self.nodes[SHOP].book.as_ref() else { return brought };
        for row in documents {
            let Ok(ledger) = book.store().records().ledger(row.num) else { continue };
            for entry in ledger.entries().filter(|entry| self.insiders.contains(&entry.device)) {
                // What the office let in from quarantine took no room on that day.
                let Some(receipt) = ledger.receipt(entry.record.id).filter(|receipt| !receipt.released) else { continue };
                let bytes = book.store().records().held(entry.record.id).ok().flatten().map_or(0, |held| held.bytes.len() as u64);
                let of_day = brought.entry((entry.device, receipt.at_ms.div_euclid(86_400_000))).or_default();
                of_day.all += bytes;
                of_day.common += if matches!(row.place, DocKind::Roster | DocKind::Engines) { bytes } else { 0 };
            }
        }
        brought
    }
}
