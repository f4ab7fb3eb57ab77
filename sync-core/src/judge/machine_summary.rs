//! A machine in brief: what lists of the whole fleet need of each, small enough to read ten thousand of them at once.

use serde::{Deserialize, Serialize};
use shared::due::Run;
use shared::engine_card::Duty;
use shared::hours::Hours;
use shared::ids::{CardId, PropertyId, RecordId};

use crate::judge::machine::{HoursNow, LastCheck, MachineState};

/// A machine in brief. Written as a list without names; so a new field goes to the end, and gets a default.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MachineSummary(Card, Option<Meter>, Option<Used>, Option<Check>, Flags);

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Card(String, String, PropertyId, Option<CardId>, Duty, Option<u8>);

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Meter(RecordId, Hours, Hours, i64);

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Check(RecordId, i64, Option<Hours>);

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Used(i64, i64, Hours);

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Flags(bool, bool, bool, bool, bool);

impl MachineSummary {
    /// A machine in brief; `None` where no card of it stands.
    #[must_use]
    pub fn of(state: &MachineState) -> Option<Self> {
        let card = state.card.as_ref()?;
        Some(Self(
            Card(card.tag.clone(), card.description.clone(), card.property, card.engine_card, card.duty, card.hours_per_week),
            state.hours.as_ref().map(|now| Meter(now.record, now.meter, now.engine, now.at_ms)),
            state.run.map(|Run { from_ms, to_ms, run }| Used(from_ms, to_ms, run)),
            state.last_check.as_ref().map(|last| Check(last.visit, last.at_ms, last.engine)),
            Flags(
                state.holds().next().is_some(),
                !state.contested.is_empty(),
                !state.recheck.is_empty(),
                state.open_visits().next().is_some(),
                state.only_left_open(),
            ),
        ))
    }

    /// Its tag.
    #[must_use]
    pub fn tag(&self) -> &str {
        &self.0.0
    }

    /// What it is.
    #[must_use]
    pub fn description(&self) -> &str {
        &self.0.1
    }

    /// Where it lives.
    #[must_use]
    pub const fn property(&self) -> PropertyId {
        self.0.2
    }

    /// Its engine's card.
    #[must_use]
    pub const fn engine_card(&self) -> Option<CardId> {
        self.0.3
    }

    /// Its duty.
    #[must_use]
    pub const fn duty(&self) -> Duty {
        self.0.4
    }

    /// Its hours now.
    #[must_use]
    pub fn hours(&self) -> Option<HoursNow> {
        self.1.as_ref().map(|Meter(record, meter, engine, at_ms)| HoursNow {
            record: *record,
            meter: *meter,
            engine: *engine,
            at_ms: *at_ms,
        })
    }

    /// What it ran in the trailing year, as far as the chain tells.
    #[must_use]
    pub fn run(&self) -> Option<Run> {
        self.2.as_ref().map(|Used(from_ms, to_ms, run)| Run { from_ms: *from_ms, to_ms: *to_ms, run: *run })
    }

    /// Hours a week of its season, as the shop estimates.
    #[must_use]
    pub const fn hours_per_week(&self) -> Option<u8> {
        self.0.5
    }

    /// The last finished check.
    #[must_use]
    pub fn last_check(&self) -> Option<LastCheck> {
        self.3.as_ref().map(|Check(visit, at_ms, engine)| LastCheck { visit: *visit, at_ms: *at_ms, engine: *engine })
    }

    /// It must not be run.
    #[must_use]
    pub const fn hold(&self) -> bool {
        self.4.0
    }

    /// A slot of it wants a ruling.
    #[must_use]
    pub const fn contested(&self) -> bool {
        self.4.1
    }

    /// A ruling sent someone to measure again.
    #[must_use]
    pub const fn recheck(&self) -> bool {
        self.4.2
    }

    /// It has been visited to the end, and each time something was left open.
    #[must_use]
    pub const fn left_open(&self) -> bool {
        self.4.4
    }

    /// A visit to it is open.
    #[must_use]
    pub const fn open_visit(&self) -> bool {
        self.4.3
    }
}
