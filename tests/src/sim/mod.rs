//! The simulator: a shop and its crew through everything that a phone in a truck and a server in a back room go through,
//! in one thread, every clock, die, network and disk given. The same seed is the same story, word for word.
//!
//! - `steps`: what can happen, drawn from a seed; each step carries its own dice, so that leaving others out changes
//!   nothing else about it.
//! - `nodes`: the shop and the devices, each a book on a [`crate::disk::Disk`] that fails on purpose.
//! - `world`: lets the steps happen. `post`: what the network does to messages.
//! - `rest`: heals everything, lets all exchange until nothing moves, and judges what is promised.
//! - `shrink`: makes a story that breaks a promise as short as it gets.

mod nodes;
mod post;
mod rest;
mod shrink;
mod steps;
mod world;

pub use shrink::shrink;
pub use steps::{Step, steps};
pub use world::{Broken, Told, tell};
