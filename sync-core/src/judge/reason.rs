//! Why a record stands, does not stand by itself, or may not be written: codes with their facts, as they are kept and compared.
//! What they say to people is in [`crate::judge::words`] alone, so that a rewording changes no row of any book.
//!
//! Written for people to read, as in JSON, each carries its sentence beside its code.

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use shared::hours::Hours;
use shared::length::Length;
use shared::role::Role;
use shared::valve::Valve;

/// Why a slot stands as it does.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(remote = "Self", tag = "code", rename_all = "kebab-case")]
pub enum Reason {
    /// Nobody has said anything.
    NothingStated,
    /// Only what does not stand by itself.
    NothingPlausible,
    /// One reading is in question.
    OnlyOne,
    /// What was read before is of a valve that has been set since.
    SetSince,
    /// What was read before is older than the conflict window.
    OthersOlder,
    /// Of several, one was picked.
    Picked {
        /// By which rule.
        #[serde(flatten)]
        rule: Rule,
        /// So many agree; absent where they disagree.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        agree: Option<usize>,
    },
    /// Hour readings contradict each other, and neither side outweighs the other by enough.
    TooNear {
        /// What the readings that count weigh, by role and number.
        against: u64,
        /// What those against them weigh.
        weight: u64,
    },
    /// A ruling decided.
    Ruled {
        /// The role of who ruled.
        by: Option<Role>,
        /// What they gave as their reason.
        why: String,
    },
    /// Rulings contradict each other, and none had seen the other; one of them was picked.
    RulingsContradict {
        /// By which rule.
        #[serde(flatten)]
        rule: Rule,
    },
    /// A ruling decided once, and decides no longer.
    Lapsed {
        /// Why it does not.
        ruling: Lapse,
        /// Why the slot stands as it does without it.
        now: Box<Self>,
    },
}

/// The rule by which one of several was picked over the next best.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "by", rename_all = "kebab-case")]
pub enum Rule {
    /// The higher role.
    Role {
        /// Of the one picked.
        pick: Option<Role>,
        /// Of the other.
        over: Option<Role>,
        /// By corrected time.
        apart_ms: i64,
    },
    /// The higher role, though it may be older than the window: the clocks cannot tell.
    RoleThoughPerhapsOlder {
        /// Of the one picked.
        pick: Option<Role>,
        /// Of the other.
        over: Option<Role>,
    },
    /// The later by clocks that cannot tell which was first.
    UnknownOrder {
        /// Of both.
        role: Option<Role>,
        /// By corrected time.
        apart_ms: i64,
    },
    /// The later.
    Time {
        /// Of both.
        role: Option<Role>,
        /// By corrected time.
        apart_ms: i64,
    },
    /// The greater id: same role, same time.
    Id,
}

/// Why a ruling decides no longer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Lapse {
    /// A reading came that it had not seen.
    Unseen,
    /// The reading that it had let stand was taken back.
    Undone,
}

/// Why a record does not stand by itself.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(remote = "Self", tag = "code", rename_all = "kebab-case")]
pub enum Doubt {
    /// Its author had not the right to it.
    NoRight {
        /// Why not.
        denied: Denied,
    },
    /// A lead proposes it; the office accepts it, or not.
    Proposed,
    /// A leaf thicker than any that is used on valves.
    ThickLeaf {
        /// How thick.
        leaf_tenth_um: Length,
    },
    /// A valve that the engine does not have.
    NoSuchValve {
        /// Which.
        valve: Valve,
        /// How many cylinders the engine has.
        cylinders: u8,
    },
    /// An hour reading that does not fit the others.
    Hours {
        /// What was read.
        #[serde(rename = "meter_tenth_h")]
        meter: Hours,
        /// The nearest that would fit, by the readings around it and the clock.
        #[serde(rename = "bound_tenth_h")]
        bound: Hours,
        /// It is below what the meter showed before; otherwise above what the clock allows.
        below: bool,
        /// What may have been meant, with a digit too many or two exchanged.
        #[serde(rename = "likely_tenth_h", default, skip_serializing_if = "Option::is_none")]
        likely: Option<Hours>,
        /// A new meter would explain it.
        new_meter: bool,
    },
}

/// Why somebody may not write a record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "code", rename_all = "kebab-case")]
pub enum Denied {
    /// The shop's own server does not write this kind.
    NotTheServers {
        /// Of record.
        kind: String,
    },
    /// The author has no role.
    NoRole {
        /// Of record.
        kind: String,
    },
    /// Only some roles write this kind.
    RoleMayNot {
        /// Of record.
        kind: String,
        /// Who may.
        writers: Writers,
        /// The author's.
        role: Role,
    },
    /// The machine is in the book, and its card is the office's.
    MachineKnown,
    /// A machine that is entered outside the office is provisional.
    NotProvisional,
    /// What is to be taken back is not in the book.
    NothingToVoid,
    /// What the office alone writes, the office alone takes back.
    OfficesToVoid,
    /// A lead takes back what is their own or of a lower role.
    NotLower,
    /// A tech or helper takes back what is their own.
    NotOwn,
    /// A lead does not rule on their own reading.
    RulesOwn,
    /// The shop alone signs receipts.
    ReceiptIsShops,
    /// The shop alone signs for devices.
    DeviceIsShops,
    /// The office measures nothing: whoever did is named.
    NobodyMeasured {
        /// Of record.
        kind: String,
    },
    /// Nobody but the office names another who measured.
    AnotherMeasured,
}

/// Who writes a kind of record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Writers {
    /// The office.
    Office,
    /// The office, and leads as a proposal.
    OfficeOrProposal,
    /// Leads and the office.
    LeadOrOffice,
    /// All but helpers.
    NotHelpers,
}

impl Writers {
    /// Their roles.
    #[must_use]
    pub const fn roles(self) -> &'static [Role] {
        match self {
            Self::Office => &[Role::Office],
            Self::OfficeOrProposal | Self::LeadOrOffice => &[Role::Office, Role::Lead],
            Self::NotHelpers => &[Role::Tech, Role::Lead, Role::Office],
        }
    }
}

/// A code as it is written for people: beside it stand its facts, by the code, and its sentence.
#[cfg(feature = "schema")]
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct Worded {
    /// What a program goes by.
    pub code: String,
    /// What people read.
    pub words: String,
}

/// Writes a code with its facts; where people may read it, with its sentence.
macro_rules! said {
    ($($code:ty),+) => {$(
        impl Serialize for $code {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                /// A code beside its sentence.
                #[derive(Serialize)]
                struct Said<'a> {
                    #[serde(flatten, serialize_with = "coded")]
                    code: &'a $code,
                    words: String,
                }
                fn coded<S: Serializer>(code: &&$code, serializer: S) -> Result<S::Ok, S::Error> {
                    <$code>::serialize(code, serializer)
                }
                if serializer.is_human_readable() {
                    Said { code: self, words: self.to_string() }.serialize(serializer)
                } else {
                    <$code>::serialize(self, serializer)
                }
            }
        }

        impl<'de> Deserialize<'de> for $code {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                <$code>::deserialize(deserializer)
            }
        }
    )+};
}

said!(Reason, Doubt);

#[cfg(test)]
mod tests {
    use shared::hours::Hours;

    use super::*;

    fn reasons() -> Vec<Reason> {
        let (pick, over, apart_ms) = (Some(Role::Lead), Some(Role::Tech), 840_000);
        let picked = |rule, agree| Reason::Picked { rule, agree };
        vec![
            Reason::NothingStated,
            Reason::SetSince,
            picked(Rule::Role { pick, over, apart_ms }, None),
            picked(Rule::RoleThoughPerhapsOlder { pick, over: None }, None),
            picked(Rule::UnknownOrder { role: over, apart_ms }, Some(2)),
            picked(Rule::Id, Some(3)),
            Reason::TooNear { against: 4, weight: 2 },
            Reason::Ruled { by: Some(Role::Office), why: "photo".into() },
            Reason::RulingsContradict { rule: Rule::Time { role: pick, apart_ms } },
            Reason::Lapsed { ruling: Lapse::Unseen, now: Box::new(Reason::OnlyOne) },
        ]
    }

    fn doubts() -> Vec<Doubt> {
        let hours = |likely, new_meter| Doubt::Hours {
            meter: Hours::from_tenths(152_340),
            bound: Hours::from_tenths(15_300),
            below: false,
            likely,
            new_meter,
        };
        vec![
            Doubt::NoRight { denied: Denied::RoleMayNot { kind: "ruling".into(), writers: Writers::LeadOrOffice, role: Role::Helper } },
            Doubt::Proposed,
            Doubt::ThickLeaf { leaf_tenth_um: Length::from_tenth_um(20_000) },
            hours(Some(Hours::from_tenths(15_234)), true),
            hours(None, false),
        ]
    }

    /// Kept as codes and facts, and the same again; no sentence goes into a row.
    #[test]
    fn what_is_kept_has_no_words_and_comes_back() {
        for reason in reasons() {
            let kept = rmp_serde::to_vec_named(&reason).unwrap();
            assert_eq!(rmp_serde::from_slice::<Reason>(&kept).unwrap(), reason);
            let words = reason.to_string();
            assert!(!kept.windows(words.len()).any(|part| part == words.as_bytes()), "{words}");
        }
        for doubt in doubts() {
            let kept = rmp_serde::to_vec_named(&doubt).unwrap();
            assert_eq!(rmp_serde::from_slice::<Doubt>(&kept).unwrap(), doubt);
            let words = doubt.to_string();
            assert!(!kept.windows(words.len()).any(|part| part == words.as_bytes()), "{words}");
        }
    }

    #[test]
    fn what_people_read_has_the_sentence_beside_the_code() {
        let lead = serde_json::to_value(&reasons()[2]).unwrap();
        let facts = serde_json::json!({
            "code": "picked", "by": "role", "pick": "lead", "over": "tech", "apart_ms": 840_000, "words": "lead over tech, 14 min apart",
        });
        assert_eq!(lead, facts);
        let slip = serde_json::to_value(&doubts()[3]).unwrap();
        assert_eq!((slip["code"].as_str(), slip["likely_tenth_h"].as_i64()), (Some("hours"), Some(15_234)));
        let said = "15234.0 h is more than the clock allows (at most 1530.0 h by then); 1523.4 entered as 15234.0, or a new hour meter? If \
                    so, note the change, with the day it was made";
        assert_eq!(slip["words"], said);
        for reason in reasons() {
            let read: Reason = serde_json::from_value(serde_json::to_value(&reason).unwrap()).unwrap();
            assert_eq!(read, reason);
        }
    }
}
