//! The short form of recipes: in a list of them, what follows from the one before is not said again.
//!
//! A day's changes are mostly one actor's, each building on the one before. Of such a run only the last names its hash:
//! it covers the others, since each hash is of what its change builds on.

use serde::{Deserialize, Serialize};

use super::Recipe;
use super::exchange::records;
use crate::bytes::{Blob, Bytes16, Bytes32};

/// A [`Recipe`] in a list. What is absent follows from the recipe before it in the list.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ShortRecipe {
    /// The hash; absent where the next one is of the same actor and builds on this one alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hash: Option<Bytes32>,
    /// The actor; absent: the same as before.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub actor: Option<Bytes16>,
    /// The actor's running number; absent: one more than before.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seq: Option<u64>,
    /// Counter of the first operation; absent: where the one before ends.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub start_op: Option<u64>,
    /// What it builds on; absent: the one before, and nothing else.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub deps: Option<Vec<Bytes32>>,
    /// The change's time, ms since 1970 UTC; absent: what its first record says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time: Option<i64>,
    /// The signed records, in order.
    #[serde(deserialize_with = "records")]
    pub records: Vec<Blob>,
}

impl From<Recipe> for ShortRecipe {
    /// A recipe that names everything.
    fn from(recipe: Recipe) -> Self {
        Self {
            hash: Some(recipe.hash),
            actor: Some(recipe.actor),
            seq: Some(recipe.seq),
            start_op: Some(recipe.start_op),
            deps: Some(recipe.deps),
            time: Some(recipe.time),
            records: recipe.records,
        }
    }
}

/// A list in which nothing is said twice. With each recipe goes the time that its first record names, in ms.
#[must_use]
pub fn delta_encode(recipes: Vec<(Recipe, i64)>) -> Vec<ShortRecipe> {
    let mut short: Vec<ShortRecipe> = Vec::with_capacity(recipes.len());
    let mut before: Option<(Bytes16, u64, u64, Bytes32)> = None;
    for (recipe, first_ms) in recipes {
        let next_op = recipe.start_op.saturating_add(recipe.records.len() as u64);
        let now = (recipe.actor, recipe.seq.saturating_add(1), next_op, recipe.hash);
        let says_time = recipe.time != first_ms;
        let mut one = ShortRecipe::from(recipe);
        if !says_time {
            one.time = None;
        }
        if let Some((actor, seq, start_op, hash)) = before {
            let same_actor = one.actor == Some(actor);
            one.seq = one.seq.filter(|own| !same_actor || *own != seq);
            one.actor = one.actor.filter(|_| !same_actor);
            one.start_op = one.start_op.filter(|own| *own != start_op);
            one.deps = one.deps.filter(|own| own.as_slice() != [hash]);
            if same_actor
                && one.deps.is_none()
                && let Some(last) = short.last_mut()
            {
                last.hash = None;
            }
        }
        before = Some(now);
        short.push(one);
    }
    short
}

/// What a recipe in a list says, with what it leaves to the one before filled in: all but hashes that none names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Facts {
    /// Its actor.
    pub actor: Bytes16,
    /// The actor's running number.
    pub seq: u64,
    /// Counter of the first operation.
    pub start_op: u64,
    /// What it builds on; `None`: the one before, and nothing else.
    pub deps: Option<Vec<Bytes32>>,
}

/// Reads a list of short recipes from its beginning.
#[derive(Debug, Clone, Default)]
pub struct Reader {
    before: Option<Before>,
}

#[derive(Debug, Clone)]
struct Before {
    actor: Bytes16,
    seq: u64,
    next_op: u64,
    named: bool,
}

impl Reader {
    /// What the next recipe of the list says; `None` where it leaves out what nothing before it says.
    pub fn next(&mut self, short: &ShortRecipe) -> Option<Facts> {
        let before = self.before.take();
        let actor = short.actor.or_else(|| before.as_ref().map(|b| b.actor))?;
        // The one before was covered by this one's hash only if this one builds on it and nothing else.
        let covers = short.deps.is_none() && short.actor.is_none();
        if before.as_ref().is_some_and(|b| !b.named && !covers) || (before.is_none() && short.deps.is_none()) {
            return None;
        }
        let seq = short.seq.or_else(|| before.as_ref().filter(|_| short.actor.is_none()).map(|b| b.seq.saturating_add(1)))?;
        let start_op = short.start_op.or_else(|| before.as_ref().map(|b| b.next_op))?;
        let next_op = start_op.saturating_add(short.records.len() as u64);
        self.before = Some(Before { actor, seq, next_op, named: short.hash.is_some() });
        Some(Facts { actor, seq, start_op, deps: short.deps.clone() })
    }

    /// Whether the list may end here: the hash of its last change is named.
    #[must_use]
    pub fn may_end(&self) -> bool {
        self.before.as_ref().is_none_or(|before| before.named)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn recipe(n: u8, actor: u8, seq: u64, start_op: u64, deps: Vec<Bytes32>, records: usize) -> Recipe {
        let records = (0..records).map(|_| Blob(vec![n; 64])).collect();
        Recipe { hash: Bytes32([n; 32]), actor: Bytes16([actor; 16]), seq, start_op, deps, time: i64::from(n), records }
    }

    #[test]
    fn a_run_names_its_last_hash_alone() {
        let first = recipe(1, 7, 1, 2, vec![Bytes32([9; 32])], 1);
        let second = recipe(2, 7, 2, 3, vec![first.hash], 2);
        let other = recipe(3, 8, 1, 5, vec![second.hash], 1);
        let short = delta_encode(vec![(first, 1), (second, 2), (other, 0)]);
        assert_eq!(short.iter().map(|s| s.hash.map(|h| h.0[0])).collect::<Vec<_>>(), [None, Some(2), Some(3)]);
        assert_eq!(short.iter().map(|s| s.deps.is_some()).collect::<Vec<_>>(), [true, false, false]);
        assert_eq!(short.iter().map(|s| s.start_op).collect::<Vec<_>>(), [Some(2), None, None]);
        assert_eq!(short.iter().map(|s| s.time).collect::<Vec<_>>(), [None, None, Some(3)]);
    }

    #[test]
    fn what_leaves_out_too_much_is_not_read() {
        let whole = ShortRecipe::from(recipe(1, 7, 1, 2, vec![], 1));
        let without_deps = ShortRecipe { deps: None, ..whole.clone() };
        assert_eq!(Reader::default().next(&without_deps), None, "nothing before it");
        let mut reader = Reader::default();
        assert!(reader.next(&ShortRecipe { hash: None, ..whole.clone() }).is_some());
        assert!(!reader.may_end(), "the last hash is not named");
        assert_eq!(reader.next(&whole), None, "what came before is covered by no hash");
    }

    proptest! {
        #[test]
        fn what_is_shortened_reads_back(steps in proptest::collection::vec((0..3_u8, any::<bool>(), 1..4_usize, any::<bool>()), 1..20)) {
            let mut list: Vec<(Recipe, i64)> = Vec::new();
            let mut seqs = [0_u64; 3];
            for (n, (actor, on_before, records, own_time)) in steps.into_iter().enumerate() {
                let n = u8::try_from(n + 1).unwrap();
                seqs[usize::from(actor)] += 1;
                let (start_op, deps) = match list.last() {
                    Some((last, _)) if on_before => (last.start_op + last.records.len() as u64, vec![last.hash]),
                    _ => (40, vec![Bytes32([200; 32])]),
                };
                let recipe = recipe(n, actor, seqs[usize::from(actor)], start_op, deps, records);
                let first_ms = if own_time { recipe.time } else { -1 };
                list.push((recipe, first_ms));
            }
            let short = delta_encode(list.clone());
            let mut reader = Reader::default();
            for (n, (one, (recipe, first_ms))) in short.iter().zip(&list).enumerate() {
                let facts = reader.next(one).unwrap();
                prop_assert_eq!((facts.actor, facts.seq, facts.start_op), (recipe.actor, recipe.seq, recipe.start_op));
                let deps = facts.deps.unwrap_or_else(|| vec![list[n - 1].0.hash]);
                prop_assert_eq!(&deps, &recipe.deps);
                prop_assert_eq!(one.time.unwrap_or(*first_ms), recipe.time);
                prop_assert!(one.hash.is_none_or(|hash| hash == recipe.hash));
            }
            prop_assert!(reader.may_end());
        }
    }
}
