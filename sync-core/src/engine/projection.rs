//! The rows that screens read, made of a document's records: what stands, what a machine comes to, what came in. Pure work, done on
//! whichever core is free; the store only writes it down.

use std::collections::BTreeMap;

use shared::ids::PersonId;
use shared::record::Body;
use shared::slot::Slot;

use crate::change::segment_codec;
use crate::judge::ledger::Ledger;
use crate::judge::machine::MachineState;
use crate::judge::machine_summary::MachineSummary;
use crate::judge::permissions::DocKind;
use crate::judge::roster::Roster;
use crate::judge::standing::{Standing, Standings};
use crate::store::{
    Came, DerivedRows, DocumentRow, MachineColumns, StandingsCache, Store, StoreError, ToDerive, TouchedDocument, entries_in, row,
};
use crate::sys::par_map::par_map;

/// So many documents are read at once, and worked on by all cores, before their rows are written.
const AT_ONCE: usize = 256;

/// What was derived of a document.
#[derive(Debug)]
pub(crate) struct Derived {
    num: i64,
    rows: Result<Option<DerivedRows>, StoreError>,
}

/// Derives a document's rows from its records.
///
/// # Errors
/// [`StoreError`].
pub fn derive(store: &Store, document: &DocumentRow, roster: &Roster) -> Result<(), StoreError> {
    let ledger = store.records().ledger(document.num)?;
    let before = store.projections().take_stood(document.num);
    let Some((rows, standings)) = rows_of(document.place, &ledger, roster, before)? else {
        return store.projections().underive(document.num);
    };
    // In a visit one reading follows another: each asks what stood before it, and writes this row anew.
    store.projections().write_rows(document.num, &DerivedRows { view: segment_codec::leave_uncompressed(rows.view), ..rows })?;
    store.projections().keep_stood(document.num, standings);
    Ok(())
}

/// Derives the rows of documents from their records.
///
/// # Errors
/// [`StoreError`].
pub(crate) fn derive_all(store: &Store, documents: &[TouchedDocument], roster: &Roster) -> Result<(), StoreError> {
    for some in documents.chunks(AT_ONCE) {
        let packed = some.iter().map(|document| store.projections().read_to_derive(*document)).collect::<Result<Vec<_>, _>>()?;
        par_map(packed, |packed| derived(packed, roster)).into_iter().try_for_each(|derived| keep(store, derived))?;
    }
    Ok(())
}

/// Derives the rows of every document from its records.
pub(crate) fn derive_everything(store: &Store, roster: &Roster) -> Result<(), StoreError> {
    let documents: Vec<TouchedDocument> = store.documents().all()?.iter().map(TouchedDocument::from).collect();
    derive_all(store, &documents, roster)?;
    store.projections().note_rows_of_now()
}

/// Makes the derived rows again where a program with another form of them, or with other rules, has made them.
///
/// # Errors
/// [`StoreError`].
pub(crate) fn renew(store: &Store, roster: &Roster) -> Result<(), StoreError> {
    if store.projections().rows_are_of_now()? {
        return Ok(());
    }
    store.atomically(|store| derive_everything(store, roster))
}

/// Derives the rows of a document that was read.
pub(crate) fn derived(read: ToDerive, roster: &Roster) -> Derived {
    let mut entries = read.entries;
    let unpacked = read.segments.iter().try_for_each(|encoded| entries_in(encoded).map(|some| entries.extend(some)));
    let rows = unpacked.and_then(|()| compressed_rows_of(read.document.place, &Ledger::new(entries), roster));
    Derived { num: read.document.num, rows }
}

/// Keeps the rows that were derived of a document.
pub(crate) fn keep(store: &Store, derived: Derived) -> Result<(), StoreError> {
    match derived.rows? {
        Some(rows) => store.projections().write_rows(derived.num, &rows),
        None => store.projections().underive(derived.num),
    }
}

/// How everything stands now: what was not spoken about stands as it did.
fn again(before: StandingsCache, judge: &Standings<'_>, ledger: &Ledger) -> Vec<Standing> {
    let StandingsCache { standings, moved } = before;
    let mut before = standings.into_iter().peekable();
    let mut stood = |slot: &Slot| {
        while before.next_if(|standing| standing.slot < *slot).is_some() {}
        before.next_if(|standing| standing.slot == *slot)
    };
    ledger.slots().map(|slot| stood(slot).filter(|_| !moved.contains(slot)).unwrap_or_else(|| judge.of(slot))).collect()
}

/// The rows that a document's records make, and what stands by them; `None` where it has no record.
pub(crate) fn rows_of(
    place: DocKind,
    ledger: &Ledger,
    roster: &Roster,
    before: Option<StandingsCache>,
) -> Result<Option<(DerivedRows, Vec<Standing>)>, StoreError> {
    if ledger.entries().next().is_none() {
        return Ok(None);
    }
    let judge = Standings::new(ledger, roster);
    let standings: Vec<Standing> = before.map_or_else(|| judge.all(), |before| again(before, &judge, ledger));
    let wanting = standings.iter().filter(|s| s.wants_ruling()).map(|s| (s.slot.clone(), false));
    let waiting = standings.iter().filter(|s| place != DocKind::Machine && !s.aside.is_empty()).map(|s| (s.slot.clone(), true));
    let open = wanting.chain(waiting).collect();
    let state = (place == DocKind::Machine).then(|| MachineState::fold(ledger, &standings, roster));
    let machine = state.as_ref().map(machine_columns).transpose()?;
    let view = row::of(state.as_ref(), &standings)?;
    Ok(Some((DerivedRows { view, open, machine, came: came(ledger) }, standings)))
}

/// The rows that a document's records make, as they go into the tables.
pub(crate) fn compressed_rows_of(place: DocKind, ledger: &Ledger, roster: &Roster) -> Result<Option<DerivedRows>, StoreError> {
    let made = rows_of(place, ledger, roster, None)?;
    made.map(|(rows, _)| Ok(DerivedRows { view: segment_codec::compress(&rows.view)?, ..rows })).transpose()
}

/// What the shop's receipts in a ledger are for. A receipt that an earlier one displaced is in it too, perhaps for nothing:
/// its row may have been written when it was the only one.
fn came(ledger: &Ledger) -> BTreeMap<(i64, PersonId), Came> {
    let mut came: BTreeMap<(i64, PersonId), Came> = BTreeMap::new();
    for entry in ledger.entries() {
        if let Some(receipt) = ledger.receipt(entry.record.id) {
            let of = came.entry((receipt.at_ms, entry.record.by)).or_default();
            of.records += 1;
            of.readings += u64::from(matches!(entry.record.body, Body::Clearance(_)));
            of.notes += u64::from(matches!(entry.record.body, Body::Note(_)));
        }
    }
    for (id, at_ms) in ledger.displaced_receipts() {
        if let Some(entry) = ledger.get(*id) {
            came.entry((*at_ms, entry.record.by)).or_default();
        }
    }
    came
}

fn machine_columns(state: &MachineState) -> Result<MachineColumns, StoreError> {
    let brief = row::brief(MachineSummary::of(state).as_ref())?;
    let visits = || state.visits.iter().map(|visit| visit.at_ms);
    let attention =
        !state.aside.is_empty() || !state.recheck.is_empty() || state.holds().next().is_some() || state.open_visits().next().is_some();
    Ok(MachineColumns {
        tag: state.tag().to_owned(),
        property: state.property(),
        brief,
        visited_ms: visits().min().zip(visits().max()),
        attention,
    })
}

#[cfg(test)]
mod tests {
    use shared::bytes::Bytes32;
    use shared::ids::{DeviceId, DocId, RecordId, ShopId};
    use shared::record::{Arrival, ClockEvidence, Note, Receipted, Record};

    use super::*;
    use crate::judge::ledger::Entry;
    use crate::judge::roster::ShopRoot;
    use crate::store::{CameIn, Store};

    fn entry(n: u8, body: Body) -> Entry {
        Entry {
            device: DeviceId::from_bytes([9; 16]),
            sha256: Bytes32([n; 32]),
            record: Record {
                id: RecordId::from_bytes([n; 16]),
                doc: DocId::from_bytes([8; 16]),
                by: PersonId::from_bytes([7; 16]),
                measured_by: None,
                at_ms: 1_000,
                clock: ClockEvidence::default(),
                seen: Vec::new(),
                body,
            },
        }
    }

    fn receipt(n: u8, at: i64) -> Entry {
        let body = Arrival {
            records: vec![Receipted { record: RecordId::from_bytes([1; 16]), sha256: Bytes32([1; 32]) }],
            at,
            skew_ms: 0,
            uncertainty_ms: 0,
            brought_by: DeviceId::from_bytes([9; 16]),
            position: 1,
            released_by: None,
        };
        entry(n, Body::Arrival(body))
    }

    /// A shop whose disk had lied lost a receipt, signed another, and got the first back from a device.
    #[test]
    fn a_record_with_two_receipts_is_counted_once_whichever_came_first() {
        let root = ShopRoot { shop: ShopId::from_bytes([5; 16]), device: DeviceId::from_bytes([6; 16]), key: Bytes32([4; 32]) };
        let roster = Roster::empty(root);
        let note = Body::Note(Note { text: "ticks".to_owned(), visit: None });
        for first in [2_000, 3_000] {
            let store = Store::in_memory().unwrap();
            let document = store.documents().found_document(DocId::from_bytes([8; 16]), DocKind::Machine).unwrap();
            let mut entries = vec![entry(1, note.clone()), receipt(2, first)];
            for second in [None, Some(receipt(3, 5_000 - first))] {
                entries.extend(second);
                let (rows, _) = rows_of(document.place, &Ledger::new(entries.clone()), &roster, None).unwrap().unwrap();
                store.projections().write_rows(document.num, &rows).unwrap();
            }
            let counted: Vec<usize> = store.records().came_in(0, 10_000).unwrap().iter().map(|CameIn { records, .. }| *records).collect();
            assert_eq!(counted, [1], "first receipt at {first}");
            let after = store.records().came_in(2_001, 10_000).unwrap();
            assert!(after.is_empty(), "only under the earlier: {after:?}");
        }
    }
}
