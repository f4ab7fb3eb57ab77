//! The file of engine cards: how an office hands its cards on, and takes others' in. JSON, with the field names of the wire.
//!
//! A file is taken whole or not at all: [`read`] proves the file, [`settle`] says what it changes among the cards that are
//! known. Whatever comes in it, no card without a source is ever judged against.

mod error;

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::{Adjuster, EngineCard, Firing, Ignition, Interval, Range, Said, Source};
use crate::ids::CardId;
use crate::length::Length;
use crate::text::visible_in_json;

pub use error::CardFileError;

/// The version of the file's form.
pub const CARD_FILE: u32 = 1;
/// The largest file, in bytes.
pub const LARGEST_FILE: usize = 1024 * 1024;
/// The most cards in one file.
pub const MOST_CARDS: usize = 500;
/// The longest name, manual title or page, in bytes.
pub const LONGEST_WORDS: usize = 1_000;
/// The greatest length on a card: one metre, which no part of this work reaches.
pub const LONGEST: Length = Length::from_tenth_um(10_000_000);

/// One card of a file. A file made by hand need not name the card's id: the card is then known by its name.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ListedCard {
    /// The card's id, where the file names one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub card: Option<CardId>,
    /// What the shop calls this engine type.
    pub name: String,
    /// How many cylinders.
    pub cylinders: u8,
    /// Hydraulic lash: there is no range.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub hydraulic: bool,
    /// Intake range, engine cold.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub intake: Option<Range>,
    /// Exhaust range, engine cold.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exhaust: Option<Range>,
    /// How the manual says the intake range, where it does not name both ends.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub intake_said: Option<Said>,
    /// How the manual says the exhaust range, where it does not name both ends.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exhaust_said: Option<Said>,
    /// Where it was read. A card without a source is kept and never judged against.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<Source>,
    /// Interval under commercial duty.
    pub commercial: Interval,
    /// Interval under homeowner duty.
    pub homeowner: Interval,
    /// The adjuster, where known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub adjuster: Option<Adjuster>,
    /// For an engine with compression release: how far the piston is past top dead center when it is checked.
    #[serde(rename = "past_tdc_tenth_um", default, skip_serializing_if = "Option::is_none")]
    pub past_tdc: Option<Length>,
    /// The same in tenths of a degree of the crank.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub past_tdc_tenth_deg: Option<u32>,
    /// In which order the cylinders fire, and how far apart.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub firing: Option<Firing>,
    /// How it fires, where the card says: cautions follow from it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ignition: Option<Ignition>,
    /// How far outside a range a reading is asked about first, in tenths of the range's width.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub far_tenths: Option<u32>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct CardFile {
    /// [`CARD_FILE`].
    card_file: u32,
    cards: Vec<ListedCard>,
}

/// A card as a file would change it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Settled {
    /// The card, with its id.
    pub card: EngineCard,
    /// What it changes.
    pub change: Change,
}

/// What a listed card changes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Change {
    /// The card was not known.
    New,
    /// A known card says something else from now on.
    Restated,
    /// A known card says the very same already.
    Same,
}

impl From<EngineCard> for ListedCard {
    fn from(card: EngineCard) -> Self {
        Self { card: Some(card.card), ..Self::without_id(card) }
    }
}

impl ListedCard {
    /// A card as it is listed without an id.
    #[must_use]
    pub fn without_id(card: EngineCard) -> Self {
        let EngineCard {
            card: _,
            name,
            cylinders,
            hydraulic,
            intake,
            exhaust,
            intake_said,
            exhaust_said,
            source,
            commercial,
            homeowner,
            adjuster,
            past_tdc,
            past_tdc_tenth_deg,
            firing,
            ignition,
            far_tenths,
        } = card;
        Self {
            card: None,
            name,
            cylinders,
            hydraulic,
            intake,
            exhaust,
            intake_said,
            exhaust_said,
            source,
            commercial,
            homeowner,
            adjuster,
            past_tdc,
            past_tdc_tenth_deg,
            firing,
            ignition,
            far_tenths,
        }
    }

    /// The card under an id.
    #[must_use]
    pub fn with_id(self, card: CardId) -> EngineCard {
        let Self {
            card: _,
            name,
            cylinders,
            hydraulic,
            intake,
            exhaust,
            intake_said,
            exhaust_said,
            source,
            commercial,
            homeowner,
            adjuster,
            past_tdc,
            past_tdc_tenth_deg,
            firing,
            ignition,
            far_tenths,
        } = self;
        EngineCard {
            card,
            name,
            cylinders,
            hydraulic,
            intake,
            exhaust,
            intake_said,
            exhaust_said,
            source,
            commercial,
            homeowner,
            adjuster,
            past_tdc,
            past_tdc_tenth_deg,
            firing,
            ignition,
            far_tenths,
        }
    }

    /// Whether the card can be, as the `number`th of its file.
    fn check(&self, number: usize) -> Result<(), CardFileError> {
        let none = String::new();
        let (manual, page) = self.source.as_ref().map_or((&none, &none), |source| (&source.manual, &source.page));
        for (field, words) in [("name", &self.name), ("manual", manual), ("page", page)] {
            if words.len() > LONGEST_WORDS {
                return Err(CardFileError::Words { number, field });
            }
            if words.chars().any(char::is_control) {
                return Err(CardFileError::Control { number, field });
            }
        }
        let lengths = [
            ("intake.low_tenth_um", self.intake.map(|range| range.low)),
            ("intake.high_tenth_um", self.intake.map(|range| range.high)),
            ("intake.aim_tenth_um", self.intake.and_then(|range| range.aim)),
            ("exhaust.low_tenth_um", self.exhaust.map(|range| range.low)),
            ("exhaust.high_tenth_um", self.exhaust.map(|range| range.high)),
            ("exhaust.aim_tenth_um", self.exhaust.and_then(|range| range.aim)),
            ("past_tdc_tenth_um", self.past_tdc),
        ];
        for (field, length) in lengths {
            if length.is_some_and(|length| length <= Length::ZERO || length > LONGEST) {
                return Err(CardFileError::Length { number, name: cut(&self.name), field });
            }
        }
        self.clone().with_id(CardId::from_bytes([0; 16])).check().map_err(|why| CardFileError::Card { number, name: cut(&self.name), why })
    }
}

/// A name for a sentence.
fn cut(name: &str) -> String {
    let name = name.trim();
    let short: String = name.chars().take(40).collect();
    if short.len() < name.len() { format!("{short}…") } else { short }
}

/// The name by which a card is known: blanks around it and the case of its letters do not count.
fn known_as(name: &str) -> String {
    name.trim().to_lowercase()
}

/// Cards as a file.
#[must_use]
pub fn write(cards: &[EngineCard]) -> String {
    let file = CardFile { card_file: CARD_FILE, cards: cards.iter().cloned().map(ListedCard::from).collect() };
    // Texts and whole numbers always have their JSON.
    serde_json::to_string_pretty(&file).map(|text| visible_in_json(&text).into_owned() + "\n").unwrap_or_default()
}

/// Reads a file of cards: every one of them can be, or none is given.
///
/// # Errors
/// [`CardFileError`], naming the place in the file or the card and field.
pub fn read(bytes: &[u8]) -> Result<Vec<ListedCard>, CardFileError> {
    if bytes.len() > LARGEST_FILE {
        return Err(CardFileError::TooLarge);
    }
    let file: CardFile = serde_json::from_slice(bytes).map_err(|error| unreadable(&error))?;
    if file.card_file != CARD_FILE {
        return Err(CardFileError::Version { given: file.card_file });
    }
    proved(file.cards)
}

/// Cards as somebody listed them, or what is wrong with them together.
pub(super) fn proved(cards: Vec<ListedCard>) -> Result<Vec<ListedCard>, CardFileError> {
    if cards.is_empty() || cards.len() > MOST_CARDS {
        return Err(CardFileError::Count { given: cards.len() });
    }
    let (mut names, mut ids) = (BTreeMap::new(), BTreeMap::new());
    for (number, card) in (1..).zip(&cards) {
        card.check(number)?;
        let same_name = names.insert(known_as(&card.name), number);
        let same_id = card.card.and_then(|id| ids.insert(id, number));
        if let Some(first) = same_name.or(same_id) {
            return Err(CardFileError::Twice { first, second: number, name: cut(&card.name) });
        }
    }
    Ok(cards)
}

/// Reads a file of cards or a table of them: a file begins with a brace. With it what of a table was taken for inches.
///
/// # Errors
/// As [`read`] and [`super::table::read`].
pub fn read_either(bytes: &[u8]) -> Result<(Vec<ListedCard>, Vec<String>), CardFileError> {
    let is_file = bytes.trim_ascii_start().starts_with(b"{");
    if is_file { read(bytes).map(|cards| (cards, Vec::new())) } else { super::table::read_noted(bytes) }
}

fn unreadable(error: &serde_json::Error) -> CardFileError {
    let (line, column) = (error.line(), error.column());
    let said = error.to_string();
    let place = format!(" at line {line} column {column}");
    CardFileError::Unreadable { line, column, why: said.strip_suffix(&place).unwrap_or(&said).to_owned() }
}

/// What a file changes among the cards that are known. A card without an id is the known card of its name, else a new one.
///
/// # Errors
/// [`CardFileError::NameTaken`] and [`CardFileError::Twice`], where two cards would have one name or one id.
pub fn settle(listed: Vec<ListedCard>, known: &[EngineCard], mut fresh: impl FnMut() -> CardId) -> Result<Vec<Settled>, CardFileError> {
    let mut settled: Vec<Settled> = Vec::with_capacity(listed.len());
    for (number, listed) in (1..).zip(listed) {
        let named = known.iter().find(|card| known_as(&card.name) == known_as(&listed.name));
        let id = listed.card.or(named.map(|card| card.card)).unwrap_or_else(&mut fresh);
        if let Some(first) = settled.iter().position(|before| before.card.card == id) {
            return Err(CardFileError::Twice { first: first + 1, second: number, name: cut(&listed.name) });
        }
        let card = listed.with_id(id);
        let change = match known.iter().find(|before| before.card == id) {
            None => Change::New,
            Some(before) if *before == card => Change::Same,
            Some(_) => Change::Restated,
        };
        settled.push(Settled { card, change });
    }
    // Names are compared as they will be, so that two cards can swap theirs.
    let stays = |other: &EngineCard| settled.iter().all(|listed| listed.card.card != other.card);
    for (number, Settled { card, .. }) in (1..).zip(&settled) {
        if known.iter().any(|other| stays(other) && known_as(&other.name) == known_as(&card.name)) {
            return Err(CardFileError::NameTaken { number, name: cut(&card.name) });
        }
    }
    Ok(settled)
}

#[cfg(test)]
mod tests;
