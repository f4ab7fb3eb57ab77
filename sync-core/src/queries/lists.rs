//! Lists and single things as other programs ask for them, each cut to what one person may read.

use serde::Serialize;
use shared::bytes::Bytes16;
use shared::engine_card::Duty;
use shared::hours::Hours;
use shared::ids::{CardId, DeviceId, DocId, MachineId, PersonId, PropertyId, RecordId};
use shared::length::LengthUnit;
use shared::usage::Between;

use super::bounds::none;
use super::history::{Fates, Stretch};
use super::names::Names;
use super::{DueLine, HistoryLine, NoteLine, PropertyLine, describe, short};
use crate::book::Book;
use crate::engine::BookError;
use crate::queries::{MachineReader, PersonReader, Reader};
use crate::store::{EPOCH, HeldRecord, MachineRow, QuarantineState};
use crate::sys::clock::ClockReading;

/// A machine in a list.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct MachineLine {
    /// Which.
    pub machine: MachineId,
    /// Its tag; empty where it has no card yet.
    pub tag: String,
    /// What it is.
    pub description: String,
    /// Where it lives.
    pub property: Option<PropertyId>,
    /// That place's name.
    pub property_name: String,
    /// Who runs it.
    pub duty: Duty,
    /// About how many hours a week it runs, as the shop estimates it.
    pub hours_per_week: Option<u8>,
    /// When it is in use: its property's season, else the shop's.
    pub season: Option<Between>,
    /// Entered in the field, not yet confirmed.
    pub provisional: bool,
    /// Its engine's card.
    pub engine_card: Option<CardId>,
    /// Its hour meter, where a reading stands.
    #[serde(rename = "meter_tenth_h")]
    pub meter: Option<Hours>,
    /// It must not be run.
    pub hold: bool,
    /// A slot of it wants a ruling.
    pub contested: bool,
}

/// One property, with its machines.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PropertyView {
    /// The property.
    #[serde(flatten)]
    pub line: PropertyLine,
    /// The machines there that are open to the one who asks, by tag.
    pub machines_there: Vec<MachineLine>,
    /// The latest notes, newest first.
    pub notes: Vec<NoteLine>,
    /// How many older notes there are.
    #[serde(default, skip_serializing_if = "none")]
    pub more_notes: usize,
}

/// One record, described, with the bytes that were signed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct RecordView {
    /// Which.
    pub record: RecordId,
    /// How people name it.
    pub short: String,
    /// Its document.
    pub doc: DocId,
    /// What the document is: a machine's tag, or another name.
    pub title: String,
    /// Its kind.
    pub kind: String,
    /// The kind's schema version.
    pub v: u32,
    /// Who stated it.
    pub by: PersonId,
    /// That person's name.
    pub by_name: String,
    /// Who measured, where the office wrote a paper sheet down.
    pub measured_by: Option<PersonId>,
    /// The device that signed it.
    pub device: DeviceId,
    /// What that device's clock showed, ms since 1970 UTC.
    pub device_ms: i64,
    /// Corrected time, ms since 1970 UTC.
    pub at_ms: i64,
    /// When the shop received it, ms since 1970 UTC.
    pub received_ms: Option<i64>,
    /// What its device had seen in the slot.
    pub seen: Vec<RecordId>,
    /// What it says, in words.
    pub words: String,
    /// What became of it.
    pub fate: super::Fate,
    /// The signed bytes.
    #[serde(skip)]
    pub bytes: Vec<u8>,
}

/// What the shop's book holds, in numbers.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct ShopStatus {
    /// The shop's name.
    pub shop: String,
    /// Its time zone.
    pub time_zone: String,
    /// People on the roster.
    pub people: usize,
    /// Devices on the roster, revoked ones too.
    pub devices: usize,
    /// Properties.
    pub properties: usize,
    /// Machines.
    pub machines: usize,
    /// Engine cards that stand.
    pub engine_cards: usize,
    /// Records, the shop's receipts not counted.
    pub records: u64,
    /// Records that wait in quarantine.
    pub quarantined: usize,
    /// Slots that want a ruling.
    pub contested: usize,
    /// End of the shop's log: it grows with every change.
    pub position: u64,
    /// The shop's epoch: another one after the book was put back from a backup.
    pub epoch: Option<Bytes16>,
}

impl PersonReader<'_> {
    /// Whether the person may read a document; not where there is none.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn may_read(&self, doc: DocId) -> Result<bool, BookError> {
        self.book.is_open_to(self.person, doc)
    }

    /// The machines open to the person, by tag.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn machines(&self) -> Result<Vec<MachineLine>, BookError> {
        let (mut lines, mut names) = (Vec::new(), Names::default());
        for row in self.book.store.machine_rows().machines()? {
            if self.may_read(row.doc)? {
                lines.push(machine_line(self.book, &row, &mut names)?);
            }
        }
        lines.sort_by(|a, b| (&a.tag, a.machine).cmp(&(&b.tag, b.machine)));
        Ok(lines)
    }

    /// The due list, as far as it is open to the person.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn due(&self, now: &ClockReading) -> Result<Vec<DueLine>, BookError> {
        let mut open = Vec::new();
        for line in self.book.reader().due_list(now)? {
            if self.may_read(line.machine.doc())? {
                open.push(line);
            }
        }
        Ok(open)
    }

    /// The properties open to the person, by name.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn properties(&self) -> Result<Vec<PropertyLine>, BookError> {
        let mut open = Vec::new();
        for line in self.book.reader().properties()? {
            if self.may_read(line.property.doc())? {
                open.push(line);
            }
        }
        Ok(open)
    }

    /// One property with its machines, as far as they are open to the person.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where there is no such property, or it is not open to the person: which of the two is not said.
    pub fn property(&self, property: PropertyId) -> Result<PropertyView, BookError> {
        let open = self.may_read(property.doc())?;
        let card = if open { self.book.reader().property(property)? } else { None };
        let card = card.ok_or_else(|| BookError::Unknown("there is no such property, or it is not open to this device".to_owned()))?;
        let line = self.book.reader().property_line(property, card)?;
        let (mut machines_there, mut names) = (Vec::new(), Names::default());
        for row in self.book.store.machine_rows().machines_of(property)? {
            if self.may_read(row.doc)? {
                machines_there.push(machine_line(self.book, &row, &mut names)?);
            }
        }
        let (notes, more_notes) = self.book.reader().notes(property.doc())?;
        Ok(PropertyView { line, machines_there, notes, more_notes })
    }
}

fn machine_line(book: &Book, row: &MachineRow, names: &mut Names) -> Result<MachineLine, BookError> {
    let (state, card) = (&row.state, row.state.card.as_ref());
    Ok(MachineLine {
        machine: MachineId(row.doc.0),
        tag: state.tag().to_owned(),
        description: card.map(|c| c.description.clone()).unwrap_or_default(),
        property: state.property(),
        property_name: names.property(book, state.property())?,
        duty: card.map(|c| c.duty).unwrap_or_default(),
        hours_per_week: card.and_then(|c| c.hours_per_week),
        season: names.season(book, state.property())?,
        provisional: card.is_some_and(|c| c.provisional),
        engine_card: state.engine_card(),
        meter: state.hours.as_ref().map(|h| h.meter),
        hold: state.holds().next().is_some(),
        contested: !state.contested.is_empty(),
    })
}

impl MachineReader<'_> {
    /// One machine of the list; what it costs does not depend on the others.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where this book has no such machine, or no card of it yet; the store.
    pub fn listed_machine(&self, machine: MachineId) -> Result<MachineLine, BookError> {
        let row = self.book.store.machine_rows().machine(machine.doc())?.filter(|row| row.state.card.is_some());
        let row = row.ok_or_else(|| BookError::Unknown("this book has no such machine".to_owned()))?;
        machine_line(self.book, &row, &mut Names::default())
    }

    /// A machine's history, newest first; the shop's receipts left out. All of it: for a device's own screens.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where the book has no such machine.
    pub fn history(&self, machine: DocId, unit: LengthUnit) -> Result<Vec<HistoryLine>, BookError> {
        self.history_before(machine, None, usize::MAX, unit)
    }

    /// A machine's history behind a place in it: what is older than a time and, of the same time, has a lesser id. At most so many
    /// lines.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where the book has no such machine.
    pub fn history_before(
        &self,
        machine: DocId,
        before: Option<(i64, RecordId)>,
        most: usize,
        unit: LengthUnit,
    ) -> Result<Vec<HistoryLine>, BookError> {
        let known = self.book.store.machine_rows().tag_of(machine)?.is_some();
        known.then_some(()).ok_or_else(|| BookError::Unknown("this book has no such machine".to_owned()))?;
        let (ledger, standings) = (self.book.store.records().ledger_of(machine)?, self.book.store.projections().standings(machine)?);
        Ok(self.history_lines(machine, &ledger, &standings, unit, Stretch { before, most })?.0)
    }
}

impl PersonReader<'_> {
    /// A record that is open to the person.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where there is none, or it is not open to the person: which of the two is not said.
    pub fn record(&self, id: RecordId, unit: LengthUnit) -> Result<RecordView, BookError> {
        let held = self.held(id)?;
        let (roster, record) = (self.book.roster()?, &held.entry.record);
        let ledger = self.book.store.records().ledger_of(held.doc)?;
        Ok(RecordView {
            record: id,
            short: short(&id),
            doc: held.doc,
            title: self.book.reader().title(held.doc)?,
            kind: record.body.kind().to_owned(),
            v: record.body.version(),
            by: record.by,
            by_name: roster.name(record.by),
            measured_by: record.measured_by,
            device: held.entry.device,
            device_ms: record.at_ms,
            at_ms: ledger.time(id).ms,
            received_ms: held.received_ms,
            seen: record.seen.clone(),
            words: describe(&record.body, unit, roster),
            fate: Fates::of(&self.book.store.projections().standings(held.doc)?).fate(id, &record.body, &ledger, roster),
            bytes: held.bytes,
        })
    }

    /// The service record of a visit to a machine that is open to the person.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where there is no such visit, or its machine is not open to the person: which of the two is not said.
    pub fn service_record(&self, visit: RecordId, unit: LengthUnit, now: &ClockReading) -> Result<super::ServiceRecord, BookError> {
        self.held(visit)?;
        self.book.machines().service_record(visit, unit, now)
    }

    fn held(&self, id: RecordId) -> Result<HeldRecord, BookError> {
        let held = self.book.store.records().held(id)?;
        let open = match &held {
            Some(held) => self.may_read(held.doc)?,
            None => false,
        };
        held.filter(|_| open).ok_or_else(|| BookError::Unknown("there is no such record, or it is not open to this device".to_owned()))
    }
}

impl Reader<'_> {
    /// What the shop's book holds, in numbers.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn shop_status(&self) -> Result<ShopStatus, BookError> {
        let roster = self.book.roster()?;
        Ok(ShopStatus {
            shop: roster.settings.name.clone(),
            time_zone: roster.settings.time_zone.clone(),
            people: roster.people.len(),
            devices: roster.devices.len(),
            properties: self.book.reader().properties()?.len(),
            machines: self.book.store.machine_rows().tags()?.len(),
            engine_cards: self.engine_cards()?.len(),
            records: self.book.store.records().counts()?.0,
            quarantined: self.book.store.quarantine().count_quarantined(QuarantineState::Waiting)?,
            contested: self.book.store.projections().count_open_slots()?,
            position: self.book.store.log().log_end()?,
            epoch: self.book.store.meta(&EPOCH)?,
        })
    }
}
