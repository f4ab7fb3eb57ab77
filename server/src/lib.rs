//! The shop's server: HTTP around the book, and nothing of the book itself.
//!
//! A request passes [`layers`], finds its route in [`router`], shows its token ([`bearer`]) and is handed to a
//! [`sync_core::server::SharedBook`] ([`state`]). Every refusal leaves through [`problem_response`]. What is absent: no rule
//! of the trade or of the book is decided here, and nothing here knows SQLite or Automerge.
//!
//! Every limit is in [`limits`]. [`start`] is the whole start-up: the binary, the demo and the tests go through it alike.

#![warn(missing_docs)]

// Starting.
pub mod config;
pub mod error;
pub mod limits;
pub mod origin;
pub mod outside;
mod places;
mod private;
pub mod running;
mod serve;
mod tls;

// A request's way.
pub mod layers;
mod measures;
pub mod router;
pub mod state;

mod bearer;
mod etag;
mod events;
mod guards;
mod ical;
mod json;
mod keyed;
mod once;
mod openapi;
pub mod pace;
mod pages;
pub mod paper;
mod phone;
mod problem_response;
mod routes;
mod turns;

pub use config::Config;
pub use error::ServerError;
pub use limits::Limits;
pub use outside::{Clock, SystemClock};
pub use running::{Running, start};
