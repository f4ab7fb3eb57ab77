//! Floods: very many records, or very large ones, into what everybody downloads, into a machine, or into quarantine.

use ciborium::Value;
use shared::ids::DocId;
use shared::record::{Body, Note, UnknownBody, Void};

use super::super::world::{Broken, SHOP, World};
use super::Door;
use super::forge::{Draft, on_genesis};
use crate::crew::Dice;

/// Which document something is written into.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[expect(missing_docs, reason = "each is named after its document")]
pub enum Into {
    Roster,
    Engines,
    Days,
    Machine(usize),
}

/// A body of a kind that nobody knows, as large as asked for.
pub(super) fn unknown(kind: &str, v: u32, bytes: u32) -> Body {
    let zeros = vec![0; usize::try_from(bytes).unwrap_or(0)];
    Body::Unknown(UnknownBody { kind: kind.to_owned(), v, body: Value::Bytes(zeros) })
}

impl World {
    pub(super) fn doc_of(&mut self, into: Into) -> Option<DocId> {
        let shop = self.nodes[SHOP].book.as_ref()?.identity().ok()?.root.shop;
        match into {
            Into::Roster => Some(shop.roster()),
            Into::Engines => Some(shop.engines()),
            Into::Days => Some(shop.days()),
            Into::Machine(n) => self.machine(SHOP, n),
        }
    }

    /// Writes so many records of so many bytes in one change. Small ones into the shop's own documents are notes; those of no size
    /// are voids of nothing, which go to quarantine.
    pub(super) fn flood(&mut self, node: usize, into: Into, records: u16, bytes: u32, dice: &mut Dice) -> Result<(), Broken> {
        let Some(doc) = self.doc_of(into) else { return Ok(()) };
        let body = |n: u16| match bytes {
            0 => Void { target: shared::ids::RecordId::from_bytes([n.to_be_bytes()[1] % 254 + 1; 16]), reason: format!("{n}") }.into(),
            1..=4_000 => Note { text: "x".repeat(usize::try_from(bytes).unwrap_or(1)), visit: None }.into(),
            _ => unknown("x-flood", 1, bytes),
        };
        let before = self.forged.len();
        let mut flood = Vec::with_capacity(usize::from(records));
        for n in 0..records {
            let Some(bytes) = self.forge(node, Draft::new(doc, body(n)), dice) else { return Ok(()) };
            flood.push(bytes);
        }
        // The first stands for all of them: they share one fate.
        self.forged.truncate(before + 1);
        // One change takes 512 records; quarantine takes one record for each change that is refused.
        let size = if bytes == 0 { 1 } else { 512 };
        let recipes = flood.chunks(size).map(|records| on_genesis(doc, records.to_vec(), dice)).collect();
        self.send(node, Door::Shop, vec![(doc, recipes)], dice)
    }
}
