//! What the office's pages ask of the shop beyond what any front end does: whole sheets to decide on.

use shared::ids::{DocId, PersonId, PropertyId, RecordId};
use shared::length::LengthUnit;
use shared::round::Round;
use shared::slot::Slot;

use super::SqliteShop;
use crate::engine::BookError;
use crate::queries::reckon::{LashCourse, MeterLine, Reckoned};
use crate::queries::{QuarantineView, ShopFront, SlotSheet, WholeRecord};
use crate::store::{BroughtTooMuch, KeptSession, QuarantineState};
use crate::sys::moment::Moment;

/// What the office's pages ask of the shop. They are for whoever may read everything.
#[expect(clippy::missing_errors_doc, reason = "each fails as the function of Book that it stands for")]
pub trait OfficeFacts {
    /// The shop's settings, and where its server says it answers.
    fn front(&self) -> Result<ShopFront, BookError>;
    /// What the server's codes over known browsers are made with; the same for as long as the shop has its keys.
    fn browser_key(&self) -> Result<[u8; 64], BookError>;
    /// A mark that is another one whenever a day sheet may say something else.
    fn day_mark(&self) -> Result<String, BookError>;
    /// One slot with all that a ruling goes by.
    fn slot_sheet(&self, doc: DocId, slot: &Slot, unit: LengthUnit) -> Result<SlotSheet, BookError>;
    /// What is in quarantine in this state, or in any, with what the office decides by: numbers beyond `after`, at most so many.
    fn quarantine_views(
        &self,
        state: Option<QuarantineState>,
        after: i64,
        most: usize,
        unit: LengthUnit,
        now: &Moment,
    ) -> Result<Vec<QuarantineView>, BookError>;
    /// One record in full.
    fn whole_record(&self, record: RecordId, unit: LengthUnit) -> Result<WholeRecord, BookError>;
    /// The course of every valve of a machine.
    fn lash_courses(&self, machine: DocId, unit: LengthUnit) -> Result<Vec<LashCourse>, BookError>;
    /// The hour meter's readings of a machine.
    fn meter_of(&self, machine: DocId) -> Result<Reckoned<Vec<MeterLine>>, BookError>;
    /// The week's round.
    fn week_round(&self, days: Option<u32>, minutes: Option<u32>, now: &Moment) -> Result<Reckoned<Round>, BookError>;
    /// Who looks after which property.
    fn assignments(&self) -> Result<Vec<(PersonId, PropertyId)>, BookError>;
    /// The sessions of the office's pages that were kept.
    fn kept_sessions(&self) -> Result<Vec<KeptSession>, BookError>;
    /// Keeps these sessions of the office's pages, and no others.
    fn keep_sessions(&self, sessions: &[KeptSession]) -> Result<(), BookError>;
    /// Devices that brought more than is taken in a day, or than quarantine has room for.
    fn brought_too_much(&self) -> Result<Vec<BroughtTooMuch>, BookError>;
}

impl OfficeFacts for SqliteShop {
    fn front(&self) -> Result<ShopFront, BookError> {
        self.lock().0.shop_front()
    }

    fn browser_key(&self) -> Result<[u8; 64], BookError> {
        Ok(self.lock().0.identity()?.keys()?.for_browsers())
    }

    fn day_mark(&self) -> Result<String, BookError> {
        self.lock().0.day_mark()
    }

    fn slot_sheet(&self, doc: DocId, slot: &Slot, unit: LengthUnit) -> Result<SlotSheet, BookError> {
        self.lock().0.slot_sheet(doc, slot, unit)
    }

    fn quarantine_views(
        &self,
        state: Option<QuarantineState>,
        after: i64,
        most: usize,
        unit: LengthUnit,
        now: &Moment,
    ) -> Result<Vec<QuarantineView>, BookError> {
        self.lock().0.quarantine_views(state, after, most, unit, now)
    }

    fn whole_record(&self, record: RecordId, unit: LengthUnit) -> Result<WholeRecord, BookError> {
        self.lock().0.whole_record(record, unit)
    }

    fn lash_courses(&self, machine: DocId, unit: LengthUnit) -> Result<Vec<LashCourse>, BookError> {
        self.lock().0.lash_courses(machine, unit)
    }

    fn meter_of(&self, machine: DocId) -> Result<Reckoned<Vec<MeterLine>>, BookError> {
        self.lock().0.meter_of(machine)
    }

    fn week_round(&self, days: Option<u32>, minutes: Option<u32>, now: &Moment) -> Result<Reckoned<Round>, BookError> {
        self.lock().0.week_round(days, minutes, now)
    }

    fn assignments(&self) -> Result<Vec<(PersonId, PropertyId)>, BookError> {
        self.lock().0.assignments()
    }

    fn kept_sessions(&self) -> Result<Vec<KeptSession>, BookError> {
        Ok(self.lock().0.store().kept_sessions()?)
    }

    fn keep_sessions(&self, sessions: &[KeptSession]) -> Result<(), BookError> {
        Ok(self.lock().0.store().keep_sessions(sessions)?)
    }

    fn brought_too_much(&self) -> Result<Vec<BroughtTooMuch>, BookError> {
        Ok(self.lock().0.store().brought_too_much()?)
    }
}
