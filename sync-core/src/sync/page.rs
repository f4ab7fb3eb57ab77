//! A page of what moved: the roster first, since all else is judged by it; then newly opened documents from their beginning, and
//! changes in the order of the shop's log.
//!
//! The page follows from the log, the grants and the cursor alone; nothing is remembered per device, so an answer that
//! is lost costs nothing but its repetition.

use std::collections::{BTreeMap, BTreeSet};

use shared::bytes::{Blob, Bytes32};
use shared::ids::{DocId, PersonId};
use shared::wire::{Bootstrap, Cursor, DocAnswer, PAGE_BYTES, ShortRecipe};

use super::receipts;
use super::server::Intake;
use crate::change::{decode, decoded_size};
use crate::engine::BookError;
use crate::judge::permissions::DocKind;
use crate::store::{DocumentRow, Logged, Segment, Store, StoreError};

/// The most segments of the log looked at for one page.
const MOST_PARTS: i64 = 8_192;

/// A page, and where the device stands once it has kept it.
pub(super) struct Page {
    pub(super) cursor: Cursor,
    pub(super) more: bool,
    pub(super) docs: Vec<DocAnswer>,
}

/// How a device takes what moved.
#[derive(Debug, Clone, Copy)]
pub(super) struct Manner {
    /// It reads short recipes and segments.
    pub(super) segments: bool,
    /// So many bytes of others' changes, about.
    pub(super) room: usize,
}

impl Manner {
    pub(super) fn of(segments: bool, room: Option<u64>) -> Self {
        let room = room.map_or(PAGE_BYTES, |room| usize::try_from(room).unwrap_or(PAGE_BYTES));
        Self { segments, room: room.min(PAGE_BYTES) }
    }
}

struct Filling<'a> {
    store: &'a Store,
    manner: Manner,
    docs: BTreeMap<DocId, DocAnswer>,
    order: Vec<DocId>,
    /// Hashes that the device holds already: it offered them.
    offered: BTreeSet<Bytes32>,
    /// Where the log ended before this exchange: a segment beyond it has only changes of one offer, or the shop's receipts for it.
    before: u64,
    bytes: usize,
    /// Something that was asked for did not fit.
    cut: bool,
    /// How far into the log each document is on the page, where its segments are handed out one by one.
    reached: BTreeMap<DocId, u64>,
}

/// The next page for a person's device. `lacking` names documents with the heads that the device has of them.
pub(super) fn next_page(
    store: &Store,
    person: PersonId,
    roster: DocId,
    cursor: Cursor,
    intake: Intake,
    lacking: &BTreeMap<DocId, &[Bytes32]>,
    manner: Manner,
) -> Result<Page, BookError> {
    let end = store.log().log_end()?;
    let Intake { answers, offered, before, .. } = intake;
    let order = answers.keys().copied().collect();
    let mut page = Filling { store, manner, order, docs: answers, offered, before, bytes: 0, cut: false, reached: BTreeMap::new() };
    if manner.room == 0 {
        return page.close(cursor, end > cursor.position);
    }
    for (doc, heads) in lacking {
        if let Some(document) = store.documents().document(*doc)?
            && store.grants().may_read(person, &document)?
        {
            // What does not fit is asked for again, with heads that have moved.
            page.beyond(&document, heads)?;
        }
    }
    let begun = cursor.bootstrap.filter(|begun| begun.until > cursor.position);
    let mut progress = begun.unwrap_or(Bootstrap { until: end, ..Bootstrap::default() });
    let mut position = cursor.position;
    // One segment may be handed out in several pages; that goes for the first one looked at alone.
    let mut part_way = progress.part_way.take();
    // It is the first document that a shop founds, so what was filled up to any other is filled beyond it.
    let roster = store.documents().document(roster)?.map_or(0, |document| document.num.unsigned_abs());
    let first = (progress.after < roster).then_some((roster.cast_signed(), position));
    let opened = store.grants().newly_open(person, position, progress.until, progress.after.max(roster))?;
    for (num, from) in first.into_iter().chain(opened.into_iter().map(|num| (num, 0))) {
        let done = Bootstrap { until: progress.until, after: num.unsigned_abs(), ..Bootstrap::default() };
        match page.whole(num, progress.until, from == 0 && progress.within == 0 && part_way.is_none())? {
            Added::All => {
                progress = done;
                continue;
            }
            Added::Nothing => return page.close(Cursor { position, bootstrap: Some(progress), ..Cursor::default() }, true),
            Added::UpTo(_) => {}
        }
        for pos in store.log().positions_of(num, progress.within.max(from), progress.until)? {
            let after = part_way.take();
            match page.segment(pos, after)? {
                Added::All => progress.within = pos,
                stopped => {
                    progress.part_way = stopped.at().or(after);
                    return page.close(Cursor { position, bootstrap: Some(progress), ..Cursor::default() }, true);
                }
            }
        }
        progress = done;
    }
    let filled = Bootstrap { until: progress.until, after: u64::MAX >> 1, ..Bootstrap::default() };
    let moved = store.grants().moved(person, position, progress.until, MOST_PARTS)?;
    let all = i64::try_from(moved.len()).unwrap_or(i64::MAX) < MOST_PARTS;
    for pos in moved {
        let after = part_way.take();
        match page.segment(pos, after)? {
            Added::All => position = pos,
            stopped => {
                let filled = Bootstrap { part_way: stopped.at().or(after), ..filled };
                return page.close(Cursor { position, bootstrap: Some(filled), ..Cursor::default() }, true);
            }
        }
    }
    if !all {
        return page.close(Cursor { position, bootstrap: Some(filled), ..Cursor::default() }, true);
    }
    let more = page.cut || progress.until < end;
    page.close(Cursor { position: progress.until, ..Cursor::default() }, more)
}

/// What of a segment, or of a document, was added to a page.
#[derive(Debug, Clone, Copy)]
enum Added {
    /// All of it.
    All,
    /// What it begins with: this is the last change that was added. A page that has room for none is not empty.
    UpTo(Option<Bytes32>),
    /// Nothing: it goes to the next page.
    Nothing,
}

impl Added {
    const fn at(self) -> Option<Bytes32> {
        if let Self::UpTo(hash) = self { hash } else { None }
    }
}

/// What a change takes in a page, in bytes: its records, its facts, and each hash that it builds on.
fn measure(recipe: &ShortRecipe) -> usize {
    128 + recipe.deps.iter().map(|deps| deps.len() * 34).sum::<usize>() + recipe.records.iter().map(|r| r.0.len() + 4).sum::<usize>()
}

impl Filling<'_> {
    fn answer(&mut self, doc: DocId) -> &mut DocAnswer {
        if !self.docs.contains_key(&doc) {
            self.order.push(doc);
        }
        self.docs.entry(doc).or_insert_with(|| DocAnswer::new(doc))
    }

    /// Whether so many bytes more fit. An empty page takes anything, or nothing would ever come of it.
    fn fits(&self, bytes: usize) -> bool {
        self.bytes == 0 || self.bytes.saturating_add(bytes) <= self.manner.room
    }

    /// Adds a whole document as it is kept, where it `may` go so and is no larger than a page. What came in since the round began does not
    /// go before the roster of that time: whose device signed it may be news.
    fn whole(&mut self, num: i64, until: u64, may: bool) -> Result<Added, StoreError> {
        if !(may && self.manner.segments) {
            return Ok(Added::UpTo(None));
        }
        let segments = self.store.log().segments_of(num)?;
        let Some(doc) = segments.first().map(|segment| segment.doc) else { return Ok(Added::All) };
        if segments.last().is_some_and(|last| last.pos > until) {
            return Ok(Added::UpTo(None));
        }
        let mut bytes = 0_usize;
        for segment in &segments {
            // As segments it travels smaller, and a device must hold it unpacked.
            bytes = bytes.saturating_add(decoded_size(&segment.encoded)?);
        }
        if bytes > self.manner.room || self.docs.contains_key(&doc) {
            return Ok(Added::UpTo(None));
        }
        if !self.fits(bytes) {
            return Ok(Added::Nothing);
        }
        self.bytes += bytes;
        self.answer(doc).segments.extend(segments.into_iter().map(|segment| Blob(segment.encoded)));
        Ok(Added::All)
    }

    /// Whether the device offered every change of a segment. One may end with a change that it has, and begin with some that it lacks.
    fn is_offered(&self, pos: u64) -> Result<bool, StoreError> {
        Ok(self.store.log().changes_at(pos)?.iter().all(|logged| self.offered.contains(&logged.recipe.hash)))
    }

    /// Adds a segment of the log, unless the device has it: it offered it just now. Of one that was begun, what comes after a
    /// change; of one that no page holds, as much as this one does.
    fn segment(&mut self, pos: u64, after: Option<Bytes32>) -> Result<Added, StoreError> {
        let Some(segment) = self.store.log().segment_at(pos)? else { return Ok(Added::All) };
        if self.offered.contains(&segment.hash) && (pos > self.before || self.is_offered(pos)?) {
            return Ok(Added::All);
        }
        if !self.fits(decoded_size(&segment.encoded)?) {
            return Ok(Added::Nothing);
        }
        if self.manner.segments && after.is_none() {
            let recipes = decode(&segment.encoded)?;
            if recipes.iter().map(measure).sum::<usize>() <= self.manner.room.saturating_sub(self.bytes) {
                self.add(segment.doc, recipes);
                self.reached.insert(segment.doc, pos);
                return Ok(Added::All);
            }
        }
        let added = self.first_of(segment.doc, self.left_of(&segment, after)?);
        self.reached.insert(segment.doc, if matches!(added, Added::All) { pos } else { pos.saturating_sub(1) });
        Ok(added)
    }

    /// The changes of a segment after one of them: that one may stand in another segment by now, and then it is all of them.
    fn left_of(&self, segment: &Segment, after: Option<Bytes32>) -> Result<Vec<Logged>, StoreError> {
        let mut changes = self.store.log().changes_at(segment.pos)?;
        if let Some(at) = changes.iter().position(|logged| Some(logged.recipe.hash) == after) {
            changes.drain(..=at);
        }
        Ok(changes)
    }

    /// Adds of a segment that does not fit what does, change by change.
    fn first_of(&mut self, doc: DocId, changes: Vec<Logged>) -> Added {
        let mut last = None;
        for logged in changes {
            let (hash, recipe) = (logged.recipe.hash, ShortRecipe::from(logged.recipe));
            if !self.fits(measure(&recipe)) {
                return last.map_or(Added::Nothing, |_| Added::UpTo(last));
            }
            self.add(doc, vec![recipe]);
            last = Some(hash);
        }
        Added::All
    }

    fn add(&mut self, doc: DocId, recipes: Vec<ShortRecipe>) {
        self.bytes += recipes.iter().map(measure).sum::<usize>();
        self.answer(doc).recipes.extend(recipes);
    }

    /// Adds what a document holds beyond these heads.
    fn beyond(&mut self, document: &DocumentRow, heads: &[Bytes32]) -> Result<(), StoreError> {
        let (_, beyond) = self.store.log().parted_at(document.num, heads)?;
        // Named even where nothing is beyond, so that the device hears the shop's heads.
        self.answer(document.doc);
        for logged in beyond {
            if self.offered.contains(&logged.recipe.hash) {
                continue;
            }
            let recipe = ShortRecipe::from(logged.recipe);
            if !self.fits(measure(&recipe)) {
                self.cut = true;
                self.reached.insert(document.doc, 0);
                break;
            }
            self.add(document.doc, vec![recipe]);
        }
        Ok(())
    }

    /// The receipts of what the page has of a document, where it ended before them.
    fn receipts_beyond(&self, document: &DocumentRow, answer: &DocAnswer) -> Result<Vec<Blob>, BookError> {
        let Some(reached) = self.reached.get(&document.doc) else { return Ok(Vec::new()) };
        if answer.recipes.is_empty() || self.store.log().positions_of(document.num, *reached, u64::MAX)?.is_empty() {
            return Ok(Vec::new());
        }
        receipts::of_records(self.store, document.doc, answer.recipes.iter().flat_map(|recipe| &recipe.records))
    }

    fn close(mut self, cursor: Cursor, more: bool) -> Result<Page, BookError> {
        let mut docs = Vec::with_capacity(self.order.len());
        for doc in &self.order {
            let Some(mut answer) = self.docs.remove(doc) else { continue };
            let row = self.store.documents().document(*doc)?;
            answer.heads = row.as_ref().map(|r| r.heads.clone()).unwrap_or_default();
            if let Some(row) = row.as_ref().filter(|_| more) {
                answer.receipts = self.receipts_beyond(row, &answer)?;
            }
            let rank = match row.map(|r| r.place) {
                Some(DocKind::Roster) => 0,
                Some(DocKind::Engines) => 1,
                _ => 2,
            };
            docs.push((rank, answer));
        }
        docs.sort_by_key(|(rank, _)| *rank);
        Ok(Page { cursor, more, docs: docs.into_iter().map(|(_, doc)| doc).collect() })
    }
}
