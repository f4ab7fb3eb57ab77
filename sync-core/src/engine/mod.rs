//! The one place that joins the store and the judge: whether what is offered comes in, how it is kept, and the rows that are made
//! of it.

mod error;

// What comes in from outside.
pub(crate) mod allowance;
pub mod incoming;
pub(crate) mod ingest;
pub mod validate;

// How it is kept.
pub(crate) mod append;
pub(crate) mod bootstrap;
pub mod projection;

// Whether it is what it should be.
mod audit;

pub(crate) use audit::verify;
pub use audit::{Verification, rebuild};
pub use error::BookError;
