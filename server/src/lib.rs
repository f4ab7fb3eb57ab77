//! The shop's server: HTTP around the book, and nothing of the book itself.
//!
//! A request passes [`layers`], finds its route in [`router`], shows its token ([`bearer`]) and is handed to a
//! [`sync_core::shop::Shop`] ([`state`]). Every refusal leaves through [`problem_response`]. What is absent: no rule
//! of the trade or of the book is decided here, and nothing here knows SQLite or Automerge.
//!
//! [`start`] is the whole start-up: the binary, the demo and the tests go through it alike.

#![warn(missing_docs)]

// Starting.
pub mod config;
pub mod error;
pub mod outside;
pub mod running;
mod serve;

// A request's way.
pub mod layers;
pub mod router;
pub mod state;

mod bearer;
mod problem_response;
mod routes;
mod tries;

pub use config::Config;
pub use error::ServerError;
pub use outside::{Clock, SystemClock};
pub use running::{Running, start};
