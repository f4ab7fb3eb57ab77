//! A page of what moved: newly opened documents from their beginning, then changes in the order of the shop's log.
//!
//! The page follows from the log, the grants and the cursor alone; nothing is remembered per device, so an answer that
//! is lost costs nothing but its repetition.

use std::collections::{BTreeMap, BTreeSet};

use shared::bytes::Bytes32;
use shared::ids::{DocId, PersonId};
use shared::wire::{Cursor, DocAnswer, Fill, PAGE_BYTES, Recipe};

use super::shop::Intake;
use crate::book::BookError;
use crate::rights::Place;
use crate::store::{DocumentRow, Logged, Store, StoreError};

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
    /// Hashes that the device holds already: it offered them.
    offered: BTreeSet<Bytes32>,
    bytes: usize,
    /// Something that was asked for did not fit.
    cut: bool,
}

/// The next page for a person's device. `lacking` names documents with the heads that the device has of them.
pub(super) fn next_page(
    store: &Store,
    person: PersonId,
    cursor: Cursor,
    intake: Intake,
    lacking: &BTreeMap<DocId, &[Bytes32]>,
) -> Result<Page, BookError> {
    let end = store.log_end()?;
    let Intake { answers, offered, .. } = intake;
    let mut page = Filling { store, order: answers.keys().copied().collect(), docs: answers, offered, bytes: 0, cut: false };
    for (doc, heads) in lacking {
        if let Some(document) = store.document(*doc)?
            && store.may_read(person, &document)?
        {
            // What does not fit is asked for again, with heads that have moved.
            page.beyond(&document, heads)?;
        }
    }
    let mut fill = cursor.fill.filter(|fill| fill.until > cursor.position).unwrap_or(Fill { until: end, after: 0, within: 0 });
    for num in store.newly_open(person, cursor.position, fill.until, fill.after)? {
        for pos in store.positions_of(num, fill.within, fill.until)? {
            if page.is_full() {
                return page.close(Cursor { position: cursor.position, fill: Some(fill), ..Cursor::default() }, true);
            }
            page.change(pos)?;
            fill.within = pos;
        }
        fill = Fill { until: fill.until, after: num.unsigned_abs(), within: 0 };
    }
    let filled = Fill { until: fill.until, after: u64::MAX >> 1, within: 0 };
    let mut position = cursor.position;
    let moved = store.moved(person, position, fill.until, MOST_CHANGES)?;
    let all = i64::try_from(moved.len()).unwrap_or(i64::MAX) < MOST_CHANGES;
    for pos in moved {
        if page.is_full() {
            return page.close(Cursor { position, fill: Some(filled), ..Cursor::default() }, true);
        }
        page.change(pos)?;
        position = pos;
    }
    if !all {
        return page.close(Cursor { position, fill: Some(filled), ..Cursor::default() }, true);
    }
    let more = page.cut || fill.until < end;
    page.close(Cursor { position: fill.until, ..Cursor::default() }, more)
}

impl Filling<'_> {
    fn answer(&mut self, doc: DocId) -> &mut DocAnswer {
        if !self.docs.contains_key(&doc) {
            self.order.push(doc);
        }
        self.docs.entry(doc).or_insert_with(|| DocAnswer::new(doc))
    }

    const fn is_full(&self) -> bool {
        self.bytes > PAGE_BYTES
    }

    /// Adds a change of the log, unless the device has it: it offered it just now.
    fn change(&mut self, pos: u64) -> Result<(), StoreError> {
        if let Some(Logged { doc, recipe, .. }) = self.store.change_at(pos)?
            && !self.offered.contains(&recipe.hash)
        {
            self.recipe(doc, recipe);
        }
        Ok(())
    }

    fn recipe(&mut self, doc: DocId, recipe: Recipe) {
        self.bytes += recipe.records.iter().map(|r| r.0.len()).sum::<usize>() + 128;
        self.answer(doc).recipes.push(recipe);
    }

    /// Adds what a document holds beyond these heads.
    fn beyond(&mut self, document: &DocumentRow, heads: &[Bytes32]) -> Result<(), StoreError> {
        let positions = self.store.positions_beyond(document.num, heads)?;
        // Named even where nothing is beyond, so that the device hears the shop's heads.
        self.answer(document.doc);
        for pos in positions {
            if self.is_full() {
                self.cut = true;
                break;
            }
            self.change(pos)?;
        }
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
