//! What needs the office on a day, in the order in which it is worked through, each named so that nobody has to look for it. One place
//! for the page, the terminal and HTTP.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};
use shared::text::count;

use super::DaySheet;
use crate::judge::roster::Roster;

/// What kind of matter; in this order they are worked through.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum MatterKind {
    /// A slot wants a ruling.
    Contested,
    /// A record does not stand by itself.
    Doubt,
    /// A machine must not be run.
    Hold,
    /// A record waits in quarantine.
    Quarantine,
    /// A device in use was not here.
    Missing,
    /// A visit was not finished.
    Unfinished,
}

impl MatterKind {
    /// Every kind, in the order in which they are worked through.
    pub const ALL: [Self; 6] = [Self::Contested, Self::Doubt, Self::Hold, Self::Quarantine, Self::Missing, Self::Unfinished];

    /// The kind in a word or two.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Contested => "contested",
            Self::Doubt => "in doubt",
            Self::Hold => "on hold",
            Self::Quarantine => "in quarantine",
            Self::Missing => "device not here",
            Self::Unfinished => "not finished",
        }
    }

    /// Whether the day is closed with it only for a reason. A hold is settled: the machine is on the list. A device that stays away is
    /// nothing that the office can settle by the evening.
    #[must_use]
    pub const fn keeps_day_open(self) -> bool {
        !matches!(self, Self::Hold | Self::Missing)
    }

    fn more(self, n: usize) -> String {
        match self {
            Self::Contested => count(n, "more slot is contested", "more slots are contested"),
            Self::Doubt => count(n, "more record is in doubt or only proposed", "more records are in doubt or only proposed"),
            Self::Hold => count(n, "more machine is on hold", "more machines are on hold"),
            Self::Quarantine => count(n, "more record waits in quarantine", "more records wait in quarantine"),
            Self::Missing => count(n, "more device was not here", "more devices were not here"),
            Self::Unfinished => count(n, "more visit is not finished", "more visits are not finished"),
        }
    }
}

/// One thing that needs the office.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Matter {
    /// What kind.
    pub kind: MatterKind,
    /// Which line of that kind's list on the sheet, from 0: of `contested`, `aside`, `holds`, `quarantine`, `devices` or `visits`.
    pub line: usize,
    /// It in a sentence, which names the machine, and the slot where there is one.
    pub words: String,
}

/// What needs the office on a sheet, as far as its lists go.
pub(super) fn of(sheet: &DaySheet, roster: &Roster) -> Vec<Matter> {
    let mut matters = Vec::new();
    let mut add = |kind: MatterKind, line: usize, words: String| matters.push(Matter { kind, line, words });
    for (n, slot) in sheet.contested.iter().enumerate() {
        add(MatterKind::Contested, n, format!("{}: {} is contested", slot.title, slot.slot_words));
    }
    // What is in doubt about a contested slot is decided with it.
    let contested: BTreeSet<_> = sheet.contested.iter().map(|slot| (slot.doc, &slot.slot)).collect();
    for (n, line) in sheet.aside.iter().enumerate().filter(|(_, line)| !contested.contains(&(line.doc, &line.slot))) {
        add(MatterKind::Doubt, n, format!("{}: {} by {} is not used: {}", line.title, line.words, line.by, line.why));
    }
    for (n, hold) in sheet.holds.iter().enumerate() {
        add(MatterKind::Hold, n, format!("{} at {} is on hold: {}", hold.tag, hold.property, hold.what));
    }
    for (n, waiting) in sheet.quarantine.iter().enumerate() {
        add(MatterKind::Quarantine, n, format!("{}, waits in quarantine", waiting.line.headline()));
    }
    for (n, device) in sheet.devices.iter().enumerate().filter(|(_, device)| !device.revoked && !device.here_today) {
        let last = device.last_ms.map_or_else(|| "never".to_owned(), |ms| roster.local(ms));
        add(MatterKind::Missing, n, format!("{} of {} was not here; last: {last}", device.name, device.person));
    }
    for (n, visit) in sheet.visits.iter().enumerate().filter(|(_, visit)| visit.finished_ms.is_none()) {
        let opened = roster.local(visit.at_ms);
        add(
            MatterKind::Unfinished,
            n,
            format!("{} at {}: the visit that {} opened on {opened} is not finished", visit.tag, visit.property, visit.by),
        );
    }
    matters
}

/// What keeps the day from being closed without a reason, a sentence each: what is named, and how much more there is of it.
pub(super) fn still_open(sheet: &DaySheet) -> Vec<String> {
    let counts = &sheet.counts;
    let mut lines = Vec::new();
    for kind in MatterKind::ALL.into_iter().filter(|kind| kind.keeps_day_open()) {
        lines.extend(sheet.matters.iter().filter(|matter| matter.kind == kind).map(|matter| matter.words.clone()));
        let left_out = match kind {
            MatterKind::Contested => counts.contested.saturating_sub(sheet.contested.len()),
            MatterKind::Doubt => counts.aside.saturating_sub(sheet.aside.len()),
            MatterKind::Quarantine => counts.quarantine.saturating_sub(sheet.quarantine.len()),
            MatterKind::Unfinished => counts.unfinished.saturating_sub(sheet.visits.iter().filter(|v| v.finished_ms.is_none()).count()),
            MatterKind::Hold | MatterKind::Missing => 0,
        };
        if left_out > 0 {
            lines.push(kind.more(left_out));
        }
    }
    lines
}
