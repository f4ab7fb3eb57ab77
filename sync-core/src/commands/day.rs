//! Closing a day: only when nothing is open, or with the reason why something is left open.

use std::collections::BTreeMap;

use jiff::civil::Date;
use shared::ids::RecordId;
use shared::length::LengthUnit;
use shared::record::{Covered, DayClosed, DayCounts, MOST_COVERED, MOST_HEADS, MOST_PARTS};

use super::ActionContext;
use crate::book::Draft;
use crate::commands::Author;
use crate::engine::BookError;
use crate::queries::DaySheet;

impl Author<'_> {
    /// Closes a day over what this book holds now; gives the first part of the closing. Closed again after late arrivals,
    /// the later closing stands.
    ///
    /// # Errors
    /// [`BookError::Entry`] for a day that has not come, one that is closed and has had no news, or open matters without
    /// a reason; any other having kept nothing.
    pub fn close_day(&mut self, day: Date, left_open: &str, hand: &mut ActionContext<'_>) -> Result<RecordId, BookError> {
        let today = self.book.roster()?.day(self.book.reader().shop_now_ms(&hand.now)?);
        if day > today {
            return Err(BookError::Entry(format!("{day} has not come yet; today is {today}.")));
        }
        let sheet = self.book.days().day_sheet(Some(day), LengthUnit::Thou, &hand.now)?;
        if let Some(closed) = &sheet.closed
            && closed.late.is_empty()
        {
            return Err(BookError::Entry(format!("{day} was closed by {} at {}, and nothing came for it since.", closed.by, closed.when)));
        }
        let left_open = left_open.trim();
        if !sheet.open_matters.is_empty() && left_open.is_empty() {
            let open = sheet.open_matters.join("; ");
            return Err(BookError::Entry(format!(
                "{day} has open matters: {open}. Settle them, or say why the day is closed with them open."
            )));
        }
        let before = self.book.days().last_closing()?;
        let known = before.map_or_else(|| Ok(BTreeMap::new()), |closing| self.book.days().covered_by(closing))?;
        let doc = self.book.identity()?.root.shop.days();
        let moved = self.book.store.documents().all()?.into_iter().filter(|row| row.doc != doc && known.get(&row.doc) != Some(&row.heads));
        let covers = segments_of(moved.map(|row| Covered { doc: row.doc, heads: row.heads }).collect())?;
        let parts = u32::try_from(covers.len()).unwrap_or(u32::MAX);
        let position = self.book.store.log().log_end()?;
        // Nothing was open, so there is nothing to give a reason for.
        let left_open = if sheet.open_matters.is_empty() { "" } else { left_open };
        let closing = |(part, covers): (u32, Vec<Covered>)| {
            let (left_open, counts) = (left_open.to_owned(), counts(&sheet));
            Draft::new(doc, DayClosed { day, counts, left_open, position, part, parts, since: before, covers })
        };
        let drafts = (1..).zip(covers).map(closing).collect();
        let written = self.book.write(drafts, &hand.now, hand.entropy)?;
        written.first().copied().ok_or_else(|| BookError::Defect("a closing of no parts".to_owned()))
    }
}

/// The documents in as many parts as they need; one part where nothing moved.
fn segments_of(mut covers: Vec<Covered>) -> Result<Vec<Vec<Covered>>, BookError> {
    covers.sort_by_key(|covered| covered.doc);
    let mut parts: Vec<Vec<Covered>> = vec![Vec::new()];
    let mut heads = 0;
    for covered in covers {
        let more = covered.heads.len();
        let full = |part: &Vec<Covered>| part.len() == MOST_COVERED || heads + more > MOST_HEADS;
        if parts.last().is_none_or(full) {
            parts.push(Vec::new());
            heads = 0;
        }
        heads += more;
        if let Some(part) = parts.last_mut() {
            part.push(covered);
        }
    }
    if parts.len() > MOST_PARTS as usize {
        return Err(BookError::Entry(
            "More has moved since the last closing than one closing covers. Close the days before first.".to_owned(),
        ));
    }
    Ok(parts)
}

fn counts(sheet: &DaySheet) -> DayCounts {
    let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    let all = &sheet.counts;
    DayCounts {
        records: count(all.records),
        readings: count(all.readings),
        visits: count(all.visits),
        contested: count(all.contested),
        aside: count(all.aside),
        holds: count(all.holds),
        recheck: count(all.recheck),
        unfinished: count(all.unfinished),
        quarantined: count(all.quarantine),
    }
}

#[cfg(test)]
mod tests {
    use shared::bytes::Bytes32;
    use shared::ids::DocId;

    use super::*;

    fn document(n: u16, heads: usize) -> Covered {
        let mut id = [0; 16];
        id[..2].copy_from_slice(&n.to_be_bytes());
        Covered { doc: DocId::from_bytes(id), heads: vec![Bytes32([7; 32]); heads] }
    }

    #[test]
    fn every_document_is_in_one_part_and_every_part_can_be() {
        let parts = segments_of((0..1_201).rev().map(|n| document(n, 1 + usize::from(n % 3))).collect()).unwrap();
        assert_eq!(parts.concat().len(), 1_201);
        assert!(parts.concat().is_sorted_by(|a, b| a.doc < b.doc));
        let heads = |part: &Vec<Covered>| part.iter().map(|c| c.heads.len()).sum::<usize>();
        assert!(parts.iter().all(|part| part.len() <= MOST_COVERED && heads(part) <= MOST_HEADS));
        assert_eq!(parts.len(), 4, "2,402 heads at 800 a part");
        assert_eq!(segments_of(Vec::new()).unwrap(), vec![Vec::<Covered>::new()], "a quiet day is closed too");
    }
}
