//! What the records of a document say: who may write what, what time it was, what stands. Pure: a function of the records and the
//! roster, which knows `shared` only. The modules are in the order in which a record is judged.

pub mod ledger;

// When, by whom, with what right.
pub mod corrected_time;
pub mod permissions;
pub mod roster;
mod shop_time;

// What stands in a slot.
mod changes;
pub mod dispute;
pub mod hours;
pub mod plausible;
pub mod reason;
pub(crate) mod ruling;
pub mod standing;
pub(crate) mod valve_set;
pub mod words;

// What a machine comes to.
pub mod machine;
pub mod machine_summary;
