//! Changes of the hour meter: which notes are of one change, and what stands of each.

use shared::record::Body;
use shared::slot::Slot;
use sync_core::judge::ledger::Entry;
use sync_core::judge::standing::State;

use super::{Oracle, Question, Verdict};

/// What a change adds to every reading after it: when, and the old and the new meter's tenths.
pub(super) type Swap = (i64, i64, i64);

impl<'a> Oracle<'a> {
    fn swap(&self, entry: &Entry) -> Option<Swap> {
        match &entry.record.body {
            Body::MeterChange(change) => {
                Some((change.changed_ms.unwrap_or_else(|| self.facts.at(entry)), change.old.tenths(), change.new.tenths()))
            }
            _ => None,
        }
    }

    /// Each change's notes, the latest change first: the latest note and those within the window before it are of one change.
    fn changes(&self) -> Vec<Vec<&'a Entry>> {
        let window_ms = i64::from(self.facts.roster.settings.conflict_window_min) * 60_000;
        let at = |e: &Entry| self.swap(e).map_or(0, |(at, ..)| at);
        let mut left = self.facts.live(&Slot::MeterChanges);
        let mut changes = Vec::new();
        while let Some(latest) = left.iter().map(|e| at(e)).max() {
            let (of_one, others) = left.into_iter().partition(|e| at(e) >= latest - window_ms);
            changes.push(of_one);
            left = others;
        }
        changes
    }

    fn judge_change(&self, notes: &[&'a Entry]) -> Verdict {
        let speaks = |ruling: &Entry| match &ruling.record.body {
            Body::Ruling(ruling) => notes.iter().any(|note| ruling.of.contains(&note.record.id)),
            _ => false,
        };
        let rulings: Vec<&Entry> = self.rulings_with_right(&Slot::MeterChanges).into_iter().filter(|e| speaks(e)).collect();
        let rulings = self.facts.tips(&rulings);
        self.judge_these(&Question { plausible: notes.to_vec(), rulings, by_window: false }, |_| None)
    }

    /// The slot of all changes stands as the latest that asks for a ruling, else as the latest.
    pub(super) fn judge_meter(&self) -> Verdict {
        let changes: Vec<Verdict> = self.changes().iter().map(|notes| self.judge_change(notes)).collect();
        let asks = |verdict: &&Verdict| verdict.state == State::Contested || verdict.order_unknown;
        let shown = changes.iter().find(asks).or_else(|| changes.first());
        shown.copied().unwrap_or(Verdict { stands: None, state: State::Empty, order_unknown: false })
    }

    /// The changes that count, one said twice in the same words once.
    pub(super) fn swaps(&self) -> Vec<Swap> {
        let stands = |notes: &Vec<&'a Entry>| self.judge_change(notes).stands.and_then(|id| self.facts.find(id));
        let mut swaps: Vec<Swap> = self.changes().iter().filter_map(stands).filter_map(|e| self.swap(e)).collect();
        swaps.sort_unstable();
        swaps.dedup();
        swaps
    }
}
