//! One machine over time: its meter, its use, when it is due, how its clearances drift.

use std::collections::BTreeSet;

use serde::Serialize;
use shared::drift::{Drift, HoursLeft, Pair, drift, hours_to_leave, interval_words, needed_interval, wear_pairs};
use shared::due::{DueInput, DueRange, LastCheck, due_range, estimated_per_day};
use shared::hours::Hours;
use shared::ids::{DocId, RecordId};
use shared::length::LengthUnit;
use shared::record::{Body, Stage};
use shared::slot::Slot;
use shared::text::count;
use shared::usage::{Season, Usage, usage};
use shared::valve::Valve;

use super::{ReadingTaken, Reckoned, cannot, hours_at, readings_taken};
use crate::engine::BookError;
use crate::judge::ledger::Ledger;
use crate::judge::machine::MachineState;
use crate::judge::roster::Roster;
use crate::queries::Reckoner;
use crate::sys::clock::ClockReading;

/// One reading of the hour meter.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct MeterLine {
    /// The record.
    pub record: RecordId,
    /// Corrected time, ms since 1970 UTC.
    pub at_ms: i64,
    /// That, as the shop's clock shows it.
    pub when: String,
    /// What the meter showed.
    #[serde(rename = "meter_tenth_h")]
    pub meter: Hours,
    /// With meter changes undone.
    #[serde(rename = "engine_tenth_h")]
    pub engine: Option<Hours>,
    /// Why it cannot be, with the likely slip.
    pub doubt: Option<String>,
}

/// When a machine is due, as a range.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct DueFacts {
    /// The range.
    pub due: DueRange,
    /// The use that it goes by, where the readings tell.
    pub usage: Option<Usage>,
}

/// How a valve drifts.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct DriftFacts {
    /// The valve.
    pub valve: Valve,
    /// The change in 100 engine hours.
    pub drift: Drift,
    /// Engine hours until the range is left.
    pub left: Option<HoursLeft>,
    /// The interval that this engine needs, never longer than the card's.
    #[serde(rename = "needed_tenth_h")]
    pub needed: Option<Hours>,
}

impl Reckoner<'_> {
    /// The hour meter's readings, oldest first, with those that cannot be and the likely slip.
    ///
    /// # Errors
    /// [`BookError`] where the machine is not known.
    pub fn meter_of(&self, machine: DocId) -> Result<Reckoned<Vec<MeterLine>>, BookError> {
        let (_, ledger) = self.machine_ledger(machine)?;
        let roster = self.book.roster()?;
        let hours = self.judged_hours(&ledger)?;
        let mut lines: Vec<MeterLine> = ledger
            .in_slot(&Slot::Hours)
            .iter()
            .filter(|id| ledger.voided_by(**id, roster).is_none())
            .filter_map(|id| match &ledger.get(*id)?.record.body {
                Body::Hours(reading) => {
                    let at_ms = ledger.time(*id).ms;
                    Some(MeterLine {
                        record: *id,
                        at_ms,
                        when: roster.local(at_ms),
                        meter: reading.meter,
                        engine: hours.engine_hours(*id),
                        doubt: hours.doubt(*id).map(|doubt| doubt.to_string()),
                    })
                }
                _ => None,
            })
            .collect();
        lines.sort_by_key(|line| (line.at_ms, line.record));
        let doubted = lines.iter().filter(|l| l.doubt.is_some()).count();
        let mut words = vec![format!("{}, {doubted} of them not possible beside the others.", count(lines.len(), "reading", "readings"))];
        words.extend(lines.iter().filter_map(|l| l.doubt.as_ref().map(|why| format!("{}: {why}", l.when))));
        if hours.meter_changes() > 0 {
            let times = match hours.meter_changes() {
                1 => "once".to_owned(),
                more => format!("{more} times"),
            };
            words.push(format!("The meter was changed {times}; engine hours go through."));
        }
        Ok(Reckoned { facts: lines, words })
    }

    /// A season as asked for; where no days of the year were named, those of the machine's property or of the shop.
    fn in_season(&self, asked: &Season, state: &MachineState) -> Result<Season, BookError> {
        let between = asked.between.map_or_else(|| self.book.machines().season_at(state.property()), |between| Ok(Some(between)))?;
        Ok(Season { between, ..*asked })
    }

    /// Hours a day over the chain, within a season.
    ///
    /// # Errors
    /// [`BookError::Reckoning`] where the readings do not tell.
    pub fn usage_of(&self, machine: DocId, season: &Season, now: &ClockReading) -> Result<Reckoned<Usage>, BookError> {
        let (state, ledger) = self.machine_ledger(machine)?;
        let season = self.in_season(season, &state)?;
        let chain = self.judged_hours(&ledger)?.on_chain();
        let facts = usage(&chain, self.book.reader().shop_now_ms(now)?, &season).map_err(cannot)?;
        Ok(Reckoned { words: vec![facts.words()], facts })
    }

    /// When a machine's next check is due: a range of dates, by hours, calendar and duty.
    ///
    /// # Errors
    /// [`BookError::Reckoning`] without an engine card.
    pub fn due_range_of(&self, machine: DocId, season: &Season, now: &ClockReading) -> Result<Reckoned<DueFacts>, BookError> {
        let (state, ledger) = self.machine_ledger(machine)?;
        let (Some(card), Some(own)) = (self.book.machines().card_of(&state)?, &state.card) else {
            return Err(cannot("this machine has no engine card, so there is no interval"));
        };
        season.check().map_err(cannot)?;
        let season = self.in_season(season, &state)?;
        let roster = self.book.roster()?;
        let now_ms = self.book.reader().shop_now_ms(now)?;
        let chain = self.judged_hours(&ledger)?.on_chain();
        let used = usage(&chain, now_ms, &season);
        let today = roster.day(now_ms);
        let input = DueInput {
            last: state.last_check.as_ref().map(|c| LastCheck { date: roster.day(c.at_ms), hours: c.engine }),
            left_open: state.only_left_open(),
            interval: card.interval(own.duty).with(roster.settings.interval(own.duty)),
            hours_now: state.hours.as_ref().map(|h| h.engine),
            hours_now_date: state.hours.as_ref().map(|h| roster.day(h.at_ms)),
            tenth_hours_per_day: None,
            estimate: own.hours_per_week.map(estimated_per_day),
            season: season.between,
            today,
        };
        let due = due_range(&input, used.as_ref().ok());
        let mut words = vec![due.words(today)];
        match &used {
            Ok(used) => words.push(used.words()),
            // An estimate has been said already to stand in for what is missing.
            Err(_) if due.estimated => {}
            Err(why) => words.push(cannot(why).to_string()),
        }
        if let Some(between) = season.between {
            words.push(format!("In use {between}."));
        }
        Ok(Reckoned { facts: DueFacts { due, usage: used.ok() }, words })
    }

    /// How a valve drifts from *left* to how it was *found* last before the next setting, and how long it stays in range.
    ///
    /// # Errors
    /// [`BookError::Reckoning`] where no valve was left and found again with hours between.
    pub fn drift_of(&self, machine: DocId, valve: Valve, unit: LengthUnit) -> Result<Reckoned<DriftFacts>, BookError> {
        let (state, ledger) = self.machine_ledger(machine)?;
        let chain = self.judged_hours(&ledger)?.on_chain();
        let roster = self.book.roster()?;
        let found = readings_taken(&ledger, roster, valve, Stage::Found);
        let left = left_readings(&ledger, roster, valve);
        // Between two settings a valve wears alone: one pair, from how it was left to how it was found last. Pairs from check to
        // check would each be a fraction of a leaf, and mostly say nothing.
        let mut touched: Vec<i64> = Vec::new();
        for stage in [Stage::Set, Stage::Left] {
            touched.extend(readings_taken(&ledger, roster, valve, stage).iter().map(|taken| taken.at_ms));
        }
        touched.sort_unstable();
        let settings_before = |at_ms: i64| touched.partition_point(|setting| *setting <= at_ms);
        let mut pairs = Vec::new();
        for alone in left.chunk_by(|a, b| settings_before(a.at_ms) == settings_before(b.at_ms)) {
            let Some(first) = alone.first() else { continue };
            let until = found.partition_point(|f| settings_before(f.at_ms) <= settings_before(first.at_ms));
            // Found in the same visit, it is the same lash.
            let last = found.get(..until).and_then(<[_]>::last).filter(|f| f.at_ms > first.at_ms && f.reading.visit != first.reading.visit);
            let Some(last) = last else { continue };
            if let (Some(from), Some(to)) = (hours_at(&chain, first.at_ms), hours_at(&chain, last.at_ms)) {
                let hours = to.minus(from);
                if hours > Hours::from_tenths(0) {
                    pairs.push(Pair { left: first.bracket, found: last.bracket, hours });
                }
            }
        }
        let drift = drift(&wear_pairs(&pairs).map_err(cannot)?).map_err(cannot)?;
        let mut words = vec![drift.words(unit)];
        let card = self.book.machines().card_of(&state)?.filter(|card| card.source.is_some());
        let range = card.as_ref().and_then(|card| card.range(valve.side()));
        let present = left.last().map(|l| l.bracket);
        let hours_left = range.as_ref().zip(present).map(|(range, now)| hours_to_leave(range, &now, &drift));
        words.extend(hours_left.as_ref().map(HoursLeft::words));
        let duty = state.card.as_ref().map(|c| c.duty).unwrap_or_default();
        let of_shop = self.book.roster()?.settings.interval(duty);
        let of_card = card.as_ref().and_then(|card| card.interval(duty).with(of_shop).hours).map(|h| Hours::from_tenths(i64::from(h) * 10));
        // The interval counts from a valve as it is set, not as worn as this one is now.
        let as_set = range.as_ref().and_then(|range| Some((about_aim(range)?, range)));
        let from_aim = as_set.map(|(aim, range)| hours_to_leave(range, &aim, &drift));
        let needed = of_card.zip(from_aim.as_ref()).map(|(card, left)| needed_interval(card, left));
        words.extend(needed.zip(of_card).map(|(needed, card)| interval_words(needed, card)));
        Ok(Reckoned { facts: DriftFacts { valve, drift, left: hours_left, needed }, words })
    }
}

/// How a valve was left at each visit: *left*, or *found* where nothing was touched.
fn left_readings<'a>(ledger: &'a Ledger, roster: &Roster, valve: Valve) -> Vec<ReadingTaken<'a>> {
    let set = readings_taken(ledger, roster, valve, Stage::Set);
    let mut left = readings_taken(ledger, roster, valve, Stage::Left);
    let touched: BTreeSet<Option<RecordId>> = set.iter().chain(&left).map(|taken| taken.reading.visit).collect();
    left.extend(readings_taken(ledger, roster, valve, Stage::Found).into_iter().filter(|found| !touched.contains(&found.reading.visit)));
    left.sort_by_key(|taken| taken.at_ms);
    left
}

/// The clearance to set, or the middle of the range, as a bracket of a tenth of a micrometre.
fn about_aim(range: &shared::engine_card::Range) -> Option<shared::bracket::Bracket> {
    let middle = shared::length::Length::from_tenth_um(i64::midpoint(range.low.tenth_um(), range.high.tenth_um()));
    let aim = range.aim.unwrap_or(middle);
    shared::bracket::Bracket::new(Some(aim), Some(aim.plus(shared::length::Length::from_tenth_um(1)))).ok()
}
