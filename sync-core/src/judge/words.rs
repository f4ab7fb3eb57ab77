//! What the codes of [`crate::judge::reason`] say to people: the one place of these sentences.

use std::fmt::{self, Display, Formatter};

use shared::leaf::check_leaf;
use shared::length::LengthUnit;
use shared::role::Role;
use shared::text::count;

use crate::judge::reason::{Denied, Doubt, Lapse, Reason, Rule, Writers};

/// A span of time as people say it.
#[must_use]
pub fn apart(ms: i64) -> String {
    let seconds = ms.abs() / 1000;
    match seconds {
        0..=59 => format!("{seconds} s"),
        60..=7_199 => format!("{} min", seconds / 60),
        7_200..=172_799 => format!("{} h", seconds / 3_600),
        _ => format!("{} days", seconds / 86_400),
    }
}

impl Display for Reason {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        match self {
            Self::NothingStated => f.write_str("nothing stated"),
            Self::NothingPlausible => f.write_str("nothing plausible stated"),
            Self::OnlyOne => f.write_str("the only reading in question"),
            Self::SetSince => f.write_str("the valve was set after the earlier readings"),
            Self::OthersOlder => f.write_str("older readings lie outside the conflict window"),
            Self::Picked { rule, agree } => {
                if let Some(agree) = agree {
                    write!(f, "{agree} readings agree; ")?;
                }
                among_readings(rule, f)
            }
            Self::TooNear { against, weight } => {
                write!(f, "readings that contradict each other weigh {against} and {weight}, by role and number: too near to tell")
            }
            Self::Ruled { by, why } => {
                let colon = if why.is_empty() { "" } else { ": " };
                write!(f, "ruled by {}{colon}{why}", by.map_or("the office", Role::name))
            }
            Self::RulingsContradict { rule } => {
                f.write_str("rulings contradict each other, and none had seen the other: ")?;
                among_rulings(rule, f)
            }
            Self::Lapsed { ruling, now } => {
                let why = match ruling {
                    Lapse::Unseen => "a reading that the ruling had not seen re-opened it",
                    Lapse::Undone => "the reading that the ruling had let stand was undone",
                };
                write!(f, "{now}; {why}")
            }
        }
    }
}

fn among_readings(rule: &Rule, f: &mut Formatter<'_>) -> fmt::Result {
    let name = |role: &Option<Role>| role.map_or("someone without a role", Role::name);
    match rule {
        Rule::Role { pick, over, apart_ms } => write!(f, "{} over {}, {} apart", name(pick), name(over), apart(*apart_ms)),
        Rule::RoleThoughPerhapsOlder { pick, over } => write!(
            f,
            "{} over {}, though by clocks that cannot tell theirs may be the older by more than the window",
            name(pick),
            name(over)
        ),
        Rule::UnknownOrder { role, apart_ms } => {
            write!(f, "two {}s, {} apart by clocks that cannot tell: order unknown", name(role), apart(*apart_ms))
        }
        Rule::Time { role, apart_ms } => write!(f, "the later of two {}s, {} apart", name(role), apart(*apart_ms)),
        Rule::Id => f.write_str("written at the same time by the same role; the greater id is taken"),
    }
}

fn among_rulings(rule: &Rule, f: &mut Formatter<'_>) -> fmt::Result {
    let name = |role: &Option<Role>| role.map_or("the office", Role::name);
    match rule {
        Rule::Role { pick, over, apart_ms } => write!(f, "{} over {}, {} apart", name(pick), name(over), apart(*apart_ms)),
        Rule::UnknownOrder { apart_ms, .. } => write!(f, "{} apart by clocks that cannot tell: order unknown", apart(*apart_ms)),
        Rule::Time { apart_ms, .. } => write!(f, "the later counts meanwhile, {} apart", apart(*apart_ms)),
        other => among_readings(other, f),
    }
}

impl Display for Doubt {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoRight { denied } => write!(f, "written without the right to it: {denied}"),
            Self::Proposed => f.write_str("proposed by a lead; the office accepts it by a ruling or a card of its own"),
            Self::ThickLeaf { leaf_tenth_um } => match check_leaf(*leaf_tenth_um) {
                Err(why) => f.write_str(&why.in_unit(LengthUnit::Mm)),
                Ok(()) => f.write_str("a leaf that was thicker than any by the program that judged it"),
            },
            Self::NoSuchValve { valve, cylinders } => {
                write!(f, "valve {valve} on an engine with {}", count((*cylinders).into(), "cylinder", "cylinders"))
            }
            Self::Hours { meter, bound, below, likely, new_meter } => {
                if *below {
                    write!(f, "{meter} h is below the {bound} h that the meter showed before")?;
                } else {
                    write!(f, "{meter} h is more than the clock allows (at most {bound} h by then)")?;
                }
                const METER: &str = "a new hour meter? If so, note the change, with the day it was made";
                match (likely, new_meter) {
                    (Some(likely), true) => write!(f, "; {likely} entered as {meter}, or {METER}"),
                    (Some(likely), false) => write!(f, "; {likely} entered as {meter}?"),
                    (None, true) => write!(f, "; {METER}"),
                    (None, false) => Ok(()),
                }
            }
        }
    }
}

impl Display for Denied {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotTheServers { kind } => write!(f, "the shop's server itself does not write a {kind}"),
            Self::NoRole { kind } => write!(f, "the author has no role in this shop, and a {kind} needs one"),
            Self::RoleMayNot { kind, writers, role } => {
                let who = match writers {
                    Writers::Office => "the office",
                    Writers::OfficeOrProposal => "the office, or for a lead to propose,",
                    Writers::LeadOrOffice => "a lead or the office",
                    Writers::NotHelpers => "tech, lead or office",
                };
                write!(f, "a {kind} is for {who} to write, and the author is {role}")
            }
            Self::MachineKnown => f.write_str("this machine is in the book already; changing its card is for the office"),
            Self::NotProvisional => f.write_str("outside the office a new machine is entered as provisional, and its card is the office's"),
            Self::NothingToVoid => f.write_str("the record to be voided is not in the book"),
            Self::OfficesToVoid => f.write_str("what the office alone writes, the office alone undoes"),
            Self::NotLower => f.write_str("a lead undoes their own records and those of lower roles"),
            Self::NotOwn => f.write_str("a tech or helper undoes their own records only"),
            Self::RulesOwn => f.write_str("a lead does not rule where one of the readings is their own"),
            Self::ReceiptIsShops => f.write_str("an arrival is the shop's own receipt; nobody else writes one"),
            Self::DeviceIsShops => f.write_str("a device's card is the shop's own word on an enrolment; nobody else writes one"),
            Self::NobodyMeasured { kind } => write!(f, "the office writes a {kind} down for someone: say who measured it"),
            Self::AnotherMeasured => f.write_str("only the office writes down what another person measured"),
        }
    }
}
