//! The offline engine of the book: signed records, what stands, and the two halves of the exchange.
//!
//! Runs the same on a phone, a laptop and the server. What is absent: no HTTP, no async, no printing, no environment;
//! time and randomness are handed in ([`sys::clock`]). Only [`store`] knows SQLite; only [`change`] knows Automerge.
//!
//! The loop of a device: [`book::Book::open`], enrol once ([`book::enrol`]), write ([`commands`]), exchange ([`sync`]), look
//! ([`queries`]).
//!
//! The rooms are in order: each imports only from those above it, and `tests/tests/floors.rs` holds them to that.

#![deny(missing_docs)]

pub mod sys;

pub mod judge;

pub mod crypto;

pub mod change;

pub mod store;

pub mod engine;

pub mod book;

pub mod sync;

pub mod queries;

pub mod commands;

pub mod server;
