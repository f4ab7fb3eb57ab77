//! A device that keeps to no rule: signs whatever it likes with its own key and slips it into its own book.

use shared::bytes::{Blob, Bytes16, Bytes32};
use shared::ids::{DocId, PersonId, RecordId};
use shared::record::{Body, ClockEvidence, Record};
use shared::wire::Recipe;
use sync_core::admission::Checked;
use sync_core::book::Book;
use sync_core::rights::Place;
use sync_core::{envelope, replica};

/// A record that no honest program would write.
#[derive(Debug, Clone)]
pub struct Forged {
    /// Its id.
    pub id: RecordId,
    /// In whose name.
    pub by: PersonId,
    /// Which document it names.
    pub doc: DocId,
    /// What it says.
    pub body: Body,
}

/// Signs a forged record with the device's own key.
///
/// # Panics
/// Where the record cannot even be encoded.
#[must_use]
pub fn signed(book: &Book, forged: &Forged, at_ms: i64) -> (Record, Vec<u8>) {
    let identity = book.identity().expect("enrolled");
    let record = Record {
        id: forged.id,
        doc: forged.doc,
        by: forged.by,
        measured_by: None,
        at_ms,
        clock: ClockEvidence::default(),
        seen: vec![],
        body: forged.body.clone(),
    };
    let bytes = envelope::sign(&record, identity.device, &identity.keys.record(), identity.root.shop).expect("signed");
    (record, bytes)
}

/// The recipe of the next change that a document of this book could have, with these records.
///
/// # Panics
/// Where the facts do not make a change.
#[must_use]
pub fn next_recipe(book: &Book, doc: DocId, place: Place, actor: Bytes16, records: Vec<Vec<u8>>) -> Recipe {
    let store = book.store();
    let document = store.found_document(doc, place).expect("document");
    let mut recipe = Recipe {
        hash: Bytes32([0; 32]),
        actor,
        seq: store.last_of_actor(doc, actor).expect("row").map_or(1, |l| l.seq + 1),
        start_op: store.top_op(doc, &document.heads).expect("row") + 1,
        deps: document.heads,
        time: 0,
        records: records.into_iter().map(Blob).collect(),
    };
    recipe.hash = replica::change_hash(doc, &recipe).expect("a change");
    recipe
}

/// Slips records into the device's own book, past every check.
///
/// # Panics
/// Where the store fails.
pub fn slip_in(book: &Book, doc: DocId, place: Place, actor: Bytes16, forged: &[Forged], at_ms: i64) {
    let (records, bytes): (Vec<Record>, Vec<Vec<u8>>) = forged.iter().map(|f| signed(book, f, at_ms)).unzip();
    let device = book.identity().expect("enrolled").device;
    let recipe = next_recipe(book, doc, place, actor, bytes);
    let store = book.store();
    let checked: Vec<Checked> = records
        .into_iter()
        .map(|record| {
            let held = store.held(record.id).expect("row").is_some();
            Checked { device, record, held }
        })
        .collect();
    store.append(doc, place, &recipe, &checked, false).expect("appended");
    let document = store.document(doc).expect("row").expect("document");
    store.derive(&document, book.roster().expect("roster")).expect("derived");
}
