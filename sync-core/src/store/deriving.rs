//! What the rows of one document are: pure work on its records, done on whichever core is free.

use std::collections::{BTreeMap, BTreeSet};

use shared::ids::{PersonId, PropertyId};
use shared::record::Body;
use shared::slot::Slot;

use super::derived::TouchedDocument;
use super::records::entries_in;
use super::{StoreError, pack, row};
use crate::admission::Checked;
use crate::brief::Brief;
use crate::ledger::{Entry, Ledger};
use crate::machine::MachineState;
use crate::rights::Place;
use crate::roster::Roster;
use crate::standing::{Standing, Standings};
use crate::valve_set;

/// The derived rows of one document, ready to be written.
#[derive(Debug)]
pub(super) struct Rows {
    /// Not compressed, as it was made, or as it goes into its row.
    pub(super) view: Vec<u8>,
    /// Slots that want a ruling, and slots outside machines where something waits to be accepted.
    pub(super) open: Vec<(Slot, bool)>,
    pub(super) machine: Option<MachineColumns>,
    /// What the shop received, by the time of the receipt and the author.
    pub(super) came: BTreeMap<(i64, PersonId), Came>,
}

/// How much came at one time from one author.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Came {
    pub(super) records: u64,
    /// Of them, clearance readings.
    pub(super) readings: u64,
    /// Of them, notes.
    pub(super) notes: u64,
}

/// A document as it is in the log, to derive its rows from wherever there is a core to do it.
#[derive(Debug)]
pub(crate) struct ToDerive {
    pub(super) document: TouchedDocument,
    pub(super) packs: Vec<Vec<u8>>,
    /// Records of it that were at hand, and are in none of the packs.
    pub(super) entries: Vec<Entry>,
}

/// What was derived of a document.
#[derive(Debug)]
pub(crate) struct Derived {
    pub(super) num: i64,
    pub(super) rows: Result<Option<Rows>, StoreError>,
}

impl ToDerive {
    /// Derives the rows.
    pub(crate) fn derive(self, roster: &Roster) -> Derived {
        let mut entries = self.entries;
        let read = self.packs.iter().try_for_each(|pack| entries_in(pack).map(|some| entries.extend(some)));
        let rows = read.and_then(|()| squeezed_rows_of(self.document.place, &Ledger::new(entries), roster));
        Derived { num: self.document.num, rows }
    }
}

/// How a document stood before more was appended to it, and which slots that speaks about.
#[derive(Debug)]
pub(super) struct Before {
    /// In the order of their slots.
    pub(super) standings: Vec<Standing>,
    pub(super) moved: BTreeSet<Slot>,
}

impl Before {
    /// Hears what was appended. False: some of it reaches beyond its own slot, and so everything is to be judged anew.
    pub(super) fn hear(&mut self, records: &[Checked]) -> bool {
        records.iter().all(|Checked { entry, .. }| {
            self.moved.extend(Slot::of(&entry.record));
            match &entry.record.body {
                // What a reading says of a valve tells what state of the engine the valve's other readings speak of.
                Body::Clearance(reading) => {
                    self.moved.extend(valve_set::slots_of(reading.valve));
                    true
                }
                // Of others it says what counts, what time it was, how the meter goes on, or which valves there are.
                Body::Void(_) | Body::Ruling(_) | Body::Arrival(_) | Body::MeterChange(_) | Body::Machine(_) => false,
                _ => true,
            }
        })
    }

    /// How everything stands now.
    fn again(self, judge: &Standings<'_>, ledger: &Ledger) -> Vec<Standing> {
        let mut before = self.standings.into_iter().peekable();
        let mut stood = |slot: &Slot| {
            while before.next_if(|standing| standing.slot < *slot).is_some() {}
            before.next_if(|standing| standing.slot == *slot)
        };
        ledger.slots().map(|slot| stood(slot).filter(|_| !self.moved.contains(slot)).unwrap_or_else(|| judge.of(slot))).collect()
    }
}

#[derive(Debug)]
pub(super) struct MachineColumns {
    pub(super) tag: String,
    pub(super) property: Option<PropertyId>,
    pub(super) brief: Vec<u8>,
    pub(super) visited_ms: Option<(i64, i64)>,
    pub(super) attention: bool,
}

/// The rows that a document's records make, and what stands by them; `None` where it has no record.
pub(super) fn rows_of(
    place: Place,
    ledger: &Ledger,
    roster: &Roster,
    before: Option<Before>,
) -> Result<Option<(Rows, Vec<Standing>)>, StoreError> {
    if ledger.entries().next().is_none() {
        return Ok(None);
    }
    let judge = Standings::new(ledger, roster);
    let standings: Vec<Standing> = before.map_or_else(|| judge.all(), |before| before.again(&judge, ledger));
    let wanting = standings.iter().filter(|s| s.wants_ruling()).map(|s| (s.slot.clone(), false));
    let waiting = standings.iter().filter(|s| place != Place::Machine && !s.aside.is_empty()).map(|s| (s.slot.clone(), true));
    let open = wanting.chain(waiting).collect();
    let state = (place == Place::Machine).then(|| MachineState::fold(ledger, &standings, roster));
    let machine = state.as_ref().map(machine_columns).transpose()?;
    let view = row::of(state.as_ref(), &standings)?;
    Ok(Some((Rows { view, open, machine, came: came(ledger) }, standings)))
}

/// The rows that a document's records make, as they go into the tables.
pub(super) fn squeezed_rows_of(place: Place, ledger: &Ledger, roster: &Roster) -> Result<Option<Rows>, StoreError> {
    let made = rows_of(place, ledger, roster, None)?;
    made.map(|(rows, _)| Ok(Rows { view: pack::squeeze(&rows.view)?, ..rows })).transpose()
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
    let brief = row::brief(Brief::of(state).as_ref())?;
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
    use crate::ledger::Entry;
    use crate::roster::ShopRoot;
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
            let document = store.found_document(DocId::from_bytes([8; 16]), Place::Machine).unwrap();
            let mut entries = vec![entry(1, note.clone()), receipt(2, first)];
            for second in [None, Some(receipt(3, 5_000 - first))] {
                entries.extend(second);
                let (rows, _) = rows_of(document.place, &Ledger::new(entries.clone()), &roster, None).unwrap().unwrap();
                store.write_rows(document.num, &rows).unwrap();
            }
            let counted: Vec<usize> = store.came_in(0, 10_000).unwrap().iter().map(|CameIn { records, .. }| *records).collect();
            assert_eq!(counted, [1], "first receipt at {first}");
            let after = store.came_in(2_001, 10_000).unwrap();
            assert!(after.is_empty(), "only under the earlier: {after:?}");
        }
    }
}
