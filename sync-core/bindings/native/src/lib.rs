//! The kit behind UniFFI: one object, [`TappetKit`], for Kotlin, Swift and Python.
//!
//! Holds no rule of the trade or of the book, and no screen: each method takes plain values, asks [`tappet_kit::Kit`], and
//! gives a small record, or JSON text where the view is big. That JSON is what the server gives for the same thing: its OpenAPI
//! description (`/docs` of a running server) names the fields. New fields may come; read past what you do not know.
//!
//! What is absent: no HTTP (a [`Call`] says what to send, the answer's bytes come back in), no threads. Every method may
//! be called from any thread, one is done at a time, and those that write wait for the disk: not on the thread that draws.
//!
//! Lengths are whole tenths of a micrometre (1 thou = 254), hours tenths, times ms since 1970 UTC, ids the text form of a UUID.

#![deny(missing_docs)]

mod asking;
mod crossing;
mod device;
mod error;
mod kit;
mod opening;
mod photos;
mod plain;
mod status;
mod work;

pub use error::{TappetError, WatchError};
pub use kit::{TappetKit, Watcher};
pub use opening::salvage;
pub use plain::{
    BundleMade, BundleTaken, Call, Enrolled, Exchanged, Finished, Grade, HoursKept, LeafTried, Leaves, LengthRead, LengthUnit, LogIn,
    Moved, NewReading, NewVisit, NextLeaf, PhotoKept, PhotoOf, PhotoWaiting, ReadingKept, Refused, Salvaged, Stage, Turn, TurnRange,
    Verdict, VisitOpened,
};
pub use status::{KeysAtRest, Status};
pub use work::deference;

uniffi::setup_scaffolding!("tappet_kit");
