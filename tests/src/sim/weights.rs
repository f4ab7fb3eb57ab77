//! How often each thing happens: as in a shop's days, or with what makes seams (bundles, restores, access, revocations) weighted up.

use super::insider::{Attack, Closed, Deed, Door, INSIDERS, Into, Opening, Reserved};
use super::steps::{Act, Cut, Step, Way};
use crate::crew::Dice;

/// By what weights a story is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weights {
    /// Everything as it comes.
    Usual,
    /// Every other step is one of those that make seams where they meet.
    Seams,
}

impl Weights {
    /// A seed's: every other one's are those of seams.
    #[must_use]
    pub const fn of(seed: u64) -> Self {
        if seed.is_multiple_of(2) { Self::Usual } else { Self::Seams }
    }

    /// The steps of a seed, with so many insiders.
    #[must_use]
    pub fn steps(self, seed: u64, count: usize, insiders: usize) -> Vec<Step> {
        let mut dice = Dice::new(seed);
        for _ in 0..4 {
            dice.throw();
        }
        let first = index(&mut dice, 5);
        let insiders: Vec<usize> = (0..insiders.min(INSIDERS.len())).map(|n| (first + n) % INSIDERS.len()).collect();
        let drawn = |dice: &mut Dice| match insiders.get(index(dice, insiders.len().max(1) as u64)) {
            Some(insider) if one_in(dice, 4) => of_insider(*insider, dice),
            _ if self == Self::Seams && one_in(dice, 2) => seam(dice),
            _ => usual(dice),
        };
        (0..count).map(|_| Step { act: drawn(&mut dice), dice: dice.throw() }).collect()
    }
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

fn usual(dice: &mut Dice) -> Act {
    let node = index(dice, 64);
    let phone = index(dice, 64);
    let machine = index(dice, 64);
    match below(dice, 105) {
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
        99..=101 => Act::Find { phone, machine, cut: cut(dice) },
        102 => Act::Clear { phone, finding: index(dice, 64), cut: cut(dice) },
        103 => Act::Quarrel { one: phone, other: node, machine, role: index(dice, 4) },
        _ => Act::Release { which: index(dice, 64), keep_out: one_in(dice, 2) },
    }
}

/// What makes seams. The shop's book is put back as often as all devices' together.
fn seam(dice: &mut Dice) -> Act {
    let (phone, to) = (index(dice, 64), index(dice, 64));
    let node = if one_in(dice, 2) { 0 } else { index(dice, 64) };
    match below(dice, 100) {
        0..=31 => Act::Bundle { from: phone, to, way: if one_in(dice, 4) { way(dice) } else { Way::Through }, cut: cut(dice) },
        32..=47 => Act::Exchange { phone, up: Way::Through, down: Way::Through, shop_cut: cut(dice), phone_cut: cut(dice) },
        48..=58 => Act::Backup { node },
        59..=69 => Act::Restore { node, command: one_in(dice, 2) },
        70..=79 => Act::Yard { phone, given: one_in(dice, 2) },
        80..=85 => Act::Role { phone, role: index(dice, 4) },
        86..=88 => Act::Revoke { phone },
        89..=90 => Act::Release { which: index(dice, 64), keep_out: one_in(dice, 2) },
        91 => Act::Clone { phone },
        92..=94 => Act::Reboot { node },
        95..=97 => Act::LongLog { phone },
        _ => Act::Read { phone, machine: to, valve: index(dice, 3), go: 3 + small(dice, 5), cut: cut(dice) },
    }
}

/// What an insider does, and what is done to them.
fn of_insider(insider: usize, dice: &mut Dice) -> Act {
    // People whose role may change begin with the third node.
    let phone = INSIDERS[insider % INSIDERS.len()] - 2;
    match below(dice, 24) {
        0 => return Act::Role { phone, role: 3 },
        1 => return Act::Role { phone, role: index(dice, 4) },
        2 => return Act::Revoke { phone },
        3 => return Act::Yard { phone, given: false },
        _ => {}
    }
    Act::Attack { insider, attack: attack(dice) }
}

fn attack(dice: &mut Dice) -> Attack {
    let (at, to) = (index(dice, 64), index(dice, 64));
    let deed = Deed::any(index(dice, 64), at);
    let door = if one_in(dice, 3) { Door::Phone(to) } else { Door::Shop };
    let into = match below(dice, 4) {
        0 => Into::Roster,
        1 => Into::Engines,
        2 => Into::Days,
        _ => Into::Machine(at),
    };
    let back_min = if one_in(dice, 3) { 0 } else { u16::try_from(below(dice, 3_000)).unwrap_or(0) };
    match below(dice, 100) {
        0..=29 => Attack::Decides { deed, back_min, door },
        30..=39 => Attack::Relabels { deed, door, beside: one_in(dice, 2) },
        40..=45 => Attack::Replays { door },
        46..=52 => Attack::WritesDeviceCard { of: at, back_min },
        53..=63 => {
            let closed = [Closed::Property, Closed::Machine(at), Closed::Days][index(dice, 3)];
            Attack::Opens { closed, by: [Opening::Asks, Opening::WritesNote, Opening::WritesPhoto][index(dice, 3)] }
        }
        64..=67 => Attack::Founds { reserved: [Reserved::Days, Reserved::Roster, Reserved::Engines][index(dice, 3)] },
        68..=76 => Attack::SendsVersion { deed, v: 2, door },
        77..=80 => Attack::SendsUnknown { into },
        81..=86 => Attack::LiesAboutClock { offset_min: i32::try_from(small(dice, 1_200) - 600).unwrap_or(0) },
        87..=89 => {
            let (records, bytes, within) =
                [(40, 0, false), (120, 3_900, false), (20, 60_000, false), (60, 2_000, true), (130, 60_000, true)][index(dice, 5)];
            // Twice as much as a device may bring in a day is what a machine's document has no room for.
            match below(dice, 48) {
                0 => Attack::Floods { into: Into::Machine(at), records: 260, bytes: 60_000, within: true, days: 2 },
                _ => Attack::Floods { into, records, bytes, within, days: 1 },
            }
        }
        90..=92 => Attack::TakesId { record: at },
        93..=94 => Attack::Repeats { record: at },
        _ => Attack::Mixes { deed, to },
    }
}
