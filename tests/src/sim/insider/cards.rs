//! Device cards that the shop never signed: another's device taken over with keys of one's own, and a device that never enrolled.

use shared::record::Device;

use super::super::world::{Broken, SHOP, World};
use super::Door;
use super::forge::{Draft, on_genesis};
use crate::crew::Dice;

impl World {
    pub(super) fn write_device_card(&mut self, node: usize, of: usize, back_min: u16, dice: &mut Dice) -> Result<(), Broken> {
        let victim = self.nodes[self.phone(of)].device;
        let Some(shop) = self.nodes[SHOP].book.as_ref() else { return Ok(()) };
        let Ok(roster) = shop.roster() else { return Ok(()) };
        let Some(own) = roster.devices.get(&self.nodes[node].device) else { return Ok(()) };
        let card = Device { device: victim, ..own.card.clone() };
        let doc = roster.root.shop.roster();
        let draft = Draft { back_ms: i64::from(back_min) * 60_000, ..Draft::new(doc, card) };
        let Some(bytes) = self.forge(node, draft, dice) else { return Ok(()) };
        let recipe = on_genesis(doc, vec![bytes], dice);
        self.send(node, Door::Shop, vec![(doc, vec![recipe])], dice)
    }
}
