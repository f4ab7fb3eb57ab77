//! Changes: how a recipe becomes an Automerge change, and how recipes become bytes for a row. Only this room knows Automerge.

pub mod replica;
pub(crate) mod segment_codec;

pub use segment_codec::{SegmentError, decode, decoded_size};
