//! What a power cut leaves of writes that no sync covered: of each a beginning, or all but a stretch in the middle, or any of its
//! sectors of 512 or 4,096 bytes, in order or in any order.
//!
//! A sector is there or not; bytes beside a write are as they were before it.

use super::Files;
use crate::crew::Dice;

/// A change to a file.
#[derive(Debug, Clone)]
pub(super) enum Write {
    /// Bytes at an offset.
    At(usize, Vec<u8>),
    /// Its length.
    Length(usize),
    /// It is deleted.
    Gone,
}

impl Write {
    pub(super) fn apply(&self, files: &mut Files, name: &str) {
        match self {
            Self::At(offset, bytes) => {
                let file = files.entry(name.to_owned()).or_default();
                if file.len() < offset + bytes.len() {
                    file.resize(offset + bytes.len(), 0);
                }
                file[*offset..offset + bytes.len()].copy_from_slice(bytes);
            }
            Self::Length(length) => files.entry(name.to_owned()).or_default().resize(*length, 0),
            Self::Gone => {
                files.remove(name);
            }
        }
    }

    /// The parts of it that lie between places of the file.
    fn cut_at(&self, places: impl Fn(usize) -> usize) -> Vec<Self> {
        let Self::At(offset, bytes) = self else { return vec![self.clone()] };
        let (mut from, end) = (*offset, offset + bytes.len());
        let mut pieces = Vec::new();
        while from < end {
            let to = places(from).clamp(from + 1, end);
            pieces.push(Self::At(from, bytes[from - offset..to - offset].to_vec()));
            from = to;
        }
        pieces
    }

    fn sectors(&self, of: usize) -> Vec<Self> {
        self.cut_at(|from| (from / of + 1) * of)
    }

    /// It in three: a beginning, a middle and an end, at any bytes.
    fn in_three(&self, dice: &mut Dice) -> [Vec<Self>; 3] {
        let Self::At(offset, bytes) = self else { return [vec![self.clone()], vec![], vec![]] };
        let mut place = || below(dice, bytes.len() + 1);
        let (a, b) = (place(), place());
        let (first, second) = (a.min(b), a.max(b));
        let part = |from: usize, to: usize| if from < to { vec![Self::At(offset + from, bytes[from..to].to_vec())] } else { vec![] };
        [part(0, first), part(first, second), part(second, bytes.len())]
    }
}

fn below(dice: &mut Dice, n: usize) -> usize {
    usize::try_from((dice.throw() >> 16) % (n.max(1) as u64)).unwrap_or(0)
}

/// Leaves what the dice say of writes, given in order, in files.
pub(super) fn leave(open: &[(String, Write)], files: &mut Files, dice: &mut Dice) {
    let way = below(dice, 6);
    let sector = if below(dice, 2) == 0 { 512 } else { 4_096 };
    // Lengths and deletions stay where they are among a file's writes.
    let mut unordered: Vec<(&String, Write)> = Vec::new();
    for (name, write) in open {
        let pieces = match (way, below(dice, 3)) {
            (0 | 1, 0) => vec![write.clone()],
            (0 | 1, 2) => vec![],
            (0, _) => write.in_three(dice).into_iter().next().unwrap_or_default(),
            (1, _) => {
                let [beginning, _, end] = write.in_three(dice);
                beginning.into_iter().chain(end).collect()
            }
            _ => write.sectors(sector).into_iter().filter(|_| below(dice, 2) == 0).collect(),
        };
        if !matches!(write, Write::At(..)) {
            land(&mut unordered, files, dice);
        }
        if way < 4 {
            pieces.iter().for_each(|piece| piece.apply(files, name));
        } else {
            unordered.extend(pieces.into_iter().map(|piece| (name, piece)));
        }
    }
    land(&mut unordered, files, dice);
}

/// Lets pieces land in any order.
fn land(pieces: &mut Vec<(&String, Write)>, files: &mut Files, dice: &mut Dice) {
    while !pieces.is_empty() {
        let (name, piece) = pieces.swap_remove(below(dice, pieces.len()));
        piece.apply(files, name);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn left_by(seed: u64) -> Vec<u8> {
        let name = "book.db-wal".to_owned();
        let mut files = Files::from([(name.clone(), vec![0; 16_384])]);
        let open = [(name.clone(), Write::At(100, vec![1; 8_000])), (name.clone(), Write::At(4_000, vec![2; 9_000]))];
        leave(&open, &mut files, &mut Dice::new(seed));
        files.remove(&name).unwrap_or_default()
    }

    /// Every way of tearing that the head of this module names is seen, and nothing beside the writes is touched.
    #[test]
    fn every_way_of_tearing_comes_up() {
        let (mut lacks_a_middle, mut lacks_a_beginning, mut older_over_newer, mut whole, mut nothing) = (0, 0, 0, 0, 0);
        for seed in 1..=400 {
            let left = left_by(seed);
            assert!(left[..100].iter().chain(&left[13_000..]).all(|byte| *byte == 0), "beside the writes, seed {seed}");
            let runs = |byte: u8| left.chunk_by(|a, b| a == b).filter(|run| run[0] == byte).count();
            lacks_a_middle += u32::from(runs(2) > 1);
            lacks_a_beginning += u32::from(left[100] == 0 && left.contains(&1));
            older_over_newer += u32::from(left[4_608..7_600].windows(2).any(|two| two == [1, 2] || two == [2, 1]));
            whole += u32::from(left[100..4_000].iter().all(|b| *b == 1) && left[4_000..13_000].iter().all(|b| *b == 2));
            nothing += u32::from(left.iter().all(|byte| *byte == 0));
        }
        for (seen, what) in [
            (lacks_a_middle, "lacks a middle"),
            (lacks_a_beginning, "lacks a beginning"),
            (older_over_newer, "an older write beside a newer"),
            (whole, "whole"),
            (nothing, "nothing"),
        ] {
            assert!(seen > 3, "{what}: {seen} of 400");
        }
    }
}
