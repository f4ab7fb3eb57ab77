//! The lines of a day sheet, and how much there is of each kind.

use serde::Serialize;
use shared::ids::{DeviceId, DocId, RecordId};
use shared::slot::Slot;

use super::NoteLine;

/// What one person sent.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PersonCount {
    /// The name.
    pub person: String,
    /// Records that came in.
    pub records: usize,
    /// Of them, clearance readings.
    pub readings: usize,
    /// Machines that they speak about.
    pub machines: usize,
}

/// When a device was here last.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct DeviceContact {
    /// Which.
    pub device: DeviceId,
    /// What it is called.
    pub name: String,
    /// Whose.
    pub person: String,
    /// When it was here last, ms since 1970 UTC; absent: never.
    pub last_ms: Option<i64>,
    /// Shop time minus its clock then, in ms.
    pub skew_ms: Option<i64>,
    /// When it last said something of its clock that contradicts what the shop measured, ms since 1970 UTC: the order of its records is in
    /// doubt.
    pub clock_doubted_ms: Option<i64>,
    /// It was here on this day.
    pub here_today: bool,
    /// It is revoked.
    pub revoked: bool,
}

/// A reading that does not stand by itself.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct AsideLine {
    /// The machine, or another document.
    pub doc: DocId,
    /// Its name.
    pub title: String,
    /// The slot.
    pub slot: Slot,
    /// Which record.
    pub record: RecordId,
    /// How people name it.
    pub short: String,
    /// Who stated it.
    pub by: String,
    /// What it says.
    pub words: String,
    /// Why it does not stand.
    pub why: String,
}

/// A machine that must not be run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct HoldLine {
    /// Which.
    pub doc: DocId,
    /// Its tag.
    pub tag: String,
    /// Where it lives.
    pub property: String,
    /// The finding.
    pub finding: RecordId,
    /// How people name the finding.
    pub short: String,
    /// Why.
    pub what: String,
    /// Who says so.
    pub by: String,
    /// Since, ms since 1970 UTC.
    pub at_ms: i64,
}

/// A slot to be measured again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct RecheckLine {
    /// The machine.
    pub doc: DocId,
    /// Its tag.
    pub tag: String,
    /// The slot in words.
    pub slot_words: String,
}

/// A note that was left on the day.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct NoteOfDay {
    /// The machine or the property.
    pub doc: DocId,
    /// Its name.
    pub title: String,
    /// The document is a machine.
    pub of_machine: bool,
    /// The note.
    #[serde(flatten)]
    pub note: NoteLine,
}

/// A visit of the day, or one that nobody has finished.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct VisitOfDay {
    /// The machine.
    pub doc: DocId,
    /// The visit.
    pub visit: RecordId,
    /// Its tag.
    pub tag: String,
    /// Where it lives.
    pub property: String,
    /// Who visited.
    pub by: String,
    /// Opened, ms since 1970 UTC.
    pub at_ms: i64,
    /// Finished, ms since 1970 UTC.
    pub finished_ms: Option<i64>,
    /// Finished with every valve in range.
    pub complete: bool,
}

/// How much there is of each kind, whether it is shown or not.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct SheetCounts {
    /// Slots that want a ruling.
    pub contested: usize,
    /// Records that do not stand by themselves.
    pub aside: usize,
    /// Holds.
    pub holds: usize,
    /// Slots to be measured again.
    pub recheck: usize,
    /// People whose records came in.
    pub people: usize,
    /// Records that came in.
    pub records: usize,
    /// Of them, clearance readings.
    pub readings: usize,
    /// Visits.
    pub visits: usize,
    /// Of them, those that nobody has finished.
    pub unfinished: usize,
    /// Devices.
    pub devices: usize,
    /// Of them, those in use that were not here on this day.
    pub missing: usize,
    /// Records that wait in quarantine.
    pub quarantine: usize,
}
