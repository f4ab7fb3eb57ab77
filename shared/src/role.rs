//! Roles, and their order when readings disagree.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

/// What a person may do, and how much their reading weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Keeps cards, people and devices; rules; measures nothing and only transcribes paper sheets.
    Office,
    /// Measures beside someone.
    Helper,
    /// Measures, signs visits off.
    Tech,
    /// Measures, signs off, rules where no reading of their own is in question.
    Lead,
}

/// A text that names no role.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{given}\" is not a role: the roles are lead, tech, helper and office")]
pub struct RoleError {
    /// What was given.
    pub given: String,
}

impl Role {
    /// Every role, highest first.
    pub const ALL: [Self; 4] = [Self::Lead, Self::Tech, Self::Helper, Self::Office];

    /// Weight of a reading by this role: lead 3, tech 2, helper 1, office transcription 0.
    #[must_use]
    pub const fn rank(self) -> u8 {
        match self {
            Self::Lead => 3,
            Self::Tech => 2,
            Self::Helper => 1,
            Self::Office => 0,
        }
    }

    /// The role's name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Lead => "lead",
            Self::Tech => "tech",
            Self::Helper => "helper",
            Self::Office => "office",
        }
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

impl FromStr for Role {
    type Err = RoleError;
    fn from_str(text: &str) -> Result<Self, RoleError> {
        let given = text.trim().to_ascii_lowercase();
        Self::ALL.into_iter().find(|role| role.name() == given).ok_or_else(|| RoleError { given: text.to_owned() })
    }
}
