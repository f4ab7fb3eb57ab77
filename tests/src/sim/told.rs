//! What a story told came to, and what many came to together.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use crate::disk::Hits;

/// What makes a seam where it meets another of these in one story.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Seam {
    /// A bundle of which something was taken.
    Bundle,
    /// An older copy put back.
    Restore,
    /// A role or a property given or taken away.
    Access,
    /// A device revoked.
    Revocation,
}

/// A story told to its end.
#[derive(Debug, Clone, Default)]
pub struct Told {
    /// In words, one line a step.
    pub story: String,
    /// Records reported kept.
    pub kept: usize,
    /// Records that were on one disk alone when that disk lost them.
    pub gone_with_a_disk: usize,
    /// Records in the shop's quarantine at the end.
    pub quarantined: usize,
    /// Exchanges that went through.
    pub exchanges: usize,
    /// Power cuts at an operation, by what the program was doing and by file.
    pub cuts: Hits,
    /// All such operations.
    pub operations: Hits,
    /// Times that the shop began a new epoch.
    pub epochs: usize,
    /// People whose own program forged.
    pub insiders: usize,
    /// What they tried, and how often.
    pub attacks: BTreeMap<&'static str, usize>,
    /// Records that they forged, of a flood one.
    pub forged: usize,
    /// Forged records that are not in the shop's book at the end.
    pub forged_out: usize,
    /// Times that something forged was refused, at the shop or on a phone.
    pub refused: usize,
    /// Slots that the slow oracle was asked for at the end, on every replica.
    pub asked: usize,
    /// What happened in the story that makes seams.
    pub seams: BTreeSet<Seam>,
    /// Of many stories: how many had exactly these.
    pub stories_with: BTreeMap<BTreeSet<Seam>, usize>,
}

impl Seam {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Bundle, Self::Restore, Self::Access, Self::Revocation];
}

impl fmt::Display for Seam {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Bundle => "bundle",
            Self::Restore => "restore",
            Self::Access => "access changed",
            Self::Revocation => "revocation",
        })
    }
}

impl Told {
    /// Adds one more story to a sum.
    pub fn add(&mut self, told: &Self) {
        self.kept += told.kept;
        self.gone_with_a_disk += told.gone_with_a_disk;
        self.quarantined += told.quarantined;
        self.exchanges += told.exchanges;
        self.cuts.add_all(&told.cuts);
        self.operations.add_all(&told.operations);
        self.epochs += told.epochs;
        self.insiders += told.insiders;
        self.forged += told.forged;
        self.forged_out += told.forged_out;
        self.refused += told.refused;
        self.asked += told.asked;
        for (attack, times) in &told.attacks {
            *self.attacks.entry(attack).or_default() += times;
        }
        *self.stories_with.entry(told.seams.clone()).or_default() += 1;
    }

    /// Of many stories, how many had all of these, whatever else they had.
    #[must_use]
    pub fn stories_with_all(&self, seams: &[Seam]) -> usize {
        self.stories_with.iter().filter(|(had, _)| seams.iter().all(|seam| had.contains(seam))).map(|(_, stories)| stories).sum()
    }

    /// How many stories had each two or more of the seams, in words.
    #[must_use]
    pub fn seams_in_words(&self) -> String {
        let several = (0_u32..16).filter(|set| set.count_ones() > 1);
        let of = |set: u32| Seam::ALL.into_iter().enumerate().filter(|(n, _)| set >> n & 1 == 1).map(|(_, seam)| seam).collect();
        let line = |seams: Vec<Seam>| {
            let names: Vec<String> = seams.iter().map(Seam::to_string).collect();
            format!("{} {}", names.join(" × "), self.stories_with_all(&seams))
        };
        several.map(|set| line(of(set))).collect::<Vec<_>>().join("; ")
    }
}
