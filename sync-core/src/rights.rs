//! Who may write what: the one table, for the device that writes, the shop that admits and the phone that checks a bundle.

use shared::ids::PersonId;
use shared::record::{Body, Record};
use shared::role::Role;

/// Which kind of document a document is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Place {
    /// People, devices, roles, assignments, the shop.
    Roster,
    /// Engine cards.
    Engines,
    /// One property.
    Property,
    /// One machine.
    Machine,
    /// The closings of days.
    Days,
}

impl Place {
    /// The place's name in the store.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Roster => "roster",
            Self::Engines => "engines",
            Self::Property => "property",
            Self::Machine => "machine",
            Self::Days => "days",
        }
    }

    /// The place with this name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Roster, Self::Engines, Self::Property, Self::Machine, Self::Days].into_iter().find(|p| p.name() == name)
    }

    /// What kind of document a first record founds.
    #[must_use]
    pub const fn founded_by(body: &Body) -> Option<Self> {
        match body {
            Body::Machine(_) => Some(Self::Machine),
            Body::Property(_) => Some(Self::Property),
            Body::DayClosed(_) => Some(Self::Days),
            _ => None,
        }
    }

    /// Whether a kind of record belongs here. What is not understood belongs anywhere.
    #[must_use]
    pub const fn takes(self, body: &Body) -> bool {
        match body {
            Body::Shop(_) | Body::Person(_) | Body::Role(_) | Body::Device(_) | Body::DeviceRevoked(_) | Body::Assignment(_) => {
                matches!(self, Self::Roster)
            }
            Body::EngineCard(_) => matches!(self, Self::Engines),
            Body::DayClosed(_) => matches!(self, Self::Days),
            Body::Property(_) => matches!(self, Self::Property),
            Body::Machine(_)
            | Body::Visit(_)
            | Body::SignOff(_)
            | Body::Hours(_)
            | Body::MeterChange(_)
            | Body::Clearance(_)
            | Body::Finding(_)
            | Body::FindingCleared(_) => matches!(self, Self::Machine),
            Body::Note(_) | Body::Photo(_) | Body::Void(_) | Body::Ruling(_) | Body::Arrival(_) | Body::Unknown(_) => true,
        }
    }
}

/// What the writer must know of a record that the new one speaks about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Target {
    /// Author and role of the record that a void takes back; `None` where it is not held.
    pub voided: Option<(PersonId, Option<Role>)>,
    /// One of the records that a ruling weighs is the author's own.
    pub rules_own: bool,
    /// The document has a machine card already.
    pub machine_known: bool,
}

/// Why a role may not write a record, in a sentence.
pub type Denied = String;

/// Whether the author, in a role, may write a record.
///
/// # Errors
/// The reason, in a sentence.
pub fn may_write(record: &Record, role: Option<Role>, by_shop: bool, target: &Target) -> Result<(), Denied> {
    if by_shop {
        return match record.body {
            Body::Arrival(_) | Body::Shop(_) | Body::Person(_) | Body::Role(_) | Body::Device(_) => Ok(()),
            _ => Err(format!("the shop's server itself does not write a {}", record.body.kind())),
        };
    }
    let Some(role) = role else {
        return Err(format!("the author has no role in this shop, and a {} needs one", record.body.kind()));
    };
    transcription(record, role)?;
    let only = |roles: &[Role], who: &str| {
        if roles.contains(&role) {
            Ok(())
        } else {
            Err(format!("a {} is for {who} to write, and the author is {role}", record.body.kind()))
        }
    };
    match &record.body {
        Body::Visit(_)
        | Body::Hours(_)
        | Body::MeterChange(_)
        | Body::Clearance(_)
        | Body::Finding(_)
        | Body::Note(_)
        | Body::Photo(_)
        | Body::Unknown(_) => Ok(()),
        Body::SignOff(_) | Body::FindingCleared(_) => only(&[Role::Tech, Role::Lead, Role::Office], "tech, lead or office"),
        Body::Machine(card) if role != Role::Office => match (card.provisional, target.machine_known, role) {
            (true, false, _) | (false, true, Role::Lead) => Ok(()),
            (true, true, _) => Err("this machine is in the book already; changing its card is for the office".to_owned()),
            _ => Err("outside the office a new machine is entered as provisional, and its card is the office's".to_owned()),
        },
        Body::EngineCard(_) | Body::Property(_) | Body::Machine(_) => {
            only(&[Role::Office, Role::Lead], "the office, or for a lead to propose,")
        }
        Body::Void(_) => match target.voided {
            Some((author, author_role)) => may_void(record.by, Some(role), author, author_role),
            None => Err("the record to be voided is not in the book".to_owned()),
        },
        Body::Ruling(_) => {
            only(&[Role::Lead, Role::Office], "a lead or the office")?;
            if role == Role::Lead && target.rules_own {
                return Err("a lead does not rule where one of the readings is their own".to_owned());
            }
            Ok(())
        }
        Body::Shop(_)
        | Body::Person(_)
        | Body::Role(_)
        | Body::Device(_)
        | Body::DeviceRevoked(_)
        | Body::Assignment(_)
        | Body::DayClosed(_) => only(&[Role::Office], "the office"),
        Body::Arrival(_) => Err("an arrival is the shop's own receipt; nobody else writes one".to_owned()),
    }
}

/// The office measures nothing: its readings name who did. Nobody else names another.
fn transcription(record: &Record, role: Role) -> Result<(), Denied> {
    let measures = matches!(record.body, Body::Visit(_) | Body::Hours(_) | Body::MeterChange(_) | Body::Clearance(_) | Body::Finding(_));
    match (role, record.measured_by) {
        (Role::Office, None) if measures => {
            Err(format!("the office writes a {} down for someone: say who measured it", record.body.kind()))
        }
        (Role::Office, _) | (_, None) => Ok(()),
        (_, Some(_)) => Err("only the office writes down what another person measured".to_owned()),
    }
}

/// Whether an author may take a record back: their own; a lead also those of lower roles; the office any.
///
/// # Errors
/// The reason, in a sentence.
pub fn may_void(author: PersonId, role: Option<Role>, target_author: PersonId, target_role: Option<Role>) -> Result<(), Denied> {
    match role {
        Some(Role::Office) => Ok(()),
        Some(_) if author == target_author => Ok(()),
        Some(Role::Lead) if target_role.is_none_or(|r| r.rank() < Role::Lead.rank()) => Ok(()),
        Some(Role::Lead) => Err("a lead takes back their own records and those of lower roles".to_owned()),
        _ => Err("a tech or helper takes back their own records only".to_owned()),
    }
}

/// Whether a record only proposes: a lead's word on a card that is the office's to keep. It never stands by itself.
#[must_use]
pub fn proposes(record: &Record, role: Option<Role>) -> bool {
    role == Some(Role::Lead)
        && match &record.body {
            Body::EngineCard(_) | Body::Property(_) => true,
            Body::Machine(card) => !card.provisional,
            _ => false,
        }
}
