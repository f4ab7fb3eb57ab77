//! What the phone, the terminal, the office and the server must agree on.
//!
//! Quantities of the trade and what is computed from them, the kinds of record that people state, the
//! roles that may state them, the messages that carry them and the codes that refuse them.
//!
//! What is absent: no clock, no file, no socket, no randomness. Every function here gives the same answer
//! for the same arguments, on every device. Nothing here knows of SQLite, Automerge or HTTP.
//!
//! The modules below are in reading order: quantities, then what an engine asks for, then what is judged,
//! then what is written down, then what travels.

#![deny(missing_docs)]

// Quantities.
pub mod bytes;
pub mod hours;
pub mod ids;
pub mod length;
pub mod sensible;

// The engine and the people.
pub mod bracket;
pub mod engine_card;
pub mod entry;
pub mod leaf;
pub mod passphrase;
pub mod role;
pub mod text;
pub mod valve;

// What is judged.
pub mod cold;
pub mod symptom;
pub mod teach;
pub mod verdict;

pub mod adjuster;
pub mod conformance;
pub mod crank;
pub mod thermal;

// What is followed over time.
pub mod meter;
pub mod usage;

pub mod due;

pub mod carry;
pub mod drift;

pub mod agreement;
pub mod round;

// What is written down.
pub mod cbor;
pub mod record;
pub mod slot;

// What travels.
pub mod picture;
pub mod problem;
pub mod wire;

pub mod caution;
