//! The day sheet: the office's view of one day. What came in, what is contested, what cannot be, what is missing.

use jiff::ToSpan;
use jiff::civil::Date;
use serde::Serialize;
use shared::ids::DocId;
use shared::length::LengthUnit;
use shared::slot::Slot;

use super::bounds::{MOST_LINES, MOST_QUARANTINED};
use super::names::Names;
use super::{
    AsideLine, ClosedDay, ContestedSlot, DeviceContact, HoldLine, Matter, NoteOfDay, PersonCount, QuarantineView, RecheckLine, SheetCounts,
    VisitOfDay, describe, matters, short,
};
use crate::book::Book;
use crate::engine::BookError;
use crate::judge::machine::{MachineState, OpenFinding, VisitLine};
use crate::judge::standing::Aside;
use crate::queries::DayReader;
use crate::store::QuarantineState;
use crate::sys::clock::ClockReading;

/// One day at the shop. Each list is cut to what a screen shows ([`bounds`](super::bounds)); `counts` says how much there is.
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
    /// How much there is of each kind.
    pub counts: SheetCounts,
    /// What needs the office, the most pressing first: which line of which list, and in a sentence.
    pub matters: Vec<Matter>,
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
    /// Notes that were left on the day, the latest first.
    pub notes: Vec<NoteOfDay>,
    /// Devices, and when they were here.
    pub devices: Vec<DeviceContact>,
    /// What waits in quarantine.
    pub quarantine: Vec<QuarantineView>,
    /// What keeps the day from being closed without a reason, a sentence each.
    pub open_matters: Vec<String>,
    /// Why the shop's own clock cannot be right, a sentence each; of today's sheet.
    pub clock_doubts: Vec<String>,
    /// The closing of the day that stands.
    pub closed: Option<ClosedDay>,
}

impl DayReader<'_> {
    /// The day sheet of a day, by what this book holds; of today where none is given.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn day_sheet(&self, day: Option<Date>, unit: LengthUnit, now: &ClockReading) -> Result<DaySheet, BookError> {
        let roster = self.book.roster()?;
        let day = day.unwrap_or(roster.day(self.book.reader().shop_now_ms(now)?));
        let from = roster.day_start_ms(day);
        let until = day.checked_add(1.day()).map_or(i64::MAX, |next| roster.day_start_ms(next));
        let (arrived, (devices, missing)) = (self.arrived(from, until)?, self.device_contacts(from, until)?);
        let counts = SheetCounts {
            contested: self.book.store.projections().count_open_slots()?,
            people: arrived.len(),
            records: arrived.iter().map(|line| line.records).sum(),
            readings: arrived.iter().map(|line| line.readings).sum(),
            devices: devices.len(),
            missing,
            quarantine: self.book.store.quarantine().count_quarantined(QuarantineState::Waiting)?,
            ..SheetCounts::default()
        };
        let mut sheet = DaySheet {
            day,
            shop: roster.settings.name.clone(),
            time_zone: roster.settings.time_zone.clone(),
            counts,
            matters: Vec::new(),
            contested: self.book.reader().contested(unit)?,
            aside: Vec::new(),
            holds: Vec::new(),
            recheck: Vec::new(),
            arrived,
            visits: Vec::new(),
            notes: self.notes_of_day(from, until)?,
            devices,
            quarantine: self.book.reader().quarantine_views(Some(QuarantineState::Waiting), 0, MOST_QUARANTINED, unit, now)?,
            open_matters: Vec::new(),
            clock_doubts: if (from..until).contains(&now.wall_ms) { self.book.shop_clock_doubts(now)? } else { Vec::new() },
            closed: self.closed_day(day, unit)?,
        };
        let mut making = Making { book: self.book, sheet: &mut sheet, names: Names::default(), unit };
        for (doc, standing) in self.book.store.projections().proposals()? {
            let title = making.names.title(self.book, doc)?;
            for aside in &standing.aside {
                making.set_aside((doc, &title), &standing.slot, aside)?;
            }
        }
        for row in self.book.store.machine_rows().machines_of_day(from, until)? {
            making.machine(row.doc, &row.state, (from, until))?;
        }
        sheet.counts.visits = sheet.visits.len();
        sheet.counts.unfinished = sheet.visits.iter().filter(|visit| visit.finished_ms.is_none()).count();
        sheet.visits.sort_by_key(|v| (v.at_ms, v.doc));
        keep_first(&mut sheet.visits, |visit| visit.finished_ms.is_some());
        keep_first(&mut sheet.devices, |device| (device.revoked, device.here_today));
        sheet.arrived.truncate(MOST_LINES);
        sheet.matters = matters::of(&sheet, roster);
        sheet.open_matters = matters::still_open(&sheet);
        Ok(sheet)
    }

    fn arrived(&self, from: i64, until: i64) -> Result<Vec<PersonCount>, BookError> {
        let roster = self.book.roster()?;
        let mut lines: Vec<PersonCount> = self
            .book
            .store
            .records()
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

    /// When each device was here last, and how many of those in use were not here in this span.
    fn device_contacts(&self, from: i64, until: i64) -> Result<(Vec<DeviceContact>, usize), BookError> {
        let (contacts, desks) = (self.book.store.logins().contacts()?, self.book.store.logins().desk_devices()?);
        let devices: Vec<DeviceContact> = self
            .book
            .reader()
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
                    last_ms: contact.map(|c| c.at_ms),
                    skew_ms: contact.map(|c| c.skew_ms),
                    clock_doubted_ms: contact.and_then(|c| c.clock_doubted_ms),
                    here_today: contact.is_some_and(|c| (from..until).contains(&c.at_ms)),
                    revoked: line.revoked_ms.is_some(),
                }
            })
            .collect();
        let missing = devices.iter().filter(|device| !device.revoked && !device.here_today).count();
        Ok((devices, missing))
    }
}

/// Cuts a list to its limit. Only where that leaves something out, what the key puts last goes first.
fn keep_first<T, K: Ord>(list: &mut Vec<T>, key: impl Fn(&T) -> K) {
    if list.len() > MOST_LINES {
        list.sort_by_key(key);
        list.truncate(MOST_LINES);
    }
}

/// A sheet in the making: one machine after another, each of whose records is read once.
struct Making<'a> {
    book: &'a Book,
    sheet: &'a mut DaySheet,
    names: Names,
    unit: LengthUnit,
}

impl Making<'_> {
    fn machine(&mut self, doc: DocId, state: &MachineState, (from, until): (i64, i64)) -> Result<(), BookError> {
        let roster = self.book.roster()?;
        let tag = state.tag();
        for waiting in &state.aside {
            self.set_aside((doc, tag), &waiting.slot, &waiting.aside)?;
        }
        let holds: Vec<&OpenFinding> = state.holds().collect();
        let open = |visit: &&VisitLine| (from..until).contains(&visit.at_ms) || (visit.finished_ms.is_none() && visit.at_ms < until);
        let visits: Vec<&VisitLine> = state.visits.iter().filter(open).collect();
        let place = if holds.is_empty() && visits.is_empty() { None } else { state.property() };
        let property = self.names.property(self.book, place)?;
        let sheet = &mut *self.sheet;
        sheet.counts.holds += holds.len();
        sheet.counts.recheck += state.recheck.len();
        let room = |taken: usize| MOST_LINES.saturating_sub(taken);
        sheet.holds.extend(holds.into_iter().take(room(sheet.holds.len())).map(|hold| HoldLine {
            doc,
            tag: tag.to_owned(),
            property: property.clone(),
            finding: hold.finding,
            short: short(&hold.finding),
            what: hold.what.clone(),
            by: roster.name(hold.by),
            at_ms: hold.at_ms,
        }));
        let recheck = state.recheck.iter().take(room(sheet.recheck.len()));
        sheet.recheck.extend(recheck.map(|slot| RecheckLine { doc, tag: tag.to_owned(), slot_words: slot.words() }));
        sheet.visits.extend(visits.into_iter().map(|visit| VisitOfDay {
            doc,
            visit: visit.visit,
            tag: tag.to_owned(),
            property: property.clone(),
            by: roster.name(visit.by),
            at_ms: visit.at_ms,
            finished_ms: visit.finished_ms,
            complete: visit.complete,
        }));
        Ok(())
    }

    fn set_aside(&mut self, (doc, title): (DocId, &str), slot: &Slot, aside: &Aside) -> Result<(), BookError> {
        self.sheet.counts.aside += 1;
        if self.sheet.aside.len() < MOST_LINES
            && let Some(entry) = self.book.store.records().ledger_of(doc)?.get(aside.id)
        {
            let roster = self.book.roster()?;
            self.sheet.aside.push(AsideLine {
                doc,
                title: title.to_owned(),
                slot: slot.clone(),
                record: aside.id,
                short: short(&aside.id),
                by: roster.name(entry.record.measurer()),
                words: describe(&entry.record.body, self.unit, roster),
                why: aside.why.to_string(),
            });
        }
        Ok(())
    }
}
