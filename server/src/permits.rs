//! How many of something one key may hold at once, and all together: the one counter behind connections, exchanges, answers on their
//! way and streams of events.

use std::collections::BTreeMap;
use std::fmt::Debug;
use std::sync::{Arc, Mutex, PoisonError};

/// Permits in use, by key.
#[derive(Debug)]
pub(crate) struct Permits<K> {
    most: usize,
    most_of_one: usize,
    in_use: Mutex<BTreeMap<K, usize>>,
}

/// A permit in use; free again when dropped.
#[derive(Debug)]
pub(crate) struct Permit<K: Ord + Debug> {
    key: K,
    permits: Arc<Permits<K>>,
}

impl<K: Ord + Clone + Debug> Permits<K> {
    /// So many of each key, with no bound on all.
    pub(crate) fn of_each(most_of_one: usize) -> Arc<Self> {
        Self::new(usize::MAX, most_of_one)
    }

    /// So many in all, and of each key.
    pub(crate) fn new(most: usize, most_of_one: usize) -> Arc<Self> {
        Arc::new(Self { most, most_of_one, in_use: Mutex::default() })
    }

    /// One more for a key, unless it or all have theirs.
    pub(crate) fn take(self: &Arc<Self>, key: K) -> Option<Permit<K>> {
        let mut in_use = self.in_use.lock().unwrap_or_else(PoisonError::into_inner);
        let of_one = in_use.get(&key).copied().unwrap_or_default();
        if of_one >= self.most_of_one || (self.most < usize::MAX && in_use.values().sum::<usize>() >= self.most) {
            return None;
        }
        in_use.insert(key.clone(), of_one + 1);
        Some(Permit { key, permits: Arc::clone(self) })
    }

    /// How many are in use.
    pub(crate) fn in_use(&self) -> usize {
        self.in_use.lock().unwrap_or_else(PoisonError::into_inner).values().sum()
    }
}

impl<K: Ord + Debug> Drop for Permit<K> {
    fn drop(&mut self) {
        let mut in_use = self.permits.in_use.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = in_use.get_mut(&self.key) {
            *count -= 1;
            if *count == 0 {
                in_use.remove(&self.key);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Against a plain list of who holds what: no key over its share, nor all over theirs, and nothing left behind.
        #[test]
        fn each_has_its_share_and_all_have_theirs(
            steps in proptest::collection::vec((0_u8..5, any::<bool>()), 0..200),
            most in 0_usize..8,
            most_of_one in 0_usize..4,
        ) {
            let permits = Permits::new(most, most_of_one);
            let mut held: Vec<(u8, Permit<u8>)> = Vec::new();
            for (key, takes) in steps {
                if takes {
                    let free = held.len() < most && held.iter().filter(|(of, _)| *of == key).count() < most_of_one;
                    let taken = permits.take(key);
                    prop_assert_eq!(taken.is_some(), free);
                    held.extend(taken.map(|permit| (key, permit)));
                } else if let Some(at) = held.iter().position(|(of, _)| *of == key) {
                    drop(held.swap_remove(at));
                }
                prop_assert_eq!(permits.in_use(), held.len());
            }
            held.clear();
            prop_assert!(permits.in_use.lock().unwrap().is_empty());
        }
    }
}
