//! The simulator: a shop and its crew through everything that a phone in a truck and a server in a back room go through,
//! in one thread, every clock, die, network and disk given. The same seed is the same story, word for word.
//!
//! - `steps`: what can happen, drawn from a seed; each step carries its own dice, so that leaving others out changes
//!   nothing else about it.
//! - `weights`: how often each of it happens.
//! - `nodes`: the shop and the devices, each a book on a [`crate::disk::Disk`] that fails on purpose.
//! - `world`: the shop and everything around it. `acts`: the steps as they happen; `travel`: messages and files on their way,
//!   `post` what the network does to them; `lives`: what befalls the books themselves.
//! - `insider`: people whose own program forges; `promises`: what is promised against them, judged by who was granted what.
//! - `rest`: heals everything, lets all exchange until nothing moves, and judges what is promised.
//! - `rows`: what is derived and kept has no sentence in it.
//! - `told`: what stories came to.
//! - `shrink`: makes a story that breaks a promise as short as it gets.

mod acts;
mod insider;
mod lives;
mod nodes;
mod post;
mod promises;
mod rest;
mod rows;
mod shrink;
mod steps;
mod told;
mod travel;
mod weights;
mod world;

pub use insider::{Attack, Closed, Deed, Door, Into, Opening, Reserved};
pub use shrink::shrink;
pub use steps::{Act, Step, Way, steps, steps_with};
pub use told::{Seam, Told};
pub use weights::Weights;
pub use world::{Broken, tell};
