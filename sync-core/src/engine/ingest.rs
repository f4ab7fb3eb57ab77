//! Taking a batch in: each change through the validator in its turn, and what fits into as few segments of the log as may be.

use std::collections::BTreeSet;

use shared::bytes::Bytes32;
use shared::ids::{DeviceId, DocId, RecordId};
use shared::record::{Body, Receipted};
use shared::slot::Slot;
use shared::wire::{LARGEST_CHANGE, MOST_RECORDS, Recipe, Refusal, SEGMENT_BYTES};

use crate::engine::BookError;
use crate::engine::allowance::Allowance;
use crate::engine::incoming::{IncomingBatch, IncomingChange};
use crate::engine::validate::{Validator, Verdict};
use crate::judge::permissions::{DocKind, Site};
use crate::store::frontier::Frontier;
use crate::store::{Checked, Provenance, Store, Taken};

/// What became of a change.
#[derive(Debug)]
pub(crate) enum Outcome {
    /// It is in the book now.
    Taken {
        /// Its records that were not in the book before, and who signed them.
        new: Vec<(Receipted, DeviceId)>,
        /// It may have changed who may see what.
        opens: bool,
    },
    /// It was in the book already.
    Held,
    /// It builds on changes that have not arrived.
    Later(Vec<Bytes32>),
    /// It is not taken.
    Refused(Refusal),
}

impl Outcome {
    /// Records that were not in the book before, and who signed them.
    pub(crate) fn new_records(&self) -> &[(Receipted, DeviceId)] {
        if let Self::Taken { new, .. } = self { new } else { &[] }
    }
}

/// A part ends with so many changes, or with [`SEGMENT_BYTES`] of records: it is handed out, and offered again, as a whole.
const MOST_CHANGES: usize = MOST_RECORDS;

/// Changes that fit and are not in the log yet.
struct PendingChange<'s> {
    store: &'s Store,
    frontier: Frontier,
    site: Option<Site>,
    taken: Vec<Taken>,
    ids: BTreeSet<RecordId>,
    bytes: usize,
    known: Provenance,
}

impl PendingChange<'_> {
    fn append(&mut self, packed: Option<Vec<u8>>) -> Result<(), BookError> {
        if self.taken.is_empty() {
            return Ok(());
        }
        let site = self.site.ok_or_else(|| BookError::Defect("a change for no document".to_owned()))?;
        self.store.log().append_segment(&mut self.frontier, site.place, std::mem::take(&mut self.taken), self.known, packed)?;
        Ok(())
    }

    fn flush(&mut self) -> Result<(), BookError> {
        self.append(None)?;
        self.store.log().index(&mut self.frontier)?;
        self.ids.clear();
        self.bytes = 0;
        Ok(())
    }

    /// Whether judging this change looks at what waits here: then that must be in the book first.
    fn bears_on(&self, brought: &IncomingChange) -> bool {
        !self.taken.is_empty()
            && brought.records.iter().filter_map(|record| record.opened.as_ref().ok()).any(|opened| {
                matches!(opened.record.body, Body::Void(_) | Body::Ruling(_) | Body::Machine(_)) || self.ids.contains(&opened.record.id)
            })
    }

    /// Whether a record may change who may see what. Where a machine is, by its card, changes also when the card is undone or ruled on.
    fn opens(&self, body: &Body) -> Result<bool, BookError> {
        let by_itself = |body: &Body| match body {
            Body::Machine(_) | Body::Property(_) => true,
            Body::Ruling(ruling) => ruling.slot == Slot::Machine,
            _ => false,
        };
        Ok(match body {
            Body::Void(void) => self.store.records().held(void.target)?.is_some_and(|held| by_itself(&held.entry.record.body)),
            body => by_itself(body),
        })
    }

    fn take(&mut self, recipe: Recipe, checked: Vec<Checked>) -> Result<Outcome, BookError> {
        if self.site.is_none() {
            self.site = checked.iter().find_map(|c| Site::founded_by(&c.entry.record));
        }
        let bytes = recipe.records.iter().map(|record| record.0.len()).sum::<usize>();
        // One that is larger than any that is taken today stands alone, so that it stays readable.
        if self.taken.len() >= MOST_CHANGES || self.bytes >= SEGMENT_BYTES || bytes > LARGEST_CHANGE {
            self.flush()?;
        }
        self.bytes += bytes;
        let new = checked.iter().filter(|c| !c.held).map(|c| (c.entry.receipted(), c.entry.device)).collect();
        let mut opens = false;
        for checked in &checked {
            opens = opens || self.opens(&checked.entry.record.body)?;
        }
        self.ids.extend(checked.iter().map(|c| c.entry.record.id));
        self.frontier.advance(&recipe);
        self.taken.push((recipe, checked));
        Ok(Outcome::Taken { new, opens })
    }
}

/// A batch that is in the log.
#[derive(Debug)]
#[must_use = "its rows are to be settled"]
pub(crate) struct Admitted {
    /// What became of each change, in order.
    pub(crate) outcomes: Vec<Outcome>,
    /// Where the document ends now. Rows are the caller's to settle, with what else it appends.
    pub(crate) frontier: Frontier,
}

/// Takes a batch in. The rows derived from it are the caller's to make. The records of what was taken are gone from the
/// batch; those of the rest are still there.
pub(crate) fn admit(
    store: &Store,
    validator: &Validator<'_>,
    allowance: &mut Allowance,
    batch: &mut IncomingBatch,
    known: Provenance,
) -> Result<Admitted, BookError> {
    let frontier = Frontier::read(store, batch.doc)?;
    // Only the shop's own validator asks who may read: a device needs no more than what its row says.
    let site = match &frontier.document {
        Some(row) if !validator.of_shop => Some(Site::of_kind(row.place)),
        Some(_) => store.documents().site(batch.doc)?,
        None => None,
    };
    let mut pending = PendingChange { store, frontier, site, taken: Vec::new(), ids: BTreeSet::new(), bytes: 0, known };
    let mut outcomes = Vec::with_capacity(batch.changes.len());
    for brought in &mut batch.changes {
        if pending.bears_on(brought) {
            pending.flush()?;
        }
        outcomes.push(match validator.judge(store, &pending.frontier, pending.site, brought)? {
            Verdict::Held => Outcome::Held,
            Verdict::Later(missing) => Outcome::Later(missing),
            Verdict::Refused(refusal) => Outcome::Refused(refusal),
            Verdict::Fits(checked) => {
                let place = pending.site.map_or_else(|| founded_by(&checked), |site| site.place);
                if let Some(refusal) = allowance.judge(store, validator, &pending.frontier, place, &brought.recipe, &checked)? {
                    outcomes.push(Outcome::Refused(refusal));
                    continue;
                }
                let recipe = Recipe { records: std::mem::take(&mut brought.recipe.records), ..brought.recipe.clone() };
                pending.take(recipe, checked)?
            }
        });
    }
    let whole = pending.taken.len() == batch.changes.len();
    pending.append(batch.packed.take().filter(|_| whole))?;
    Ok(Admitted { outcomes, frontier: pending.frontier })
}

/// What kind of document it is, or what its founding record makes it.
pub(crate) fn place_of(store: &Store, doc: DocId, records: &[Checked]) -> Result<DocKind, BookError> {
    if let Some(place) = store.documents().place(doc)? {
        return Ok(place);
    }
    Ok(founded_by(records))
}

fn founded_by(records: &[Checked]) -> DocKind {
    records.iter().find_map(|c| DocKind::founded_by(&c.entry.record.body)).unwrap_or(DocKind::Machine)
}
