//! Finding in lists, and the order of the due list: one rule for the page, the terminal and HTTP, whatever the list.
//!
//! Every word of what is sought must be in something that the line says, in any order, in any case, with or without the marks inside it:
//! "a12 court" finds the machine A-12 at Alder Court.

use serde::{Deserialize, Serialize};
use shared::due::DueState;
use shared::engine_card::EngineCard;

use super::{ClosedDay, DeviceLine, DueLine, MachineLine, MachineView, PersonLine, PropertyLine};

/// What is sought, ready to be held against many lines.
#[derive(Debug, Clone, Default)]
struct Sought(Vec<(String, String)>);

fn folded(text: &str) -> String {
    text.to_lowercase()
}

/// Without the marks that people leave out: A-12 is said a12.
fn bare(folded: &str) -> String {
    folded.chars().filter(|c| c.is_alphanumeric() || c.is_whitespace()).collect()
}

impl Sought {
    fn new(text: &str) -> Self {
        Self(folded(text).split_whitespace().map(|word| (word.to_owned(), bare(word))).collect())
    }

    fn is_in(&self, told: &[&str]) -> bool {
        let told: Vec<(String, String)> = told.iter().map(|text| folded(text)).map(|text| (bare(&text), text)).collect();
        let in_one = |(word, without): &(String, String)| {
            told.iter().any(|(bare, text)| text.contains(word.as_str()) || (!without.is_empty() && bare.contains(without.as_str())))
        };
        self.0.iter().all(in_one)
    }
}

/// A line that can be found by what it says.
pub trait Findable {
    /// What it is found by.
    fn told(&self) -> Vec<&str>;
}

impl Findable for DueLine {
    fn told(&self) -> Vec<&str> {
        vec![&self.tag, &self.description, &self.property_name, &self.engine]
    }
}

impl Findable for MachineLine {
    fn told(&self) -> Vec<&str> {
        vec![&self.tag, &self.description, &self.property_name]
    }
}

impl Findable for MachineView {
    fn told(&self) -> Vec<&str> {
        let engine = self.engine_card.iter().map(|card| card.name.as_str());
        [self.tag.as_str(), &self.description, &self.property_name].into_iter().chain(engine).collect()
    }
}

impl Findable for PropertyLine {
    fn told(&self) -> Vec<&str> {
        vec![&self.name, &self.address, &self.access]
    }
}

impl Findable for PersonLine {
    fn told(&self) -> Vec<&str> {
        let role = self.role.map_or("no role", shared::role::Role::name);
        [self.name.as_str(), role].into_iter().chain(self.properties.iter().map(String::as_str)).collect()
    }
}

impl Findable for DeviceLine {
    fn told(&self) -> Vec<&str> {
        vec![&self.name, &self.person_name, if self.revoked_ms.is_some() { "revoked" } else { "trusted" }]
    }
}

impl Findable for EngineCard {
    fn told(&self) -> Vec<&str> {
        let source = self.source.iter().flat_map(|source| [source.manual.as_str(), source.page.as_str()]);
        [self.name.as_str()].into_iter().chain(source).collect()
    }
}

impl Findable for ClosedDay {
    fn told(&self) -> Vec<&str> {
        vec![&self.when, &self.by, &self.left_open, &self.day_words]
    }
}

/// The lines that are found; all of them where nothing is sought. Their order stays.
#[must_use]
pub fn find<T: Findable>(mut lines: Vec<T>, sought: &str) -> Vec<T> {
    let sought = Sought::new(sought);
    if !sought.0.is_empty() {
        lines.retain(|line| sought.is_in(&line.told()));
    }
    lines
}

macro_rules! choice {
    ($(#[$about:meta])* $name:ident, $what:literal, { $($(#[$of:meta])* $variant:ident = $word:literal, $says:literal;)* }) => {
        $(#[$about])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
        #[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
        #[serde(rename_all = "kebab-case")]
        pub enum $name { $($(#[$of])* $variant,)* }

        impl $name {
            /// Every one of them, in the order in which they are offered.
            pub const ALL: &[Self] = &[$(Self::$variant,)*];

            /// How it is written in a command or an address.
            #[must_use]
            pub const fn name(self) -> &'static str {
                match self { $(Self::$variant => $word,)* }
            }

            /// How it is said to people.
            #[must_use]
            pub const fn words(self) -> &'static str {
                match self { $(Self::$variant => $says,)* }
            }
        }

        impl std::str::FromStr for $name {
            type Err = String;

            fn from_str(text: &str) -> Result<Self, String> {
                let all = Self::ALL.iter().map(|one| one.name()).collect::<Vec<_>>().join(", ");
                Self::ALL.iter().copied().find(|one| one.name() == text.trim()).ok_or_else(|| format!("{} is one of {all}, not \"{text}\"", $what))
            }
        }
    };
}

choice! {
    /// Which machines of the due list.
    Only, "what the due list is cut down to", {
        /// Those that must not be run.
        Held = "held", "on hold";
        /// Those whose check is due now: overdue, never checked, left with something open, or to be measured again.
        Due = "due", "due now";
        /// Those of which a slot wants a ruling.
        Contested = "contested", "contested";
        /// Those that a visit is open to.
        Visited = "visited", "visit open";
    }
}

choice! {
    /// In which order the due list is. Machines on hold come first in each.
    Order, "the order of the due list", {
        /// The most pressing first.
        Pressing = "pressing", "most pressing first";
        /// By tag.
        Tag = "tag", "by tag";
        /// By the property's name, then by tag.
        Place = "place", "by place";
        /// The most hours on the meter first.
        Hours = "hours", "most hours first";
    }
}

/// What the due list is cut down to, and in which order it is.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct DueFilter {
    /// Words that the machine's tag, description, place or engine must say.
    pub find: String,
    /// The name of the engine card that the machine must have.
    pub engine: Option<String>,
    /// Which machines.
    pub only: Option<Only>,
    /// In which order; the most pressing first where none is given.
    pub order: Option<Order>,
}

impl Only {
    fn takes(self, line: &DueLine) -> bool {
        match self {
            Self::Held => line.hold,
            Self::Due => {
                let state = line.due.as_ref().map(|due| due.state);
                line.recheck || matches!(state, Some(DueState::Overdue | DueState::NeverChecked | DueState::LeftOpen))
            }
            Self::Contested => line.contested,
            Self::Visited => line.open_visit,
        }
    }
}

impl DueFilter {
    /// Cuts the due list down, and puts it in order. Of equals the order stays: the most pressing first.
    #[must_use]
    pub fn of(&self, lines: Vec<DueLine>) -> Vec<DueLine> {
        let mut lines = find(lines, &self.find);
        let engine = self.engine.as_deref().map(folded);
        lines.retain(|line| {
            self.only.is_none_or(|only| only.takes(line)) && engine.as_ref().is_none_or(|name| folded(&line.engine) == *name)
        });
        match self.order.unwrap_or(Order::Pressing) {
            Order::Pressing => {}
            Order::Tag => lines.sort_by_cached_key(|line| (!line.hold, folded(&line.tag))),
            Order::Place => lines.sort_by_cached_key(|line| (!line.hold, folded(&line.property_name), folded(&line.tag))),
            Order::Hours => lines.sort_by_key(|line| (!line.hold, std::cmp::Reverse(line.meter))),
        }
        lines
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_word_is_in_something_that_is_told() {
        let told = ["A-12", "Ride-on mower, twin", "Alder Court", "Invented twin 600"];
        for sought in ["", "  ", "a12", "A-12", "twin court", "COURT a-12", "600", "ride-on", "rideon", "mower,"] {
            assert!(Sought::new(sought).is_in(&told), "{sought}");
        }
        for sought in ["a13", "court b-1", "twin single", "a 12x"] {
            assert!(!Sought::new(sought).is_in(&told), "{sought}");
        }
        // A mark alone is sought as it stands.
        assert!(Sought::new("-").is_in(&told) && !Sought::new("%").is_in(&told));
    }

    #[test]
    fn a_choice_is_read_as_it_is_written() {
        for only in Only::ALL {
            assert_eq!(only.name().parse(), Ok(*only));
        }
        for order in Order::ALL {
            assert_eq!(order.name().parse(), Ok(*order));
        }
        assert!("hold".parse::<Only>().unwrap_err().contains("held, due, contested, visited"));
    }
}
