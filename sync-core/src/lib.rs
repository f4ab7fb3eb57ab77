//! The offline engine of the book: signed records, what stands, and the two halves of the exchange.
//!
//! Runs the same on a phone, a laptop and the server. What is absent: no HTTP, no async, no printing, no environment;
//! time and randomness are handed in ([`moment`]). Only [`store`] knows SQLite; only [`replica`] knows Automerge.
//!
//! The loop of a device: [`book::Book::open`], enrol once ([`enrol`]), write ([`work`], [`book::Book::write`]),
//! exchange ([`exchange`]), look ([`view`]). The modules are in the order in which a record passes through them.

#![deny(missing_docs)]

mod cores;
pub mod moment;

// A record, signed; a change, built.
pub mod envelope;
pub mod replica;

// What the records of a document say.
pub mod brief;
mod changes;
pub mod clock;
mod device_clock;
pub mod dispute;
pub mod hours;
pub mod ledger;
pub mod machine;
pub mod plausible;
pub mod reason;
pub mod rights;
pub mod roster;
mod ruling;
mod shop_clock;
pub mod standing;
mod valve_set;
pub mod words;

// Keeping them.
pub mod admission;
mod admitting;
mod allowance;
mod append;
pub mod book;
pub mod delivery;
pub mod frontier;
pub mod identity;
pub mod keeping;
pub mod pictures;
pub mod sealing;
pub mod store;
pub mod together;

// Joining a shop and talking to it.
pub mod bundle;
pub mod enrol;
pub mod exchange;
pub mod feed;
pub mod login;
pub mod shop;

// What people do and see.
pub mod desk;
pub mod photo;
pub mod question;
pub mod reckon;
pub mod view;
pub mod work;
