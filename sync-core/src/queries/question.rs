//! A question to the book's arithmetic as a value, so that it can be handed over and answered in one place.
//!
//! Nothing is reckoned here: each question goes to the function of [`Book`] that answers it.

use jiff::civil::Date;
use serde::Serialize;
use serde_json::Value;
use shared::conformance::Spread;
use shared::ids::{DocId, PersonId};
use shared::leaf::LeafSet;
use shared::length::LengthUnit;
use shared::record::Stage;
use shared::thermal::Train;
use shared::usage::Season;
use shared::valve::Valve;

use crate::engine::BookError;
use crate::queries::Reckoner;
use crate::queries::reckon::Reckoned;
use crate::sys::clock::ClockReading;

/// What the book's arithmetic can be asked.
#[derive(Debug, Clone, PartialEq)]
pub enum Question {
    /// About one machine.
    Machine(DocId, OfMachine),
    /// What tightening the lock nut does to a person's settings.
    Carry {
        /// Whose settings.
        person: PersonId,
    },
    /// How far people agree.
    Agreement {
        /// The readings of one day; of every day where none is given.
        day: Option<Date>,
    },
    /// The week's round.
    Round {
        /// How many days ahead a check counts as soon, where not as usual.
        days: Option<u32>,
        /// The most minutes of work, where they are limited.
        minutes: Option<u32>,
    },
}

/// What can be asked of one machine.
#[derive(Debug, Clone, PartialEq)]
pub enum OfMachine {
    /// How sure a valve is in its range.
    Sure {
        /// The valve.
        valve: Valve,
        /// Which reading of it.
        stage: Stage,
        /// How far off leaves and feel may be.
        spread: Spread,
        /// The probability that is asked for.
        level: Option<f64>,
    },
    /// Which leaves settle a valve's verdict.
    Leaves {
        /// The valve.
        valve: Valve,
        /// The leaves at hand.
        set: LeafSet,
    },
    /// How far to turn an adjuster.
    Turn {
        /// The valve.
        valve: Valve,
        /// From which reading of it.
        stage: Stage,
    },
    /// What a warm reading may be when cold.
    Warm {
        /// The valve.
        valve: Valve,
        /// Which reading of it.
        stage: Stage,
        /// The parts that grow.
        train: Train,
    },
    /// The hour meter's readings.
    Meter,
    /// Hours a day.
    Usage {
        /// Which readings and days count.
        season: Season,
    },
    /// When the next check is due.
    Due {
        /// Which readings and days count.
        season: Season,
    },
    /// How a valve's clearance changes with hours.
    Drift {
        /// The valve.
        valve: Valve,
    },
}

/// An answer of any kind: its facts as the function of [`Book`] that gave them names them.
pub type Answer = Reckoned<Value>;

impl Reckoner<'_> {
    /// Answers a question.
    ///
    /// # Errors
    /// [`BookError::Reckoning`] where the book's readings do not tell; [`BookError::Unknown`] for a machine or a person
    /// that this book does not know.
    pub fn reckon(&self, question: &Question, unit: LengthUnit, now: &ClockReading) -> Result<Answer, BookError> {
        match question {
            Question::Machine(machine, asked) => self.reckon_of_machine(*machine, asked, unit, now),
            Question::Carry { person } => {
                if !self.book.roster()?.people.contains_key(person) {
                    return Err(BookError::Unknown("this book has no such person".to_owned()));
                }
                answer(self.carry_of(*person, unit)?)
            }
            Question::Agreement { day } => answer(self.agreement(*day, unit)?),
            Question::Round { days, minutes } => answer(self.week_round(*days, *minutes, now)?),
        }
    }

    fn reckon_of_machine(&self, machine: DocId, asked: &OfMachine, unit: LengthUnit, now: &ClockReading) -> Result<Answer, BookError> {
        match asked {
            OfMachine::Sure { valve, stage, spread, level } => answer(self.conformance_of(machine, *valve, *stage, spread, *level, unit)?),
            OfMachine::Leaves { valve, set } => answer(self.leaf_plan_of(machine, *valve, set, unit)?),
            OfMachine::Turn { valve, stage } => answer(self.turn_of(machine, *valve, *stage)?),
            OfMachine::Warm { valve, stage, train } => answer(self.warm_of(machine, *valve, *stage, train, unit)?),
            OfMachine::Meter => answer(self.meter_of(machine)?),
            OfMachine::Usage { season } => answer(self.usage_of(machine, season, now)?),
            OfMachine::Due { season } => answer(self.due_range_of(machine, season, now)?),
            OfMachine::Drift { valve } => answer(self.drift_of(machine, *valve, unit)?),
        }
    }
}

fn answer<T: Serialize>(reckoned: Reckoned<T>) -> Result<Answer, BookError> {
    let facts = serde_json::to_value(reckoned.facts).map_err(|error| BookError::Defect(error.to_string()))?;
    Ok(Reckoned { facts, words: reckoned.words })
}
