//! How much a book takes: of one change, in one document, from one device in a day, into quarantine. Judged after rights, in
//! memory within one step, with one row read and written for each device that has brought something.
//!
//! What is within these bounds verifies, is backed up and put back: nothing there has a smaller one.

use std::collections::BTreeMap;

use shared::ids::{DeviceId, RecordId};
use shared::problem::Code;
use shared::role::Role;
use shared::wire::{LARGEST_CHANGE, Recipe, Refusal};

use crate::change::replica::{LARGEST_DOCUMENT, MOST_DEPS};
use crate::engine::validate::Validator;
use crate::judge::permissions::DocKind;
use crate::store::frontier::Frontier;
use crate::store::{Brought, Checked, Size, Store, StoreError};

const MIB: u64 = 1024 * 1024;
/// A day, for what a device may bring: of the shop's clock, in UTC.
pub(crate) const DAY_MS: i64 = 86_400_000;

/// What the crew may grow a machine's or a property's document to. Twenty years of 50 visits with 30 records are 30,000 records;
/// of about 400 bytes, with a receipt of 2.3 kB for each visit, they come to 14 MB.
const OF_ONE: Size = Size { bytes: 20 * MIB, records: 65_536 };
/// What the crew, without the office, may grow the roster or the engines to: every phone has them, and all that it may write
/// there is a note, a photo or a proposal. Forty proposals of 2 kB a year are 1.6 MB in twenty years.
const COMMON_BY_CREW: Size = Size { bytes: 4 * MIB, records: 8_192 };
/// What the office may grow the roster or the engines to. 200 people with 15 cards and roles each, 1,000 devices with a card and a
/// revocation, and 100 assignments for each person are 25,000 records; of about 400 bytes, with 66 more in
/// receipts, they come to 12 MB.
const COMMON: Size = Size { bytes: 20 * MIB, records: 65_536 };
/// What office and leads may grow the closings to: 7,300 days of 300 machines that moved are 16 kB each, and 117 MB.
const DAYS: Size = Size { bytes: 128 * MIB, records: 65_536 };
/// Beyond what the crew may fill, so much stays for the office: voids and rulings still fit.
const FOR_OFFICE: Size = Size { bytes: 4 * MIB, records: 8_192 };
/// What the shop's receipt of a record takes at most of its share: id and hash, and the record around them where it is alone.
const RECEIPT: u64 = 512;

/// What one device may bring in a day, in all. The busiest day of the fleet's workload is 400 readings and some notes; fifty such
/// days without a signal are 20,000 records of 400 bytes, 8 MB.
const A_DAY: Size = Size { bytes: 16 * MIB, records: 20_000 };
/// Of that, into the documents that every phone downloads, by people outside the office: a lead proposes some cards.
const A_DAY_COMMON: Size = Size { bytes: MIB / 4, records: 256 };
/// The same for the office, which enters a crew of 200 and thousands of assignments in its first days.
const A_DAY_COMMON_OFFICE: Size = Size { bytes: 8 * MIB, records: 10_000 };
/// What quarantine holds, waiting, of what one device brought. An honest device has a handful there in a year.
const IN_QUARANTINE: Size = Size { bytes: 2 * MIB, records: 512 };

/// The most heads that a change may leave: the next one, and the shop's own receipt, must be able to build on all of them.
const MOST_HEADS: usize = MOST_DEPS - 16;

/// What a step may still take, and what it has taken.
#[derive(Debug, Default)]
pub(crate) struct Allowance {
    changes: bool,
    at_shop: Option<AtShop>,
}

#[derive(Debug)]
struct AtShop {
    day: i64,
    brought: BTreeMap<DeviceId, Brought>,
    /// What waits in quarantine of the device that is here, once that was asked.
    waiting: Option<Size>,
}

impl Allowance {
    /// For what the shop itself sends: it has judged, and a device follows.
    pub(crate) fn of_the_shop() -> Self {
        Self::default()
    }

    /// For a bundle: no change so large that it could not be offered.
    pub(crate) fn of_a_bundle() -> Self {
        Self { changes: true, at_shop: None }
    }

    /// For what a device brings to the shop, at a time of the shop's clock in ms since 1970 UTC.
    pub(crate) fn at_the_shop(now_ms: i64) -> Self {
        Self { changes: true, at_shop: Some(AtShop { day: now_ms.div_euclid(DAY_MS), brought: BTreeMap::new(), waiting: None }) }
    }

    /// Judges a change that is right in all else; `None`: it is taken.
    pub(crate) fn judge(
        &mut self,
        store: &Store,
        validator: &Validator<'_>,
        frontier: &Frontier,
        place: DocKind,
        recipe: &Recipe,
        checked: &[Checked],
    ) -> Result<Option<Refusal>, StoreError> {
        let refuse = |record: Option<RecordId>, code: Code, detail: String| Ok(Some(Refusal { change: recipe.hash, record, code, detail }));
        if self.changes {
            let size = Size::default().with(&recipe.records);
            if size.bytes > LARGEST_CHANGE as u64 || frontier.heads_with(recipe) > MOST_HEADS {
                let detail = "The change does not fit what is held: it is larger than one change may be, or stands beside too many others. \
                              Its records are kept, and come again in smaller ones.";
                return refuse(None, Code::ChangeInvalid, detail.to_owned());
            }
        }
        let Some(at_shop) = &mut self.at_shop else { return Ok(None) };
        let held = frontier.size();
        let mut grown = held.with(&recipe.records);
        grown.bytes = grown.bytes.saturating_add(RECEIPT * checked.len() as u64);
        let mut counted: Vec<(DeviceId, Brought)> = Vec::new();
        for (Checked { entry, held: again }, bytes) in checked.iter().zip(&recipe.records) {
            let record = &entry.record;
            // What the shop itself wrote, or has a receipt for from before it was put back, counts for nobody. What is held, and
            // comes in yet another change, counts for the device that brings it: it takes room again.
            let device = if *again { &validator.brought_by } else { &entry.device };
            if !*again && (*device == validator.roster.root.device || validator.vouched.names(record.id, entry.sha256)) {
                continue;
            }
            let role = validator.roster.signer(*device).and_then(|(_, person)| validator.roster.role_now(person));
            if !within(grown, room_of(place, role)) {
                let detail = format!(
                    "The document has no room for more: it holds {} records of {} bytes. This {} is kept in quarantine and on its device. \
                     Tell the office, which sees who has filled it.",
                    held.records,
                    held.bytes,
                    record.body.kind()
                );
                return refuse(Some(record.id), Code::DocumentFull, detail);
            }
            let mut brought = match counted.iter().find(|(other, _)| other == device) {
                Some((_, brought)) => *brought,
                None => at_shop.of(store, *device)?,
            };
            let one = Size::default().with(std::slice::from_ref(bytes));
            let common = matches!(place, DocKind::Roster | DocKind::Engines);
            brought.all = brought.all.and(one);
            if common {
                brought.common = brought.common.and(one);
            }
            let of_office = role == Some(Role::Office);
            let common_bound = if of_office { A_DAY_COMMON_OFFICE } else { A_DAY_COMMON };
            if !within(brought.all, A_DAY) || !within(brought.common, common_bound) {
                at_shop.held_back(store, *device, checked.len())?;
                let detail = format!(
                    "This device has brought as much as one may bring in a day, and this {} goes beyond. Nothing is lost: it is kept on \
                     the device, and offered again tomorrow.",
                    record.body.kind()
                );
                return refuse(Some(record.id), Code::DayFull, detail);
            }
            counted.retain(|(other, _)| other != device);
            counted.push((*device, brought));
        }
        at_shop.brought.extend(counted);
        Ok(None)
    }

    /// Whether quarantine has room for a record from the device that is here; it is counted, one way or the other.
    pub(crate) fn has_room_in_quarantine(&mut self, store: &Store, by: DeviceId, bytes: usize) -> Result<bool, StoreError> {
        let Some(at_shop) = &mut self.at_shop else { return Ok(true) };
        let waiting = match at_shop.waiting {
            Some(waiting) => waiting,
            None => store.quarantine().waiting_of(by)?,
        };
        let with = waiting.and(Size { bytes: bytes as u64, records: 1 });
        let fits = within(with, IN_QUARANTINE);
        at_shop.waiting = Some(if fits { with } else { waiting });
        if !fits {
            let mut brought = at_shop.of(store, by)?;
            brought.turned_away = brought.turned_away.saturating_add(1);
            at_shop.brought.insert(by, brought);
        }
        Ok(fits)
    }

    /// Writes down what each device has brought today.
    pub(crate) fn keep(self, store: &Store) -> Result<(), StoreError> {
        let Some(AtShop { day, brought, .. }) = self.at_shop else { return Ok(()) };
        brought.into_iter().try_for_each(|(device, brought)| store.quarantine().note_brought(device, day, &brought))
    }
}

impl AtShop {
    fn of(&self, store: &Store, device: DeviceId) -> Result<Brought, StoreError> {
        self.brought.get(&device).map_or_else(|| store.quarantine().brought(device, self.day), |brought| Ok(*brought))
    }

    fn held_back(&mut self, store: &Store, device: DeviceId, records: usize) -> Result<(), StoreError> {
        let mut brought = self.of(store, device)?;
        brought.held_back = brought.held_back.saturating_add(records as u64);
        self.brought.insert(device, brought);
        Ok(())
    }
}

const fn within(size: Size, bound: Size) -> bool {
    size.bytes <= bound.bytes && size.records <= bound.records
}

/// How far someone with a role may grow a document.
const fn room_of(place: DocKind, role: Option<Role>) -> Size {
    let office = matches!(role, Some(Role::Office));
    match place {
        DocKind::Roster | DocKind::Engines if office => COMMON,
        DocKind::Days if office => DAYS.and(FOR_OFFICE),
        DocKind::Days if matches!(role, Some(Role::Lead)) => DAYS,
        DocKind::Roster | DocKind::Engines | DocKind::Days => COMMON_BY_CREW,
        DocKind::Machine | DocKind::Property if office => OF_ONE.and(FOR_OFFICE),
        DocKind::Machine | DocKind::Property => OF_ONE,
    }
}

const _: () = {
    assert!(LARGEST_DOCUMENT < u32::MAX as u64, "no library's counter is near");
    assert!(DAYS.bytes + FOR_OFFICE.bytes + 8 * MIB <= LARGEST_DOCUMENT, "with the receipts of what one request brings");
    assert!(COMMON.bytes <= LARGEST_DOCUMENT && OF_ONE.bytes + FOR_OFFICE.bytes <= LARGEST_DOCUMENT);
    // A bundle has roster and engines, which the crew alone cannot fill, and still takes the fullest machine.
    assert!(2 * COMMON_BY_CREW.bytes + OF_ONE.bytes <= shared::wire::LARGEST_PLAIN as u64);
    assert!(A_DAY_COMMON.bytes < COMMON_BY_CREW.bytes && A_DAY_COMMON_OFFICE.bytes < COMMON.bytes && A_DAY.bytes < OF_ONE.bytes);
    assert!(MOST_HEADS < MOST_DEPS);
};
