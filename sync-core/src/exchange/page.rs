//! A page of what moved: newly opened documents whole, then changes in the order of the shop's log.
//!
//! The page follows from the log, the grants and the cursor alone; nothing is remembered per device, so an answer that
//! is lost costs nothing but its repetition.

use std::collections::{BTreeMap, BTreeSet};

use shared::bytes::Blob;
use shared::ids::{DocId, PersonId};
use shared::wire::{Cursor, DocAnswer, Fill, PAGE_BYTES, Recipe, Snapshot};

use super::shop::Intake;
use crate::book::BookError;
use crate::replica;
use crate::rights::Place;
use crate::store::{DocumentRow, Store, StoreError};

/// The most changes looked at for one page.
const MOST_CHANGES: i64 = 8_192;

/// A page, and where the device stands once it has kept it.
pub(super) struct Page {
    pub(super) cursor: Cursor,
    pub(super) more: bool,
    pub(super) docs: Vec<DocAnswer>,
}

struct Filling<'a> {
    store: &'a Store,
    docs: BTreeMap<DocId, DocAnswer>,
    order: Vec<DocId>,
    bytes: usize,
}

/// The next page for a person's device.
pub(super) fn next_page(
    store: &Store,
    person: PersonId,
    cursor: Cursor,
    intake: Intake,
    whole: &BTreeSet<DocId>,
) -> Result<Page, BookError> {
    let end = store.log_end()?;
    let mut page = Filling { store, order: intake.answers.keys().copied().collect(), docs: intake.answers, bytes: 0 };
    for doc in whole {
        if let Some(document) = store.document(*doc)?
            && store.may_read(person, &document)?
        {
            page.snapshot(&document)?;
        }
    }
    let fill = cursor.fill.filter(|fill| fill.until > cursor.position).unwrap_or(Fill { until: end, after: 0 });
    let mut at = fill;
    for num in store.newly_open(person, cursor.position, fill.until, fill.after)? {
        let Some(document) = store.document_by_num(num)? else { continue };
        if page.bytes > PAGE_BYTES {
            return page.close(Cursor { position: cursor.position, fill: Some(at) }, true);
        }
        match intake.founded.get(&document.doc) {
            Some(positions) => {
                for pos in positions {
                    if let Some(change) = store.change_at(*pos)? {
                        page.recipe(change.doc, change.recipe);
                    }
                }
            }
            None => page.snapshot(&document)?,
        }
        at.after = u64::try_from(num).unwrap_or(0);
    }
    let mut position = cursor.position;
    let moved = store.moved(person, position, fill.until, MOST_CHANGES)?;
    let all = i64::try_from(moved.len()).unwrap_or(i64::MAX) < MOST_CHANGES;
    for pos in moved {
        if page.bytes > PAGE_BYTES {
            return page.close(Cursor { position, fill: Some(Fill { until: fill.until, after: u64::MAX >> 1 }) }, true);
        }
        if let Some(change) = store.change_at(pos)?
            && !intake.offered.contains(&change.recipe.hash)
        {
            page.recipe(change.doc, change.recipe);
        }
        position = pos;
    }
    if !all {
        return page.close(Cursor { position, fill: Some(Fill { until: fill.until, after: u64::MAX >> 1 }) }, true);
    }
    page.close(Cursor { position: fill.until, fill: None }, fill.until < end)
}

impl Filling<'_> {
    fn answer(&mut self, doc: DocId) -> &mut DocAnswer {
        if !self.docs.contains_key(&doc) {
            self.order.push(doc);
        }
        self.docs.entry(doc).or_insert_with(|| DocAnswer::new(doc))
    }

    fn recipe(&mut self, doc: DocId, recipe: Recipe) {
        self.bytes += recipe.records.iter().map(|r| r.0.len()).sum::<usize>() + 128;
        self.answer(doc).recipes.push(recipe);
    }

    fn snapshot(&mut self, document: &DocumentRow) -> Result<(), BookError> {
        let saved = match self.store.snapshot(document.num)? {
            Some(saved) => saved,
            None => {
                let recipes: Vec<Recipe> = self.store.changes_of(document.num)?.into_iter().map(|c| c.recipe).collect();
                let saved = replica::save(document.doc, &recipes)?;
                // It replaces its predecessor only after it has been loaded again.
                replica::load(document.doc, &saved, &document.heads)?;
                self.store.keep_snapshot(document.num, &saved)?;
                saved
            }
        };
        self.bytes += saved.len();
        let heads = document.heads.clone();
        self.answer(document.doc).snapshot = Some(Snapshot { saved: Blob(saved), heads });
        Ok(())
    }

    fn close(mut self, cursor: Cursor, more: bool) -> Result<Page, BookError> {
        let mut docs = Vec::with_capacity(self.order.len());
        for doc in &self.order {
            let Some(mut answer) = self.docs.remove(doc) else { continue };
            let row = self.store.document(*doc)?;
            answer.heads = row.as_ref().map(|r| r.heads.clone()).unwrap_or_default();
            let rank = match row.map(|r| r.place) {
                Some(Place::Roster) => 0,
                Some(Place::Engines) => 1,
                _ => 2,
            };
            docs.push((rank, answer));
        }
        docs.sort_by_key(|(rank, _)| *rank);
        Ok(Page { cursor, more, docs: docs.into_iter().map(|(_, doc)| doc).collect() })
    }
}

impl Store {
    /// Whether a person may be handed a document.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn may_read(&self, person: PersonId, document: &DocumentRow) -> Result<bool, StoreError> {
        Ok(self.newly_open(person, 0, u64::MAX >> 1, 0)?.contains(&document.num))
    }
}
