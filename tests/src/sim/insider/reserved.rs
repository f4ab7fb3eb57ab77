//! Ids that the shop keeps for itself: a machine founded under the id of the document of days, the roster or the engines.

use shared::ids::PropertyId;
use shared::record::MachineCard;

use super::super::world::{Broken, SHOP, World};
use super::Door;
use super::forge::{Draft, on_genesis};
use crate::crew::Dice;

/// A document of the shop's own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[expect(missing_docs, reason = "each is named after its document")]
pub enum Reserved {
    Days,
    Roster,
    Engines,
}

impl World {
    pub(super) fn found_reserved(&mut self, node: usize, reserved: Reserved, dice: &mut Dice) -> Result<(), Broken> {
        let Some(Ok(identity)) = self.nodes[SHOP].book.as_ref().map(|book| book.identity()) else { return Ok(()) };
        let shop = identity.root.shop;
        let doc = match reserved {
            Reserved::Days => shop.days(),
            Reserved::Roster => shop.roster(),
            Reserved::Engines => shop.engines(),
        };
        let card = MachineCard {
            tag: "nothing".to_owned(),
            description: String::new(),
            property: PropertyId::from_bytes(sync_core::sys::rng::random(dice)),
            engine_card: None,
            cylinders: None,
            duty: shared::engine_card::Duty::Commercial,
            hours_per_week: None,
            provisional: true,
        };
        let Some(bytes) = self.forge(node, Draft::new(doc, card), dice) else { return Ok(()) };
        let recipe = on_genesis(doc, vec![bytes], dice);
        self.send(node, Door::Shop, vec![(doc, vec![recipe])], dice)
    }
}
