//! The server over HTTP: its routes called in-process, and over a real socket. One binary, so that it links once.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod again;
mod attacks;
mod browser;
#[path = "../common/certs.rs"]
mod certs;
mod closed;
mod days;
mod description;
mod exchanging;
mod exports;
mod found;
mod guards;
mod history;
mod joining;
mod limits;
mod lists;
mod live;
mod lockouts;
mod looking;
mod matters;
mod pace;
mod pages_guards;
mod pages_shown;
mod pages_steps;
mod paper;
mod photos;
mod quarantine;
mod reckoning;
mod refused;
#[path = "../../../shared/tests/slips.rs"]
mod slips;
mod socket;
mod support;
mod surround;
mod tls;
mod tricks;
mod watching;
mod wire;
