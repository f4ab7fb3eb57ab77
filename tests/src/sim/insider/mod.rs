//! Insiders: people of the shop whose own program keeps to no rule. They sign with the keys of a device that really enrolled, and
//! send what they forge by the same doors as everybody else: an exchange with the shop, or a bundle on another's phone.
//!
//! Each family of attack has a file of its own, and each attack is a value, so that a story with it can be shortened and told.

mod cards;
mod clocks;
mod deeds;
mod flood;
mod forge;
mod future;
mod names;
mod reading;
mod receipts;
mod reserved;

use std::fmt;

pub use deeds::Deed;
pub use flood::Into;
pub(super) use forge::{Fate, Forged};
pub use reading::{Closed, Way as Opening};
pub(super) use receipts::Pocketed;
pub use reserved::Reserved;

use super::world::{Broken, World};
use crate::crew::Dice;

/// Which of the crew may be an insider: the lead, the two techs, the helper, and the other person of the office.
pub(super) const INSIDERS: [usize; 5] = [2, 3, 4, 5, 6];

/// By which door something forged goes in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Door {
    /// An exchange with the shop.
    Shop,
    /// A bundle on this phone, which then takes it along.
    Phone(usize),
}

/// One thing that an insider tries.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Attack {
    /// Decides something, dated so many minutes back.
    Decides { deed: Deed, back_min: u16, door: Door },
    /// Gets a receipt for a harmless record, in a machine of their own or in the document itself, and signs a decision under the
    /// receipted id.
    Relabels { deed: Deed, door: Door, beside: bool },
    /// Sends again what was relabelled before.
    Replays { door: Door },
    /// Writes the card of another's device, with keys of their own.
    WritesDeviceCard { of: usize, back_min: u16 },
    /// Asks for what is closed to them, with or without writing into it first.
    Opens { closed: Closed, by: Opening },
    /// Founds a document under an id that the shop keeps for itself.
    Founds { reserved: Reserved },
    /// Decides something in a version of its kind that nobody reads yet.
    SendsVersion { deed: Deed, v: u32, door: Door },
    /// Writes a kind that nobody knows.
    SendsUnknown { into: Into },
    /// Lies about how far the clock is off, in minutes.
    LiesAboutClock { offset_min: i32 },
    /// Writes very much, and as much on each of the next days: in as few changes as can be, or in changes that are just small enough,
    /// each on the one before.
    Floods { into: Into, records: u16, bytes: u32, within: bool, days: u8 },
    /// Takes the id of a record that is still on its writer's phone.
    TakesId { record: usize },
    /// Hands in twice, in one change, what somebody else has handed in.
    Repeats { record: usize },
    /// Mixes something forged with something good, on another's phone.
    Mixes { deed: Deed, to: usize },
}

impl Attack {
    /// The attack's family, for counting.
    #[must_use]
    pub const fn family(&self) -> &'static str {
        match self {
            Self::Decides { .. } => "decides",
            Self::Relabels { .. } => "relabels",
            Self::Replays { .. } => "replays",
            Self::WritesDeviceCard { .. } => "writes device cards",
            Self::Opens { .. } => "opens what is closed",
            Self::Founds { .. } => "founds reserved ids",
            Self::SendsVersion { .. } => "sends newer versions",
            Self::SendsUnknown { .. } => "sends unknown kinds",
            Self::LiesAboutClock { .. } => "lies about the clock",
            Self::Floods { .. } => "floods",
            Self::TakesId { .. } => "takes ids",
            Self::Repeats { .. } => "repeats what is held",
            Self::Mixes { .. } => "mixes good and bad",
        }
    }
}

impl fmt::Display for Door {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Shop => f.write_str("hands it to the shop"),
            Self::Phone(_) => f.write_str("puts it on another's phone"),
        }
    }
}

impl World {
    /// An insider tries something.
    pub(super) fn attack(&mut self, insider: usize, attack: &Attack, dice: &mut Dice) -> Result<(), Broken> {
        let node = INSIDERS[insider % INSIDERS.len()];
        self.now_ms += 1_000;
        *self.told.attacks.entry(attack.family()).or_default() += 1;
        let line = format!("    {} {}.", self.nodes[node].name, attack.family());
        self.say(&line);
        // What there is to attack is known to everyone, and so looked up in the shop's own book.
        if self.nodes[node].book(dice).is_none() || self.nodes[super::world::SHOP].book(dice).is_none() {
            return Ok(());
        }
        match *attack {
            Attack::Decides { deed, back_min, door } => self.decide(node, deed, back_min, door, dice),
            Attack::Relabels { deed, door, beside } => self.relabel(node, deed, door, beside, dice),
            Attack::Replays { door } => self.replay(node, door, dice),
            Attack::WritesDeviceCard { of, back_min } => self.write_device_card(node, of, back_min, dice),
            Attack::Opens { closed, by } => self.open_closed(node, closed, by, dice),
            Attack::Founds { reserved } => self.found_reserved(node, reserved, dice),
            Attack::SendsVersion { deed, v, door } => self.send_version(node, deed, v, door, dice),
            Attack::SendsUnknown { into } => self.send_unknown(node, into, dice),
            Attack::LiesAboutClock { offset_min } => self.lie_about_clock(node, offset_min, dice),
            Attack::Floods { into, records, bytes, within, days } => (0..days).try_for_each(|day| {
                self.now_ms += if day == 0 { 0 } else { 86_400_000 };
                if within { self.flood_within(node, into, records, bytes, dice) } else { self.flood(node, into, records, bytes, dice) }
            }),
            Attack::TakesId { record } => self.take_id(node, record, dice),
            Attack::Repeats { record } => self.repeat(node, record, dice),
            Attack::Mixes { deed, to } => self.mix(node, deed, to, dice),
        }
    }
}
