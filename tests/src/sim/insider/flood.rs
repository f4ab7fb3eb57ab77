//! Floods: very many records, or very large ones, into what everybody downloads, into a machine, or into quarantine.

use ciborium::Value;
use shared::ids::DocId;
use shared::record::{Body, Note, UnknownBody, Void};
use shared::wire::{LARGEST_CHANGE, MOST_RECORDS, Recipe};
use sync_core::sys::rng::CryptoRng;

use super::super::world::{Broken, SHOP, World};
use super::Door;
use super::forge::{Draft, on_genesis, on_top_of};
use crate::crew::Dice;

/// The server takes no request over 8 MiB: so many bytes of records go into one, or so many changes of the largest.
const A_REQUEST: usize = 7 * 1024 * 1024;
const IN_A_REQUEST: usize = A_REQUEST / LARGEST_CHANGE;
/// What a record is longer than what it says, at most.
const ENVELOPE: usize = 512;

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
        // Quarantine takes one record for each change that is refused; all else goes into as few changes as requests have room for.
        let size = if bytes == 0 { 1 } else { (A_REQUEST / (usize::try_from(bytes).unwrap_or(0) + ENVELOPE)).clamp(1, MOST_RECORDS) };
        let recipes: Vec<Recipe> = flood.chunks(size).map(|records| on_genesis(doc, records.to_vec(), dice)).collect();
        let in_a_request = if bytes == 0 { recipes.len() } else { 1 };
        recipes.chunks(in_a_request.max(1)).try_for_each(|few| self.send(node, Door::Shop, vec![(doc, few.to_vec())], dice))
    }

    /// The same in changes that are each taken, as large as one may be, and in requests that are each read. What is written cannot be
    /// compressed.
    pub(super) fn flood_within(&mut self, node: usize, into: Into, records: u16, bytes: u32, dice: &mut Dice) -> Result<(), Broken> {
        let Some(doc) = self.doc_of(into) else { return Ok(()) };
        let size = usize::try_from(bytes).unwrap_or(0);
        let in_a_change = (LARGEST_CHANGE / (size + ENVELOPE)).clamp(1, MOST_RECORDS);
        let before = self.forged.len();
        let mut changes: Vec<Recipe> = Vec::new();
        let mut left = usize::from(records);
        while left > 0 {
            let mut signed = Vec::new();
            for _ in 0..left.min(in_a_change) {
                let mut noise = vec![0; size];
                dice.fill(&mut noise);
                let body = Body::Unknown(UnknownBody { kind: "x-flood".to_owned(), v: 1, body: Value::Bytes(noise) });
                let Some(record) = self.forge(node, Draft::new(doc, body), dice) else { return Ok(()) };
                signed.push(record);
            }
            // The first stands for all of them: each is as lawful as the others.
            self.forged.truncate(before + 1);
            left -= signed.len();
            changes.push(match changes.last() {
                Some(last) => on_top_of(doc, last, signed, dice),
                None => on_genesis(doc, signed, dice),
            });
        }
        changes.chunks(IN_A_REQUEST).try_for_each(|few| self.send(node, Door::Shop, vec![(doc, few.to_vec())], dice))
    }
}
