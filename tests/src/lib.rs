//! What the cross-crate tests share: a shop and its devices in one thread, stepped by hand, every clock and every random
//! byte given. The exchange runs through the very bodies that travel.

mod crew;
pub mod disk;
pub mod fleet;
pub mod load;
pub mod oracle;
pub mod sim;

pub use crew::{Crew, Dice, MORNING as MORNING_MS, Phone, engine_card};
