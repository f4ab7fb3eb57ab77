//! What the engine is handed and never takes: time and randomness; and the cores that it may use.

pub(crate) mod cores;
pub mod moment;
