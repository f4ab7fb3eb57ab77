//! What is looked for among the machines and the stops of a round: by words, by what is the matter, in an order, page by page.

use std::collections::HashMap;

use serde::{Deserialize, Serialize};
use shared::due::DueState;
use shared::ids::PropertyId;

use super::bounds::{MOST_AT_STOP, MOST_PAGE};
use super::{DueLine, PropertyLine};
use crate::book::{Book, BookError};
use crate::moment::Moment;

/// What is looked for. All of it must hold.
#[derive(Debug, Clone, Default, PartialEq, Eq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct DueQuery {
    /// Words: each is part of the tag, the place, what the machine is, or its engine card's name.
    pub words: String,
    /// At this property.
    pub property: Option<PropertyId>,
    /// What is the matter with it.
    pub only: Option<Matter>,
    /// In which order; those on hold come first in each.
    pub order: Order,
    /// So many of them are left out: they were on earlier pages.
    pub skip: usize,
}

/// What can be the matter with a machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Matter {
    /// It must not be run.
    Held,
    /// Its check is due, or its last was left open.
    Due,
    /// People disagree about it.
    Contested,
    /// A visit to it is open.
    Open,
}

/// The orders of a list of machines.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Order {
    /// The most pressing first.
    #[default]
    Need,
    /// By tag.
    Tag,
    /// By place, then tag.
    Place,
}

/// A page of machines.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DuePage {
    /// At most [`MOST_PAGE`].
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
    /// Those of its machines that were found, the most pressing first: at most [`MOST_AT_STOP`].
    pub due: Vec<DueLine>,
    /// How many were found there.
    pub found: usize,
}

/// A page of a round.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RoundPage {
    /// At most [`MOST_PAGE`].
    pub stops: Vec<RoundStop>,
    /// How many were found.
    pub found: usize,
    /// How many there are.
    pub all: usize,
}

impl DueQuery {
    fn words(&self) -> Vec<String> {
        self.words.to_lowercase().split_whitespace().map(str::to_owned).collect()
    }

    fn finds(&self, line: &DueLine, words: &[String]) -> bool {
        let matter = match self.only {
            None => true,
            Some(Matter::Held) => line.hold,
            Some(Matter::Contested) => line.contested || line.recheck,
            Some(Matter::Open) => line.open_visit,
            Some(Matter::Due) => line.recheck || is_due(line),
        };
        let at = self.property.is_none_or(|property| line.property == Some(property));
        let text = || [&line.tag, &line.property_name, &line.description, &line.engine].map(|part| part.to_lowercase()).join("\n");
        at && matter && has_all(&text(), words)
    }
}

fn is_due(line: &DueLine) -> bool {
    let state = line.due.as_ref().map(|due| due.state);
    matches!(state, Some(DueState::Overdue | DueState::NeverChecked | DueState::LeftOpen | DueState::DueSoon))
}

fn has_all(text: &str, words: &[String]) -> bool {
    words.iter().all(|word| text.contains(word))
}

impl Book {
    /// A page of the machines that are looked for.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn due_page(&self, query: &DueQuery, now: &Moment) -> Result<DuePage, BookError> {
        let mut lines = self.due_list(now)?;
        let (all, words) = (lines.len(), query.words());
        lines.retain(|line| query.finds(line, &words));
        match query.order {
            Order::Need => {}
            Order::Tag => lines.sort_by(|a, b| (!a.hold, &a.tag).cmp(&(!b.hold, &b.tag))),
            Order::Place => lines.sort_by(|a, b| (!a.hold, &a.property_name, &a.tag).cmp(&(!b.hold, &b.property_name, &b.tag))),
        }
        let found = lines.len();
        Ok(DuePage { lines: lines.into_iter().skip(query.skip).take(MOST_PAGE).collect(), found, all })
    }

    /// A page of the round: every property with what is looked for there, the most pressing first. A property without machines comes
    /// last, and only where nothing of machines is asked.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn round_page(&self, query: &DueQuery, now: &Moment) -> Result<RoundPage, BookError> {
        let properties = self.properties()?;
        let (all, words) = (properties.len(), query.words());
        let mut at: HashMap<PropertyId, (usize, Vec<DueLine>)> = HashMap::new();
        for (place, line) in self.due_list(now)?.into_iter().enumerate() {
            if let Some(property) = line.property.filter(|_| query.finds(&line, &words)) {
                at.entry(property).or_insert_with(|| (place, Vec::new())).1.push(line);
            }
        }
        let mut stops = Vec::new();
        for property in properties {
            let (place, mut due) = at.remove(&property.property).unwrap_or((usize::MAX, Vec::new()));
            let named = query.only.is_none() && has_all(&format!("{}\n{}", property.name, property.address).to_lowercase(), &words);
            if !due.is_empty() || named {
                let found = due.len();
                due.truncate(MOST_AT_STOP);
                stops.push((place, RoundStop { property, due, found }));
            }
        }
        match query.order {
            Order::Need | Order::Tag => stops.sort_by_key(|(place, _)| *place),
            Order::Place => stops.sort_by(|(_, a), (_, b)| a.property.name.cmp(&b.property.name)),
        }
        let found = stops.len();
        Ok(RoundPage { stops: stops.into_iter().map(|(_, stop)| stop).skip(query.skip).take(MOST_PAGE).collect(), found, all })
    }
}
