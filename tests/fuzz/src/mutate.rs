//! Edits of CBOR values, of records and of the recipes that carry them, as a script says.

use ciborium::Value;
use serde::Serialize;
use serde::de::DeserializeOwned;
use shared::bytes::{Blob, Bytes16, Bytes32};
use shared::ids::DocId;
use shared::wire::{Recipe, ShortRecipe, delta_encode};
use sync_core::change::replica;
use sync_core::engine::incoming::IncomingBatch;

use super::forge::{self, Signer};
use super::script::Script;

/// Deepest step into a value.
const DEEPEST: usize = 12;

/// One edit somewhere in a value.
pub(crate) fn value(at: &mut Value, script: &mut Script<'_>) {
    descend(at, script, 0);
}

fn descend(at: &mut Value, script: &mut Script<'_>, depth: usize) {
    if depth == DEEPEST {
        return;
    }
    match at {
        Value::Map(entries) if !entries.is_empty() => {
            let n = script.pick(entries.len());
            match script.byte() {
                0 => {
                    entries.remove(n);
                }
                1 => entries[n].0 = leaf(script),
                2 => {
                    let (key, value) = (leaf(script), entries[n].1.clone());
                    entries.push((key, value));
                }
                _ => descend(&mut entries[n].1, script, depth + 1),
            }
        }
        Value::Array(items) if !items.is_empty() => {
            let n = script.pick(items.len());
            match script.byte() {
                0 => {
                    items.remove(n);
                }
                1 => {
                    let again = items[n].clone();
                    items.push(again);
                }
                2 => items.push(leaf(script)),
                3 => items.clear(),
                _ => descend(&mut items[n], script, depth + 1),
            }
        }
        Value::Bytes(bytes) if script.flag() && !bytes.is_empty() => {
            let n = script.pick(bytes.len());
            bytes[n] ^= script.byte();
        }
        Value::Integer(_) if script.flag() => *at = Value::from(script.number()),
        Value::Text(text) if script.flag() => *text = script.text(),
        other => *other = leaf(script),
    }
}

fn leaf(script: &mut Script<'_>) -> Value {
    match script.byte() % 9 {
        0 => Value::from(script.number()),
        1 => Value::Text(script.text()),
        2 => Value::Bytes(script.array::<16>().to_vec()),
        3 => Value::Bytes(script.run().to_vec()),
        4 => Value::Bool(script.flag()),
        5 => Value::Array(vec![Value::from(script.number())]),
        6 => Value::Map(vec![(Value::Text(script.text()), Value::from(script.number()))]),
        7 => ciborium::from_reader(script.run()).unwrap_or(Value::Null),
        _ => Value::Null,
    }
}

/// One edit somewhere in a message, where it still is one afterwards.
pub(crate) fn message<T: Serialize + DeserializeOwned>(message: T, script: &mut Script<'_>) -> T {
    let Ok(mut edited) = shared::cbor::to_value(&message) else { return message };
    value(&mut edited, script);
    shared::cbor::from_value(&edited).unwrap_or(message)
}

/// States a signed record anew with something else in its payload, signed as before or by somebody else.
pub(crate) fn restated(bytes: &[u8], signers: &[Signer], script: &mut Script<'_>) -> Vec<u8> {
    let Some(mut payload) = forge::payload(bytes) else { return bytes.to_vec() };
    for _ in 0..=script.pick(3) {
        value(&mut payload, script);
    }
    let signer = &signers[script.pick(signers.len())];
    forge::signed(&payload, signer)
}

/// A list of recipes in full, with the hashes that they have.
pub(crate) fn full(doc: DocId, list: &[ShortRecipe]) -> Vec<Recipe> {
    IncomingBatch::open(doc, list.to_vec()).changes.into_iter().map(|brought| brought.recipe).collect()
}

/// One edit of a document's recipes, which leaves the list in full or in short. `others` are hashes that mean something in
/// the book.
pub(crate) fn recipes(doc: DocId, of: &mut Vec<ShortRecipe>, others: &[Bytes32], signers: &[Signer], script: &mut Script<'_>) {
    if of.is_empty() {
        return;
    }
    let mut list = full(doc, of);
    edit(&mut list, others, signers, script);
    *of = if script.flag() {
        delta_encode(list.into_iter().map(|recipe| (recipe, -1)).collect())
    } else {
        list.into_iter().map(Into::into).collect()
    };
}

fn edit(of: &mut Vec<Recipe>, others: &[Bytes32], signers: &[Signer], script: &mut Script<'_>) {
    let n = script.pick(of.len());
    let edit = script.byte() % 14;
    let recipe = &mut of[n];
    let number = |script: &mut Script<'_>| script.number().unsigned_abs();
    match edit {
        0 => {
            of.remove(n);
        }
        1 => {
            let again = recipe.clone();
            of.push(again);
        }
        2 => {
            let other = script.pick(of.len());
            of.swap(n, other);
        }
        3 => recipe.seq = number(script),
        4 => recipe.start_op = number(script),
        5 => recipe.time = script.number(),
        6 => recipe.actor = Bytes16(script.array()),
        7 => {
            let dep = others.get(script.pick(others.len())).copied().unwrap_or(Bytes32([script.byte(); 32]));
            recipe.deps.push(dep);
            recipe.deps.sort_unstable();
        }
        8 => {
            recipe.deps.pop();
        }
        9 => recipe.hash = Bytes32([script.byte(); 32]),
        10 => recipe.records.push(Blob(script.run().to_vec())),
        11 => {
            if let Some(record) = recipe.records.first_mut()
                && !record.0.is_empty()
            {
                let at = usize::from(u16::from_le_bytes(script.array())) % record.0.len();
                record.0[at] ^= script.byte() | 1;
            }
        }
        _ => {
            let which = script.pick(recipe.records.len());
            if let Some(record) = recipe.records.get_mut(which) {
                record.0 = restated(&record.0, signers, script);
            }
        }
    }
}

/// Gives each recipe the hash that its facts make, and follows the new hashes through what builds on them.
pub(crate) fn refit(doc: DocId, of: &mut Vec<ShortRecipe>) {
    let mut renamed: Vec<(Bytes32, Bytes32)> = Vec::new();
    let mut list = full(doc, of);
    for recipe in &mut list {
        for dep in &mut recipe.deps {
            if let Some((_, new)) = renamed.iter().find(|(old, _)| old == dep) {
                *dep = *new;
            }
        }
        recipe.deps.sort_unstable();
        if let Ok(hash) = replica::change_hash(doc, recipe) {
            renamed.push((recipe.hash, hash));
            recipe.hash = hash;
        }
    }
    *of = list.into_iter().map(Into::into).collect();
}
