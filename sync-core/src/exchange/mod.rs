//! The exchange: both halves as plain functions. One request and its answer bring a device and the shop level.
//!
//! A device calls [`crate::book::Book::offer`], lets something carry the request, and hands the answer to
//! [`crate::book::Book::take_answer`]; the shop answers with [`crate::book::Book::answer`]. Sending a request twice
//! changes nothing; an answer that is lost is made good by the next one.

mod body;
mod cursor;
mod device;
mod heal;
mod page;
mod shop;
mod vouch;

pub use body::{BodyError, read_body, write_body};
pub use device::{RefusedLine, Report};
