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
mod connection_limits;
pub mod error;
pub mod lifecycle;
pub mod limits;
pub mod origin;
mod permissions;
mod serve;
pub mod system;
mod tls;

// A request's way.
mod metrics;
pub mod middleware;
pub mod router;
pub mod state;

mod bearer;
mod concurrency;
mod etag;
mod events;
mod guards;
mod ical;
mod idempotency;
mod json;
mod keyed;
mod openapi;
mod pages;
pub mod pdf;
mod permits;
mod phone;
mod problem_response;
pub mod rate_limit;
mod routes;

pub use config::Config;
pub use error::ServerError;
pub use lifecycle::{Running, start};
pub use limits::Limits;
pub use system::{Clock, SystemClock};
