//! Kinds that settle what stands: voids and rulings.

use serde::{Deserialize, Serialize};

use super::{Check, MOST_NAMED, optional_text, text};
use crate::ids::RecordId;
use crate::slot::{LONGEST_SLOT, Slot};

/// A record taken back. It stays in the book as history.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Void {
    /// Which record.
    pub target: RecordId,
    /// Why, in words.
    pub reason: String,
}

/// What a ruling decides.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Decision {
    /// This record stands.
    Stands(RecordId),
    /// None of them: measure again.
    Recheck,
}

/// The office's or lead's decision on a contested slot.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Ruling {
    /// Which slot of this document.
    pub slot: Slot,
    /// The records that were weighed: it decides while these are all the contenders.
    pub of: Vec<RecordId>,
    /// What is decided.
    pub decision: Decision,
    /// Why, in words.
    pub reason: String,
}

impl Check for Void {
    fn check(&self) -> Result<(), String> {
        text("reason", &self.reason)
    }
}

impl Check for Ruling {
    fn check(&self) -> Result<(), String> {
        optional_text("reason", &self.reason)?;
        let name = self.slot.to_string();
        optional_text("slot", &name)?;
        if name.len() > LONGEST_SLOT {
            return Err("the ruling's slot has no such long name".to_owned());
        }
        if self.of.is_empty() || self.of.len() > MOST_NAMED {
            return Err(format!("a ruling weighs 1 to {MOST_NAMED} records"));
        }
        match self.decision {
            Decision::Stands(id) if !self.of.contains(&id) => Err("a ruling picks one of the records that it weighs".to_owned()),
            _ => Ok(()),
        }
    }
}
