//! The week's round: which properties are worth the drive, with time and parts.

use std::collections::BTreeMap;

use shared::round::{Round, RoundMachine, RoundRules, plan_round};

use super::Reckoned;
use crate::engine::BookError;
use crate::judge::machine_summary::MachineSummary;
use crate::queries::Reckoner;
use crate::sys::clock::ClockReading;

impl Reckoner<'_> {
    /// The round over the machines that this book knows. The order is left to the crew: properties carry no coordinates yet.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn week_round(
        &self,
        horizon_days: Option<u32>,
        most_minutes: Option<u32>,
        now: &ClockReading,
    ) -> Result<Reckoned<Round>, BookError> {
        let today = self.book.roster()?.day(self.book.reader().shop_now_ms(now)?);
        let mut rules = RoundRules::of(today);
        rules.horizon_days = horizon_days.unwrap_or(rules.horizon_days);
        rules.most_minutes = most_minutes;
        let clock = self.book.machines().due_clock(now)?;
        let cards: BTreeMap<_, _> = self.book.reader().engine_cards()?.into_iter().map(|card| (card.card, card)).collect();
        let mut machines = Vec::new();
        for row in self.book.store.machine_rows().machines()? {
            let Some((card, brief)) = row.state.card.clone().zip(MachineSummary::of(&row.state)) else { continue };
            let engine = card.engine_card.and_then(|id| cards.get(&id));
            machines.push(RoundMachine {
                machine: shared::ids::MachineId(row.doc.0),
                tag: card.tag,
                property: card.property,
                place: None,
                due: self.book.machines().due_of(&brief, engine, &clock)?,
                hold: row.state.holds().next().is_some(),
                recheck: !row.state.recheck.is_empty(),
                cylinders: card.cylinders.unwrap_or(1),
                minutes: None,
                // A valve check leaves a cover gasket behind; common practice, no source.
                parts: (0..card.cylinders.unwrap_or(1)).map(|_| "valve cover gasket".to_owned()).collect(),
            });
        }
        let facts = plan_round(&machines, &rules);
        let mut words = vec![facts.words()];
        for stop in &facts.stops {
            words.push(format!("{}: {}", self.book.reader().property_name(Some(stop.property))?, stop.words()));
        }
        Ok(Reckoned { facts, words })
    }
}
