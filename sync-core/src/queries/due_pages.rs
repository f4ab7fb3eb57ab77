//! The due list and the round page by page, with what is sought in them: for screens that show a hundred lines at a time.

use std::collections::HashMap;

use serde::{Deserialize, Serialize};
use shared::ids::PropertyId;

use super::bounds::{MOST_AT_STOP, MOST_LISTED};
use super::finding::{DueFilter, Only, Order, find};
use super::{DueLine, PropertyLine};
use crate::engine::BookError;
use crate::queries::Reader;
use crate::sys::clock::ClockReading;

/// Which page of what is sought. All of it must hold.
#[derive(Debug, Clone, Default, PartialEq, Eq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct DueQuery {
    /// As [`DueFilter::find`].
    pub find: String,
    /// At this property.
    pub property: Option<PropertyId>,
    /// Which machines.
    pub only: Option<Only>,
    /// In which order; the most pressing first where none is given.
    pub order: Option<Order>,
    /// So many are left out: they were on earlier pages.
    pub skip: usize,
}

/// A page of machines.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DuePage {
    /// At most [`MOST_LISTED`].
    pub lines: Vec<DueLine>,
    /// How many were found.
    pub found: usize,
    /// How many there are.
    pub all: usize,
}

/// A stop of a round.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RoundStop {
    /// The property.
    #[serde(flatten)]
    pub property: PropertyLine,
    /// Those of its machines that were found, the first at most [`MOST_AT_STOP`].
    pub due: Vec<DueLine>,
    /// How many were found there.
    pub found: usize,
}

/// A page of a round.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RoundPage {
    /// At most [`MOST_LISTED`].
    pub stops: Vec<RoundStop>,
    /// How many were found.
    pub found: usize,
    /// How many there are.
    pub all: usize,
}

impl DueQuery {
    fn of(&self, mut lines: Vec<DueLine>) -> Vec<DueLine> {
        lines.retain(|line| self.property.is_none_or(|property| line.property == Some(property)));
        DueFilter { find: self.find.clone(), engine: None, only: self.only, order: self.order }.of(lines)
    }
}

impl Reader<'_> {
    /// A page of the machines that are sought.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn due_page(&self, query: &DueQuery, now: &ClockReading) -> Result<DuePage, BookError> {
        let lines = self.due_list(now)?;
        let all = lines.len();
        let lines = query.of(lines);
        let found = lines.len();
        Ok(DuePage { lines: lines.into_iter().skip(query.skip).take(MOST_LISTED).collect(), found, all })
    }

    /// A page of the round: every property with what is sought there, in the order of the first machine found. A property without
    /// machines comes last, and only where nothing of machines is asked.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn round_page(&self, query: &DueQuery, now: &ClockReading) -> Result<RoundPage, BookError> {
        let properties = self.properties()?;
        let all = properties.len();
        let mut at: HashMap<PropertyId, (usize, Vec<DueLine>)> = HashMap::new();
        for (place, line) in query.of(self.due_list(now)?).into_iter().enumerate() {
            if let Some(property) = line.property {
                at.entry(property).or_insert_with(|| (place, Vec::new())).1.push(line);
            }
        }
        let mut stops = Vec::new();
        for property in properties {
            let (place, mut due) = at.remove(&property.property).unwrap_or((usize::MAX, Vec::new()));
            let named = || query.only.is_none() && !find(vec![property.clone()], &query.find).is_empty();
            if !due.is_empty() || named() {
                let found = due.len();
                due.truncate(MOST_AT_STOP);
                stops.push((place, RoundStop { property, due, found }));
            }
        }
        match query.order {
            Some(Order::Place) => stops.sort_by(|(_, a), (_, b)| a.property.name.cmp(&b.property.name)),
            _ => stops.sort_by_key(|(place, _)| *place),
        }
        let found = stops.len();
        Ok(RoundPage { stops: stops.into_iter().map(|(_, stop)| stop).skip(query.skip).take(MOST_LISTED).collect(), found, all })
    }
}
