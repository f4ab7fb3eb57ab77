//! Kinds and versions of the future: a known kind under a version that nobody reads yet, and kinds that nobody knows.

use shared::record::{Body, UnknownBody};

use super::super::world::{Broken, World};
use super::Door;
use super::deeds::Deed;
use super::flood::{Into, unknown};
use super::forge::{Draft, on_genesis};
use crate::crew::Dice;

impl World {
    pub(super) fn send_version(&mut self, node: usize, deed: Deed, v: u32, door: Door, dice: &mut Dice) -> Result<(), Broken> {
        let Some((doc, body)) = self.deed(node, deed, dice) else { return Ok(()) };
        let Ok(value) = body.to_value() else { return Ok(()) };
        let newer = Body::Unknown(UnknownBody { kind: body.kind().to_owned(), v: v.max(body.version() + 1), body: value });
        let Some(bytes) = self.forge(node, Draft::new(doc, newer), dice) else { return Ok(()) };
        let recipe = on_genesis(doc, vec![bytes], dice);
        self.send(node, door, vec![(doc, vec![recipe])], dice)
    }

    pub(super) fn send_unknown(&mut self, node: usize, into: Into, dice: &mut Dice) -> Result<(), Broken> {
        let Some(doc) = self.doc_of(into) else { return Ok(()) };
        let Some(bytes) = self.forge(node, Draft::new(doc, unknown("x-decree", 1, 40)), dice) else { return Ok(()) };
        let recipe = on_genesis(doc, vec![bytes], dice);
        self.send(node, Door::Shop, vec![(doc, vec![recipe])], dice)
    }
}
