//! The due list: every machine this book knows, the most pressing first.

use std::collections::BTreeMap;

use serde::Serialize;
use shared::due::{Due, DueState};
use shared::hours::Hours;
use shared::ids::{MachineId, PropertyId};

use super::names::Names;
use crate::engine::BookError;
use crate::queries::Reader;
use crate::sys::clock::ClockReading;

/// A machine on the due list.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct DueLine {
    /// Which.
    pub machine: MachineId,
    /// Its tag.
    pub tag: String,
    /// What it is.
    pub description: String,
    /// Where it lives.
    pub property: Option<PropertyId>,
    /// That place's name.
    pub property_name: String,
    /// The name of its engine's card; empty without one.
    pub engine: String,
    /// Its hour meter, where a reading stands.
    #[serde(rename = "meter_tenth_h")]
    pub meter: Option<Hours>,
    /// When it is due; absent without an engine card.
    pub due: Option<Due>,
    /// That in words.
    pub words: String,
    /// It must not be run.
    pub hold: bool,
    /// A slot of it wants a ruling.
    pub contested: bool,
    /// A ruling sent someone to measure again.
    pub recheck: bool,
    /// A visit to it is open.
    pub open_visit: bool,
}

impl Reader<'_> {
    /// The due list, the most pressing first: on hold, to be measured again, overdue, never checked, soon, later, unknown.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn due_list(&self, now: &ClockReading) -> Result<Vec<DueLine>, BookError> {
        let today = self.book.roster()?.day(self.shop_now_ms(now)?);
        let cards: BTreeMap<_, _> = self.engine_cards()?.into_iter().map(|card| (card.card, card)).collect();
        let (mut lines, mut names) = (Vec::new(), Names::default());
        let clock = self.book.machines().due_clock(now)?;
        for (doc, brief) in self.book.store.machine_rows().machine_summaries()? {
            let card = brief.engine_card().and_then(|id| cards.get(&id));
            let due = self.book.machines().due_of(&brief, card, &clock)?;
            let property_name = names.property(self.book, Some(brief.property()))?;
            lines.push(DueLine {
                machine: MachineId(doc.0),
                words: due.as_ref().map_or_else(|| "no engine card yet".to_owned(), |d| d.words(today)),
                due,
                property: Some(brief.property()),
                property_name,
                engine: card.map(|card| card.name.clone()).unwrap_or_default(),
                meter: brief.hours().map(|h| h.meter),
                hold: brief.hold(),
                contested: brief.contested(),
                recheck: brief.recheck(),
                open_visit: brief.open_visit(),
                tag: brief.tag().to_owned(),
                description: brief.description().to_owned(),
            });
        }
        lines.sort_by(|a, b| press(a).cmp(&press(b)).then_with(|| a.tag.cmp(&b.tag)));
        Ok(lines)
    }
}

/// How pressing a line is: less is more.
fn press(line: &DueLine) -> (u8, Option<jiff::civil::Date>) {
    let rank = match line.due.as_ref().map(|d| d.state) {
        _ if line.hold => 0,
        _ if line.recheck => 1,
        Some(DueState::Overdue) => 2,
        Some(DueState::NeverChecked | DueState::LeftOpen) => 3,
        Some(DueState::DueSoon) => 4,
        Some(DueState::Later) => 5,
        Some(DueState::NotKnown) | None => 6,
    };
    (rank, line.due.as_ref().and_then(|d| d.date))
}
