//! The Automerge replica of a document: how a recipe becomes a change, and a document a snapshot.
//!
//! Every document is one map `records`, record id to signed bytes, made by a genesis change that follows from the
//! document's id alone. A change is always built here from its recipe, never taken from a peer's bytes, so its hash
//! needs no document: admission and exchange touch rows only.

use std::panic::{AssertUnwindSafe, catch_unwind};

use automerge::legacy::{Key, ObjectId, Op, OpId, OpType};
use automerge::{ActorId, Automerge, Change, ChangeHash, ExpandedChange, LoadOptions, ObjType, ScalarValue};
use shared::bytes::{Blob, Bytes16, Bytes32};
use shared::ids::{DocId, RecordId};
pub use shared::wire::MOST_RECORDS;
use shared::wire::Recipe;
use std::num::NonZeroU64;

use crate::crypto::envelope;

/// The most changes that one change builds on directly.
pub const MOST_DEPS: usize = 64;
/// Operation counters end far below the u32 at which Automerge breaks.
pub const LAST_OP: u64 = 1 << 30;
/// The last time of a change, ms since 1970 UTC: as for records, the end of the year 2999.
pub const LAST_TIME_MS: i64 = 32_503_680_000_000;
/// The largest document that can come to be, in bytes of records. What a book takes is bounded so that none grows beyond.
pub(crate) const LARGEST_DOCUMENT: u64 = 140 * 1024 * 1024;
/// The largest saved document that is loaded, in bytes: twice what the largest document's records have, since none is kept
/// that could not be saved and loaded again.
#[expect(clippy::cast_possible_truncation, reason = "it is some hundreds of MiB")]
pub const LARGEST_SNAPSHOT: usize = 2 * LARGEST_DOCUMENT as usize;

/// A recipe or a snapshot that does not make a document.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ReplicaError {
    /// The recipe's facts cannot be.
    #[error("the change cannot be: {0}")]
    Facts(&'static str),
    /// The saved document does not load, or is not one of ours.
    #[error("the saved document cannot be taken: {0}")]
    Snapshot(String),
}

/// The hash of a document's genesis change.
#[must_use]
pub fn genesis_hash(doc: DocId) -> Bytes32 {
    Bytes32(genesis(doc).hash().0)
}

/// The genesis of a document: an empty map `records`, by an actor named as the document.
fn genesis(doc: DocId) -> Change {
    Change::from(ExpandedChange {
        operations: vec![Op {
            action: OpType::Make(ObjType::Map),
            obj: ObjectId::Root,
            key: Key::Map("records".into()),
            pred: Vec::<OpId>::new().into(),
            insert: false,
        }],
        actor_id: ActorId::from(doc.as_bytes().as_slice()),
        hash: None,
        seq: 1,
        start_op: NonZeroU64::MIN,
        time: 0,
        message: None,
        deps: vec![],
        extra_bytes: vec![],
        author: None,
    })
}

/// The change that a recipe makes, with the hash that it has whatever the recipe names.
///
/// # Errors
/// [`ReplicaError::Facts`] for numbers, deps or records that no honest device writes.
fn build(doc: DocId, recipe: &Recipe) -> Result<Change, ReplicaError> {
    let ids: Option<Vec<RecordId>> =
        recipe.records.iter().map(|record| envelope::decode_unverified(&record.0).ok().map(|o| o.record.id)).collect();
    build_with(doc, recipe, &ids.ok_or(ReplicaError::Facts("a record in it cannot be read"))?)
}

/// As [`build`], where the records' ids are known already.
fn build_with(doc: DocId, recipe: &Recipe, ids: &[RecordId]) -> Result<Change, ReplicaError> {
    let fact = |holds: bool, why: &'static str| if holds { Ok(()) } else { Err(ReplicaError::Facts(why)) };
    fact((1..=MOST_RECORDS).contains(&recipe.records.len()), "it inserts no record, or too many")?;
    fact((1..=MOST_DEPS).contains(&recipe.deps.len()), "it builds on nothing, or on too much")?;
    fact(recipe.deps.windows(2).all(|pair| pair[0] < pair[1]), "what it builds on is not in order")?;
    fact(recipe.seq >= 1 && recipe.seq < LAST_OP, "its sequence number is out of range")?;
    // Automerge keeps the differences of times: of two far apart there is none that it can keep.
    fact((0..=LAST_TIME_MS).contains(&recipe.time), "its time lies outside the years 1970 to 3000")?;
    fact(recipe.actor.0 != *doc.as_bytes(), "its actor is the document's genesis")?;
    let last = recipe.start_op.saturating_add(recipe.records.len() as u64);
    fact(recipe.start_op >= 2 && last < LAST_OP, "its operation counter is out of range")?;
    let start_op = NonZeroU64::new(recipe.start_op).ok_or(ReplicaError::Facts("its operation counter is zero"))?;
    let map = OpId::new(1, &ActorId::from(doc.as_bytes().as_slice()));
    let operations = recipe.records.iter().zip(ids).map(|(record, id)| put(&map, *id, record)).collect();
    Ok(Change::from(ExpandedChange {
        operations,
        actor_id: ActorId::from(recipe.actor.0.as_slice()),
        hash: None,
        seq: recipe.seq,
        start_op,
        time: recipe.time,
        message: None,
        deps: recipe.deps.iter().map(|hash| ChangeHash(hash.0)).collect(),
        extra_bytes: vec![],
        author: None,
    }))
}

fn put(map: &OpId, id: RecordId, record: &Blob) -> Op {
    Op {
        action: OpType::Put(ScalarValue::Bytes(record.0.clone())),
        obj: ObjectId::Id(map.clone()),
        key: Key::Map(id.to_string().into()),
        pred: Vec::<OpId>::new().into(),
        insert: false,
    }
}

/// The hash of the change that a recipe makes.
///
/// # Errors
/// [`ReplicaError::Facts`]; also where the library gives up on the facts (its panic is contained here).
pub fn change_hash(doc: DocId, recipe: &Recipe) -> Result<Bytes32, ReplicaError> {
    catch_unwind(AssertUnwindSafe(|| build(doc, recipe).map(|change| Bytes32(change.hash().0))))
        .unwrap_or(Err(ReplicaError::Facts("its numbers do not make a change")))
}

/// As [`change_hash`], where the records have been opened already: with their ids, in their order.
///
/// # Errors
/// As [`change_hash`].
pub fn hash_of(doc: DocId, recipe: &Recipe, ids: &[RecordId]) -> Result<Bytes32, ReplicaError> {
    catch_unwind(AssertUnwindSafe(|| build_with(doc, recipe, ids).map(|change| Bytes32(change.hash().0))))
        .unwrap_or(Err(ReplicaError::Facts("its numbers do not make a change")))
}

/// The time of a change made at a moment, ms since 1970 UTC: only for who opens the document elsewhere. The records say
/// when they were written, and no clock keeps one from being written.
#[must_use]
pub const fn change_time(at_ms: i64) -> i64 {
    if at_ms < 0 {
        0
    } else if at_ms > LAST_TIME_MS {
        LAST_TIME_MS
    } else {
        at_ms
    }
}

/// A document's genesis change as Automerge writes it: for whoever builds the same document with another library.
#[must_use]
pub fn genesis_bytes(doc: DocId) -> Vec<u8> {
    genesis(doc).raw_bytes().to_vec()
}

/// The change that a recipe makes, as Automerge writes it, not compressed. It never travels: it is what the hash is of.
///
/// # Errors
/// As [`change_hash`].
pub fn change_bytes(doc: DocId, recipe: &Recipe) -> Result<Vec<u8>, ReplicaError> {
    catch_unwind(AssertUnwindSafe(|| build(doc, recipe).map(|change| change.raw_bytes().to_vec())))
        .unwrap_or(Err(ReplicaError::Facts("its numbers do not make a change")))
}

/// The Automerge document of these recipes, saved; recipes in an order in which each follows what it builds on.
///
/// Not compressed: it travels inside one compressed body.
///
/// # Errors
/// [`ReplicaError`] where a recipe is none, or the result does not load again with the expected heads.
pub fn save(doc: DocId, recipes: &[Recipe]) -> Result<Vec<u8>, ReplicaError> {
    let broken = |e: String| ReplicaError::Snapshot(e);
    catch_unwind(AssertUnwindSafe(|| {
        let mut changes = vec![genesis(doc)];
        for recipe in recipes {
            changes.push(build(doc, recipe)?);
        }
        let mut document = Automerge::new();
        document.apply_changes(changes).map_err(|e| broken(e.to_string()))?;
        Ok(document.save_nocompress())
    }))
    .unwrap_or_else(|_| Err(broken("the library gave up on it".to_owned())))
}

/// Reads a saved document back into recipes, in an order in which each follows what it builds on.
///
/// Bounded, contained, and trusted in nothing: every change is rebuilt from what it holds and must have its own hash,
/// and the heads must be the ones named.
///
/// # Errors
/// [`ReplicaError::Snapshot`].
pub fn load(doc: DocId, saved: &[u8], heads: &[Bytes32]) -> Result<Vec<Recipe>, ReplicaError> {
    let broken = |e: &str| ReplicaError::Snapshot(e.to_owned());
    if heads.is_empty() {
        return Err(broken("it names no heads"));
    }
    if saved.len() > LARGEST_SNAPSHOT {
        return Err(broken("it is too large"));
    }
    catch_unwind(AssertUnwindSafe(|| {
        let document = Automerge::load_with_options(saved, LoadOptions::new()).map_err(|e| broken(&e.to_string()))?;
        let mut have: Vec<Bytes32> = document.get_heads().iter().map(|h| Bytes32(h.0)).collect();
        let mut want = heads.to_vec();
        have.sort_unstable();
        want.sort_unstable();
        if have != want {
            return Err(broken("its heads are not the ones named"));
        }
        let genesis = genesis_hash(doc);
        let mut recipes = Vec::new();
        for change in document.get_changes(&[]) {
            if Bytes32(change.hash().0) == genesis {
                continue;
            }
            let recipe = recipe_of(&change).ok_or_else(|| broken("a change in it does something else than insert records"))?;
            if change_hash(doc, &recipe)? != recipe.hash {
                return Err(broken("a change in it is not what its recipe makes"));
            }
            recipes.push(recipe);
        }
        Ok(recipes)
    }))
    .unwrap_or_else(|_| Err(broken("the library gave up on it")))
}

fn recipe_of(change: &Change) -> Option<Recipe> {
    let expanded = change.decode();
    let mut records = Vec::with_capacity(expanded.operations.len());
    for op in expanded.operations {
        match op.action {
            OpType::Put(ScalarValue::Bytes(bytes)) => records.push(Blob(bytes)),
            _ => return None,
        }
    }
    Some(Recipe {
        hash: Bytes32(change.hash().0),
        actor: Bytes16::from_slice(expanded.actor_id.to_bytes())?,
        seq: expanded.seq,
        start_op: expanded.start_op.get(),
        deps: expanded.deps.iter().map(|h| Bytes32(h.0)).collect(),
        time: expanded.time,
        records,
    })
}

#[cfg(test)]
mod tests;
