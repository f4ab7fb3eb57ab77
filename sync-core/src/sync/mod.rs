//! The exchange: both halves as plain functions. One request and its answer bring a device and the shop level.
//!
//! A device calls [`Outgoing::offer`], lets something carry the request, and hands the answer to [`Peer::take_answer`]; the shop
//! answers with [`Peer::answer`]. Sending a request twice changes nothing; an answer that is lost is made good by the next one.

mod attestation;
mod body;
pub mod bundle;
mod client;
mod closed;
mod cursor;
mod page;
mod peer;
mod rebase;
mod receipts;
mod release;
mod server;

use std::collections::BTreeSet;

use shared::ids::DocId;

pub use body::{BodyError, read_body, read_request, write_body};
pub use client::{RefusedLine, Report};
pub use cursor::LogEnd;
pub use peer::{Outgoing, Peer};

/// Whether each document is named once. Rows of one named twice would be derived twice at a time, and the older kept last.
fn each_once(docs: impl Iterator<Item = DocId>) -> bool {
    let mut named = BTreeSet::new();
    docs.into_iter().all(|doc| named.insert(doc))
}
