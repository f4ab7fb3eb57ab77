//! Changes: how a recipe becomes an Automerge change, and how recipes become bytes for a row. Only this room knows Automerge.

pub(crate) mod pack;
pub mod replica;

pub use pack::{PackError, unpack, unpacked_size};
