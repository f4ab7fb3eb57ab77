//! Nothing grows beyond what can be handed out, verified and put back. How much that is is told here once more, from the design's
//! figures, and not asked of the program.

use shared::wire::{DocAnswer, ExchangeAnswer, ShortRecipe};
use sync_core::change::decoded_size;
use sync_core::judge::permissions::DocKind;

use super::super::world::{Broken, SHOP, World};

const MIB: u64 = 1024 * 1024;
/// A page of an answer, of changes as they are unpacked; one change by itself may be larger.
const PAGE: u64 = 6 * MIB;
/// The records of one change.
const CHANGE: u64 = MIB;
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

/// How many changes of a document are in an answer, and their bytes; what is packed counts as it is unpacked.
fn weight(answer: &DocAnswer) -> (usize, u64) {
    let loose = answer.recipes.iter().flat_map(|recipe| &recipe.records).map(|record| record.0.len());
    let packed = answer.packs.iter().filter_map(|pack| decoded_size(&pack.0).ok());
    let bytes: usize = loose.chain(packed).sum();
    (answer.recipes.len() + answer.packs.len(), u64::try_from(bytes).unwrap_or(u64::MAX))
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
        let Some(Ok(documents)) = self.nodes[SHOP].book.as_ref().map(|book| book.store().documents()) else { return Ok(()) };
        let over = documents.iter().find(|row| row.size.bytes > most(row.place) + RECEIPTS);
        over.map_or(Ok(()), |row| {
            let seen = format!("the {} {} has {} bytes of records", row.place.name(), row.doc, row.size.bytes);
            Err(Broken { promise: "no document outgrows what can be verified", seen })
        })
    }
}
