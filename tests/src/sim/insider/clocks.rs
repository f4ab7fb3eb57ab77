//! Evidence that contradicts itself: a reading whose own word about the clock is not what the shop can measure.

use shared::ids::DocId;
use shared::length::Length;
use shared::record::{Clearance, ClockEvidence, Stage};

use super::super::world::{Broken, SHOP, World};
use super::Door;
use super::forge::{Draft, on_genesis};
use crate::crew::Dice;

impl World {
    pub(super) fn lie_about_clock(&mut self, node: usize, offset_min: i32, dice: &mut Dice) -> Result<(), Broken> {
        let Some(doc): Option<DocId> = self.machine(SHOP, 0) else { return Ok(()) };
        let reading = Clearance {
            valve: "1I".parse().expect("valve"),
            stage: Stage::Found,
            go: Some(Length::from_thou(4)),
            no_go: Some(Length::from_thou(5)),
            leaves: vec![],
            cold: true,
            engine_tenth_c: None,
            adjusted: false,
            visit: None,
        };
        let clock = ClockEvidence { offset_ms: Some(i64::from(offset_min) * 60_000), uncertainty_ms: Some(50), ..ClockEvidence::default() };
        let Some(bytes) = self.forge(node, Draft { clock, ..Draft::new(doc, reading) }, dice) else { return Ok(()) };
        let recipe = on_genesis(doc, vec![bytes], dice);
        self.send(node, Door::Shop, vec![(doc, vec![recipe])], dice)
    }
}
