//! The day sheet: the office's view of one day. What came in, what is contested, what cannot be, what is missing.

use jiff::ToSpan;
use jiff::civil::Date;
use serde::Serialize;
use shared::ids::{DeviceId, DocId, RecordId};
use shared::length::LengthUnit;
use shared::slot::Slot;

use super::{ClosedDay, ContestedSlot, describe, short};
use crate::book::{Book, BookError};
use crate::moment::Moment;
use crate::standing::Aside;
use crate::store::{QuarantineState, Quarantined};

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

/// A visit of the day, or one that nobody has finished.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct VisitOfDay {
    /// The machine.
    pub doc: DocId,
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

/// One day at the shop.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct DaySheet {
    /// The day, in the shop's zone.
    #[cfg_attr(feature = "schema", schema(value_type = String, format = Date))]
    pub day: Date,
    /// The shop.
    pub shop: String,
    /// The zone.
    pub time_zone: String,
    /// What wants a ruling.
    pub contested: Vec<ContestedSlot>,
    /// What cannot be, or is only proposed.
    pub aside: Vec<AsideLine>,
    /// Machines on hold.
    pub holds: Vec<HoldLine>,
    /// Slots to be measured again.
    pub recheck: Vec<RecheckLine>,
    /// What came in, by person.
    pub arrived: Vec<PersonCount>,
    /// The day's visits, and older ones that nobody has finished.
    pub visits: Vec<VisitOfDay>,
    /// Devices, and when they were here.
    pub devices: Vec<DeviceContact>,
    /// What waits in quarantine.
    pub quarantine: Vec<Quarantined>,
    /// What keeps the day from being closed without a reason, a sentence each.
    pub open_matters: Vec<String>,
    /// The closing of the day that stands.
    pub closed: Option<ClosedDay>,
}

impl Book {
    /// The day sheet of a day, by what this book holds; of today where none is given.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn day_sheet(&self, day: Option<Date>, unit: LengthUnit, now: &Moment) -> Result<DaySheet, BookError> {
        let roster = self.roster()?;
        let day = day.unwrap_or(roster.day(self.shop_now_ms(now)?));
        let from = roster.day_start_ms(day);
        let until = day.checked_add(1.day()).map_or(i64::MAX, |next| roster.day_start_ms(next));
        let mut sheet = DaySheet {
            day,
            shop: roster.settings.name.clone(),
            time_zone: roster.settings.time_zone.clone(),
            contested: self.contested(unit)?,
            aside: Vec::new(),
            holds: Vec::new(),
            recheck: Vec::new(),
            arrived: self.arrived(from, until)?,
            visits: Vec::new(),
            devices: self.device_contacts(from, until)?,
            quarantine: self.store.quarantined()?.into_iter().filter(|q| q.state == QuarantineState::Waiting).collect(),
            open_matters: Vec::new(),
            closed: self.closed_day(day, unit)?,
        };
        for (doc, standing) in self.store.proposals()? {
            for aside in &standing.aside {
                self.set_aside(&mut sheet, doc, &standing.slot, aside, unit)?;
            }
        }
        for row in self.store.machines_of_day(from, until)? {
            self.machine_of_day(&mut sheet, row.doc, &row.state, (from, until), unit)?;
        }
        sheet.visits.sort_by_key(|v| (v.at_ms, v.doc));
        sheet.open_matters = open_matters(&sheet);
        Ok(sheet)
    }

    fn machine_of_day(
        &self,
        sheet: &mut DaySheet,
        doc: DocId,
        state: &crate::machine::MachineState,
        (from, until): (i64, i64),
        unit: LengthUnit,
    ) -> Result<(), BookError> {
        let roster = self.roster()?;
        let tag = state.tag().to_owned();
        let property = || self.property_name(state.property());
        for waiting in &state.aside {
            self.set_aside(sheet, doc, &waiting.slot, &waiting.aside, unit)?;
        }
        for hold in state.holds() {
            sheet.holds.push(HoldLine {
                doc,
                tag: tag.clone(),
                property: property()?,
                finding: hold.finding,
                short: short(&hold.finding),
                what: hold.what.clone(),
                by: roster.name(hold.by),
                at_ms: hold.at_ms,
            });
        }
        sheet.recheck.extend(state.recheck.iter().map(|slot| RecheckLine { doc, tag: tag.clone(), slot_words: slot.words() }));
        for visit in &state.visits {
            let of_day = (from..until).contains(&visit.at_ms);
            if of_day || (visit.finished_ms.is_none() && visit.at_ms < until) {
                sheet.visits.push(VisitOfDay {
                    doc,
                    tag: tag.clone(),
                    property: property()?,
                    by: roster.name(visit.by),
                    at_ms: visit.at_ms,
                    finished_ms: visit.finished_ms,
                    complete: visit.complete,
                });
            }
        }
        Ok(())
    }

    fn set_aside(&self, sheet: &mut DaySheet, doc: DocId, slot: &Slot, aside: &Aside, unit: LengthUnit) -> Result<(), BookError> {
        let roster = self.roster()?;
        if let Some(held) = self.store.held(aside.id)? {
            sheet.aside.push(AsideLine {
                doc,
                title: self.title(doc)?,
                slot: slot.clone(),
                record: aside.id,
                short: short(&aside.id),
                by: roster.name(held.entry.record.measurer()),
                words: describe(&held.entry.record.body, unit, roster),
                why: aside.why.clone(),
            });
        }
        Ok(())
    }

    fn arrived(&self, from: i64, until: i64) -> Result<Vec<PersonCount>, BookError> {
        let roster = self.roster()?;
        let mut lines: Vec<PersonCount> = self
            .store
            .came_in(from, until)?
            .into_iter()
            .map(|came| PersonCount {
                person: roster.name(came.author),
                records: came.records,
                readings: came.readings,
                machines: came.machines,
            })
            .collect();
        lines.sort_by(|a, b| a.person.cmp(&b.person));
        Ok(lines)
    }

    fn device_contacts(&self, from: i64, until: i64) -> Result<Vec<DeviceContact>, BookError> {
        let (contacts, desks) = (self.store.contacts()?, self.store.desk_devices()?);
        Ok(self
            .devices()?
            .into_iter()
            // A desk is in the shop itself and never exchanges: it would be missing every day.
            .filter(|line| !desks.contains(&line.device))
            .map(|line| {
                let contact = contacts.get(&line.device);
                DeviceContact {
                    device: line.device,
                    name: line.name,
                    person: line.person_name,
                    last_ms: contact.map(|c| c.0),
                    skew_ms: contact.map(|c| c.1),
                    here_today: contact.is_some_and(|c| (from..until).contains(&c.0)),
                    revoked: line.revoked_ms.is_some(),
                }
            })
            .collect())
    }
}

/// What the office has yet to settle. A hold and a slot to be measured again are settled: they are on the list.
fn open_matters(sheet: &DaySheet) -> Vec<String> {
    let unfinished = sheet.visits.iter().filter(|visit| visit.finished_ms.is_none()).count();
    let matter = |count: usize, one: &str, many: &str| match count {
        0 => None,
        1 => Some(format!("1 {one}")),
        _ => Some(format!("{count} {many}")),
    };
    [
        matter(sheet.contested.len(), "slot is contested", "slots are contested"),
        matter(sheet.aside.len(), "record is in doubt or only proposed", "records are in doubt or only proposed"),
        matter(unfinished, "visit is not finished", "visits are not finished"),
        matter(sheet.quarantine.len(), "record waits in quarantine", "records wait in quarantine"),
    ]
    .into_iter()
    .flatten()
    .collect()
}
