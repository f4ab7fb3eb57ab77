//! How much a view shows. Every list on a screen or in an answer has its limit here, and says how many more there are.
//!
//! A limit is far above an honest day, and low enough that a screen stays one: what lies beyond it is in the pages of the list,
//! or on the thing's own screen.

/// Slots that want a ruling, on the day sheet.
pub const MOST_SLOTS: usize = 50;
/// Records in quarantine on one screen, each with what it would change.
pub const MOST_QUARANTINED: usize = 50;
/// Readings of one slot, side by side.
pub const MOST_READINGS: usize = 50;
/// Lines of each other list on a screen: what is set aside, holds, visits, devices, findings, photos, late arrivals.
pub const MOST_LINES: usize = 200;
/// Notes on the screen of a property or a machine: the latest. Older ones are in its history.
pub const MOST_NOTES: usize = 5;
/// Machines and properties whose notes one day sheet shows.
pub const MOST_NOTED: usize = 50;
/// Lines of one page of a list that has pages: machines, stops of a round, properties, people, devices, engine cards, days.
pub const MOST_LISTED: usize = 100;
/// Machines named at one stop of a round.
pub const MOST_AT_STOP: usize = 4;
/// Records of a machine's history on its screen. The whole of it is in pages.
pub const MOST_HISTORY: usize = 500;
/// Checks on a machine's screen, the latest.
pub const MOST_CHECKS: usize = 20;
/// Readings on one valve's course, and of the hour meter: the latest.
pub const MOST_POINTS: usize = 500;
/// Visits in one season's service record.
pub const MOST_VISITS: usize = 100;
/// Closed days on one screen.
pub const MOST_DAYS: usize = 60;
/// Closed days in one answer: more than a year of them.
pub const MOST_DAYS_TOLD: usize = 400;
/// Rows of one table for a spreadsheet.
pub const MOST_ROWS: usize = 100_000;

/// Whether nothing is left unsaid: for the fields that say how much is.
#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde hands a reference over")]
pub(super) const fn none(more: &usize) -> bool {
    *more == 0
}

/// Cuts a list to its limit; gives how many more there were.
pub(crate) fn cut<T>(list: &mut Vec<T>, most: usize) -> usize {
    let more = list.len().saturating_sub(most);
    list.truncate(most);
    more
}
