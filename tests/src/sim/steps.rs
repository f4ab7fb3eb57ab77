//! What can happen.

use std::fmt;

use super::insider::Attack;
use super::weights::Weights;
use crate::crew::Dice;

/// One thing that happens. Numbers name nodes, machines and records by their order, taken round.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Step {
    /// What.
    pub act: Act,
    /// The seed of whatever chance decides within it.
    pub dice: u64,
}

/// Where the power goes during a step: at the `n`th change to the disk.
pub(super) type Cut = Option<u32>;

/// What becomes of a message on its way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// It arrives.
    Through,
    /// It does not.
    Lost,
    /// So many thousandths of it arrive.
    CutAt(u16),
    /// It arrives twice.
    Twice,
    /// It arrives later, out of order.
    Late,
}

/// Kinds of things that happen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Act {
    Wait {
        minutes: u16,
    },
    Read {
        phone: usize,
        machine: usize,
        valve: usize,
        go: i64,
        cut: Cut,
    },
    Hours {
        phone: usize,
        machine: usize,
        tenths: i64,
        cut: Cut,
    },
    Note {
        phone: usize,
        machine: usize,
        cut: Cut,
    },
    AtDesk {
        machine: usize,
        close: bool,
        cut: Cut,
    },
    Void {
        phone: usize,
        record: usize,
        cut: Cut,
    },
    Rule {
        phone: usize,
        machine: usize,
        pick: Option<usize>,
        cut: Cut,
    },
    NewMachine {
        phone: usize,
        cut: Cut,
    },
    Role {
        phone: usize,
        role: usize,
    },
    Revoke {
        phone: usize,
    },
    Yard {
        phone: usize,
        given: bool,
    },
    Join {
        role: usize,
    },
    Window {
        minutes: u32,
    },
    Exchange {
        phone: usize,
        up: Way,
        down: Way,
        shop_cut: Cut,
        phone_cut: Cut,
    },
    LateMail {
        which: usize,
    },
    Bundle {
        from: usize,
        to: usize,
        way: Way,
        cut: Cut,
    },
    Clock {
        phone: usize,
        off_min: i32,
    },
    Reboot {
        node: usize,
    },
    LongLog {
        phone: usize,
    },
    PowerCut {
        node: usize,
    },
    Lie {
        node: usize,
    },
    Full {
        node: usize,
        room: usize,
    },
    ReadOnly {
        node: usize,
    },
    Heal {
        node: usize,
    },
    Backup {
        node: usize,
    },
    Restore {
        node: usize,
        command: bool,
    },
    Clone {
        phone: usize,
    },
    Release {
        which: usize,
        keep_out: bool,
    },
    Find {
        phone: usize,
        machine: usize,
        cut: Cut,
    },
    Clear {
        phone: usize,
        finding: usize,
        cut: Cut,
    },
    /// Two read the same valve while the office, out of reach, has changed the role of one of them.
    Quarrel {
        one: usize,
        other: usize,
        machine: usize,
        role: usize,
    },
    /// An insider tries something.
    Attack {
        insider: usize,
        attack: Attack,
    },
}

/// The steps of a seed; in most stories with an insider or two.
#[must_use]
pub fn steps(seed: u64, count: usize) -> Vec<Step> {
    steps_with(seed, count, usize::try_from(seed % 3).unwrap_or(0))
}

/// The steps of a seed, with so many insiders, by the seed's weights.
#[must_use]
pub fn steps_with(seed: u64, count: usize, insiders: usize) -> Vec<Step> {
    Weights::of(seed).steps(seed, count, insiders)
}

/// An operation in the middle of a step, a near one more often than a far one.
pub(super) fn deep(dice: &mut Dice) -> u32 {
    let most = 1 << ((dice.throw() >> 16) % 8);
    u32::try_from((dice.throw() >> 16) % most).unwrap_or(0)
}

impl fmt::Display for Way {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Through => f.write_str("arrives"),
            Self::Lost => f.write_str("is lost"),
            Self::CutAt(part) => write!(f, "is cut after {part} thousandths"),
            Self::Twice => f.write_str("arrives twice"),
            Self::Late => f.write_str("is held up"),
        }
    }
}
