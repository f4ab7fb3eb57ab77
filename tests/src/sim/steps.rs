//! What can happen, and how a seed draws it.

use std::fmt;

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
    Wait { minutes: u16 },
    Read { phone: usize, machine: usize, valve: usize, go: i64, cut: Cut },
    Hours { phone: usize, machine: usize, tenths: i64, cut: Cut },
    Note { phone: usize, machine: usize, cut: Cut },
    AtDesk { machine: usize, close: bool, cut: Cut },
    Void { phone: usize, record: usize, cut: Cut },
    Rule { phone: usize, machine: usize, pick: Option<usize>, cut: Cut },
    NewMachine { phone: usize, cut: Cut },
    Role { phone: usize, role: usize },
    Revoke { phone: usize },
    Yard { phone: usize, given: bool },
    Join { role: usize },
    Window { minutes: u32 },
    Exchange { phone: usize, up: Way, down: Way, shop_cut: Cut, phone_cut: Cut },
    LateMail { which: usize },
    Bundle { from: usize, to: usize, way: Way, cut: Cut },
    Clock { phone: usize, off_min: i32 },
    Reboot { node: usize },
    PowerCut { node: usize },
    Lie { node: usize },
    Full { node: usize, room: usize },
    ReadOnly { node: usize },
    Heal { node: usize },
    Backup { node: usize },
    Restore { node: usize, command: bool },
    Clone { phone: usize },
    Release { which: usize, keep_out: bool },
}

/// The steps of a seed.
#[must_use]
pub fn steps(seed: u64, count: usize) -> Vec<Step> {
    let mut dice = Dice::new(seed);
    for _ in 0..4 {
        dice.throw();
    }
    (0..count).map(|_| Step { act: act(&mut dice), dice: dice.throw() }).collect()
}

fn below(dice: &mut Dice, n: u64) -> u64 {
    (dice.throw() >> 16) % n
}

fn index(dice: &mut Dice, n: u64) -> usize {
    usize::try_from(below(dice, n)).unwrap_or(0)
}

fn one_in(dice: &mut Dice, n: u64) -> bool {
    below(dice, n) == 0
}

fn cut(dice: &mut Dice) -> Cut {
    one_in(dice, 12).then(|| u32::try_from(below(dice, 14)).unwrap_or(0))
}

fn way(dice: &mut Dice) -> Way {
    match below(dice, 14) {
        0 => Way::Lost,
        1 => Way::CutAt(u16::try_from(below(dice, 1000)).unwrap_or(0)),
        2 => Way::Twice,
        3 => Way::Late,
        _ => Way::Through,
    }
}

fn small(dice: &mut Dice, n: u64) -> i64 {
    i64::try_from(below(dice, n)).unwrap_or(0)
}

fn act(dice: &mut Dice) -> Act {
    let node = index(dice, 64);
    let phone = index(dice, 64);
    let machine = index(dice, 64);
    match below(dice, 100) {
        0..=7 => Act::Wait { minutes: u16::try_from(1 + below(dice, 600)).unwrap_or(1) },
        8..=24 => Act::Read { phone, machine, valve: index(dice, 3), go: 3 + small(dice, 5), cut: cut(dice) },
        25..=29 => Act::Hours { phone, machine, tenths: 1000 + small(dice, 200), cut: cut(dice) },
        30..=31 => Act::Note { phone, machine, cut: cut(dice) },
        32 => Act::AtDesk { machine, close: one_in(dice, 2), cut: cut(dice) },
        33..=36 => Act::Void { phone, record: index(dice, 64), cut: cut(dice) },
        37..=41 => {
            let pick = (!one_in(dice, 3)).then(|| index(dice, 3));
            Act::Rule { phone, machine, pick, cut: cut(dice) }
        }
        42 => Act::NewMachine { phone, cut: cut(dice) },
        43..=44 => Act::Role { phone, role: index(dice, 4) },
        45 => Act::Revoke { phone },
        46 => Act::Yard { phone, given: !one_in(dice, 3) },
        47 => Act::Join { role: index(dice, 3) },
        48..=72 => {
            let (up, down) = (way(dice), way(dice));
            Act::Exchange { phone, up, down, shop_cut: cut(dice), phone_cut: cut(dice) }
        }
        73..=75 => Act::LateMail { which: index(dice, 64) },
        76..=82 => Act::Bundle { from: phone, to: machine, way: way(dice), cut: cut(dice) },
        83 => Act::Clock { phone, off_min: i32::try_from(small(dice, 1200) - 600).unwrap_or(0) },
        84 => Act::Reboot { node },
        85..=86 => Act::PowerCut { node },
        87 => Act::Lie { node },
        88 => Act::Full { node, room: index(dice, 20_000) },
        89 => Act::ReadOnly { node },
        90..=91 => Act::Heal { node },
        92..=94 => Act::Backup { node },
        95..=96 => Act::Restore { node, command: one_in(dice, 2) },
        97 => Act::Clone { phone },
        98 => Act::Window { minutes: u32::try_from(10 + below(dice, 2_000)).unwrap_or(10) },
        _ => Act::Release { which: index(dice, 64), keep_out: one_in(dice, 2) },
    }
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
