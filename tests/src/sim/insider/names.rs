//! Other people's names and records: an id that somebody else's record has and has not handed in yet, a record that is in the book
//! already, and good records that come in one delivery with bad ones.

use shared::ids::RecordId;
use shared::record::Note;

use super::super::world::{Broken, SHOP, World};
use super::Door;
use super::deeds::Deed;
use super::forge::{Draft, on_genesis, on_top_of};
use crate::crew::Dice;

impl World {
    /// Hands something in under the id of a record that is still on its writer's phone.
    pub(super) fn take_id(&mut self, node: usize, record: usize, dice: &mut Dice) -> Result<(), Broken> {
        let waiting: Vec<RecordId> = self.kept.keys().copied().filter(|id| !self.nodes[SHOP].holds(*id)).collect();
        let (Some(id), Some(doc)) = (waiting.get(record % waiting.len().max(1)).copied(), self.machine(SHOP, 0)) else { return Ok(()) };
        let draft = Draft { id: Some(id), ..Draft::new(doc, Note { text: "instead".to_owned(), visit: None }) };
        let Some(bytes) = self.forge(node, draft, dice) else { return Ok(()) };
        let recipe = on_genesis(doc, vec![bytes], dice);
        self.send(node, Door::Shop, vec![(doc, vec![recipe])], dice)
    }

    /// Hands in somebody's good record twice in one change, which is refused for it.
    pub(super) fn repeat(&mut self, node: usize, record: usize, dice: &mut Dice) -> Result<(), Broken> {
        let Some(shop) = self.nodes[SHOP].book.as_ref() else { return Ok(()) };
        let held: Vec<_> = self.kept.keys().filter_map(|id| shop.store().records().held(*id).ok().flatten()).collect();
        let Some(held) = held.get(record % held.len().max(1)) else { return Ok(()) };
        let (doc, recipe) = (held.doc, on_genesis(held.doc, vec![held.bytes.clone(), held.bytes.clone()], dice));
        self.send(node, Door::Shop, vec![(doc, vec![recipe])], dice)
    }

    /// Puts a bad record and a good one that builds on it on another's phone, which saves the good one; and hands the good one in.
    pub(super) fn mix(&mut self, node: usize, deed: Deed, to: usize, dice: &mut Dice) -> Result<(), Broken> {
        let Some((doc, body)) = self.deed(node, deed, dice) else { return Ok(()) };
        let Some(bad) = self.forge(node, Draft::new(doc, body), dice) else { return Ok(()) };
        let good = Draft::new(doc, Note { text: "a good note".to_owned(), visit: None });
        let Some(good) = self.forge(node, good, dice) else { return Ok(()) };
        let bad = on_genesis(doc, vec![bad], dice);
        let upon = on_top_of(doc, &bad, vec![good.clone()], dice);
        self.send(node, Door::Phone(to), vec![(doc, vec![bad, upon])], dice)?;
        let alone = on_genesis(doc, vec![good], dice);
        self.send(node, Door::Shop, vec![(doc, vec![alone])], dice)
    }
}
