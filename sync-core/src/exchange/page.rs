//! A page of what moved: newly opened documents from their beginning, then changes in the order of the shop's log.
//!
//! The page follows from the log, the grants and the cursor alone; nothing is remembered per device, so an answer that
//! is lost costs nothing but its repetition.

use std::collections::{BTreeMap, BTreeSet};

use shared::bytes::{Blob, Bytes32};
use shared::ids::{DocId, PersonId};
use shared::wire::{Cursor, DocAnswer, Fill, PAGE_BYTES, ShortRecipe};

use super::shop::Intake;
use crate::book::BookError;
use crate::rights::Place;
use crate::store::{DocumentRow, Store, StoreError, unpack};

/// The most parts of the log looked at for one page.
const MOST_PARTS: i64 = 8_192;
/// A pack unpacks to some times its size, and a device must hold a page of them.
const PACKED: usize = 3;

/// A page, and where the device stands once it has kept it.
pub(super) struct Page {
    pub(super) cursor: Cursor,
    pub(super) more: bool,
    pub(super) docs: Vec<DocAnswer>,
}

/// How a device takes what moved.
#[derive(Debug, Clone, Copy)]
pub(super) struct Manner {
    /// It reads short recipes and packs.
    pub(super) packs: bool,
    /// So many bytes of others' changes, about.
    pub(super) room: usize,
}

impl Manner {
    pub(super) fn of(packs: bool, room: Option<u64>) -> Self {
        let room = room.map_or(PAGE_BYTES, |room| usize::try_from(room).unwrap_or(PAGE_BYTES));
        Self { packs, room: room.min(PAGE_BYTES) }
    }
}

struct Filling<'a> {
    store: &'a Store,
    /// Who asks: heads are told to those who may read.
    person: PersonId,
    manner: Manner,
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
    manner: Manner,
) -> Result<Page, BookError> {
    let end = store.log_end()?;
    let Intake { answers, offered, .. } = intake;
    let mut page =
        Filling { store, person, manner, order: answers.keys().copied().collect(), docs: answers, offered, bytes: 0, cut: false };
    if manner.room == 0 {
        return page.close(cursor, end > cursor.position);
    }
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
        if page.is_full() {
            return page.close(Cursor { position: cursor.position, fill: Some(fill), ..Cursor::default() }, true);
        }
        if manner.packs && fill.within == 0 && page.whole(num)? {
            fill = Fill { until: fill.until, after: num.unsigned_abs(), within: 0 };
            continue;
        }
        for pos in store.positions_of(num, fill.within, fill.until)? {
            if page.is_full() {
                return page.close(Cursor { position: cursor.position, fill: Some(fill), ..Cursor::default() }, true);
            }
            page.part(pos)?;
            fill.within = pos;
        }
        fill = Fill { until: fill.until, after: num.unsigned_abs(), within: 0 };
    }
    let filled = Fill { until: fill.until, after: u64::MAX >> 1, within: 0 };
    let mut position = cursor.position;
    let moved = store.moved(person, position, fill.until, MOST_PARTS)?;
    let all = i64::try_from(moved.len()).unwrap_or(i64::MAX) < MOST_PARTS;
    for pos in moved {
        if page.is_full() {
            return page.close(Cursor { position, fill: Some(filled), ..Cursor::default() }, true);
        }
        page.part(pos)?;
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
        self.bytes > self.manner.room
    }

    /// Adds a whole document as it is kept; false where it is too large for that.
    fn whole(&mut self, num: i64) -> Result<bool, StoreError> {
        let parts = self.store.parts_of(num)?;
        let bytes: usize = parts.iter().map(|part| part.pack.len() * PACKED).sum();
        let Some(doc) = parts.first().map(|part| part.doc) else { return Ok(true) };
        if bytes > PAGE_BYTES || self.docs.contains_key(&doc) {
            return Ok(false);
        }
        self.bytes += bytes;
        self.answer(doc).packs.extend(parts.into_iter().map(|part| Blob(part.pack)));
        Ok(true)
    }

    /// Adds a part of the log, unless the device has it: it offered it just now.
    fn part(&mut self, pos: u64) -> Result<(), StoreError> {
        let Some(part) = self.store.part_at(pos)? else { return Ok(()) };
        if self.offered.contains(&part.hash) {
            return Ok(());
        }
        let recipes = if self.manner.packs {
            unpack(&part.pack)?
        } else {
            self.store.changes_at(pos)?.into_iter().map(|logged| ShortRecipe::from(logged.recipe)).collect()
        };
        self.recipes(part.doc, recipes);
        Ok(())
    }

    fn recipes(&mut self, doc: DocId, recipes: Vec<ShortRecipe>) {
        self.bytes += recipes.iter().map(|recipe| 128 + recipe.records.iter().map(|r| r.0.len()).sum::<usize>()).sum::<usize>();
        self.answer(doc).recipes.extend(recipes);
    }

    /// Adds what a document holds beyond these heads.
    fn beyond(&mut self, document: &DocumentRow, heads: &[Bytes32]) -> Result<(), StoreError> {
        let (_, beyond) = self.store.parted_at(document.num, heads)?;
        // Named even where nothing is beyond, so that the device hears the shop's heads.
        self.answer(document.doc);
        for logged in beyond {
            if self.is_full() {
                self.cut = true;
                break;
            }
            if !self.offered.contains(&logged.recipe.hash) {
                self.recipes(document.doc, vec![logged.recipe.into()]);
            }
        }
        Ok(())
    }

    fn close(mut self, cursor: Cursor, more: bool) -> Result<Page, BookError> {
        let mut docs = Vec::with_capacity(self.order.len());
        for doc in &self.order {
            let Some(mut answer) = self.docs.remove(doc) else { continue };
            let row = self.store.document(*doc)?;
            // Heads tell that there is such a document, and when it moves: to others the answer says what became of their offer.
            if let Some(row) = &row
                && self.store.may_read(self.person, row)?
            {
                answer.heads.clone_from(&row.heads);
            }
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
