//! Words are data: what is derived and kept has codes with facts, and no sentence of ours, or a rewording would make every book differ
//! from a rebuild of itself. So every text in a row that has a space in it is a text that somebody wrote in a record.

use ciborium::Value;
use serde::Serialize;
use sync_core::book::Book;

use super::world::Broken;

/// Looks at every row that is made from a document.
pub(super) fn hold_no_sentence(book: &Book, name: &str) -> Result<(), Broken> {
    let failed = |e: &dyn std::fmt::Display| Broken { promise: "reads", seen: e.to_string() };
    let store = book.store();
    for row in store.documents().all().map_err(|e| failed(&e))? {
        let standings = store.projections().standings(row.doc).map_err(|e| failed(&e))?;
        let state = store.machine_rows().machine(row.doc).map_err(|e| failed(&e))?.map(|machine| machine.state);
        let mut texts = texts_of(&standings)?;
        texts.extend(texts_of(&state)?);
        texts.retain(|text| text.contains(' '));
        if texts.is_empty() {
            continue;
        }
        let ledger = store.records().ledger(row.num).map_err(|e| failed(&e))?;
        let written: Vec<Vec<u8>> =
            ledger.entries().filter_map(|entry| store.records().held(entry.record.id).ok().flatten()).map(|held| held.bytes).collect();
        let is_written = |text: &String| written.iter().any(|bytes| bytes.windows(text.len()).any(|part| part == text.as_bytes()));
        if let Some(text) = texts.iter().find(|text| !is_written(text)) {
            return Err(Broken { promise: "no sentence is kept", seen: format!("a row of {name} says {text:?}, which nobody wrote") });
        }
    }
    Ok(())
}

/// Every text in something, as it is kept: in a form that is not for people to read.
fn texts_of(kept: &impl Serialize) -> Result<Vec<String>, Broken> {
    let value = Value::serialized(kept).map_err(|e| Broken { promise: "reads", seen: e.to_string() })?;
    let (mut open, mut texts) = (vec![value], Vec::new());
    while let Some(value) = open.pop() {
        match value {
            Value::Text(text) => texts.push(text),
            Value::Array(all) => open.extend(all),
            Value::Map(all) => open.extend(all.into_iter().map(|(_, value)| value)),
            _ => {}
        }
    }
    Ok(texts)
}
