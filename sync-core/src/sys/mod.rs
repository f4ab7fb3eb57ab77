//! What the engine is handed and never takes: time and randomness; and the cores that it may use.

pub mod clock;
pub(crate) mod par_map;
pub mod rng;
