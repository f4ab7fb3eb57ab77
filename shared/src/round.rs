//! The week's round: which properties are worth the drive, what is done there, how long it takes and what to bring.
//!
//! A machine is worth the drive if it is on hold, is to be read again, is overdue, was never checked, was left with something open, or is due soon.
//! That order of urgency and every number of minutes are the shop's own affair: common practice, no source.

use std::collections::BTreeMap;

use jiff::Span;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::due::{Due, DueState, SOON_DAYS};
use crate::ids::{MachineId, PropertyId};

mod planning;
mod route;

pub use planning::plan_round;
pub use route::{EARTH_RADIUS_M, MOST_ROUTED, Place, PlaceError, Tour, distance_m, shortened, tour};

/// A machine that the round may stop for.
#[derive(Debug, Clone, PartialEq)]
pub struct RoundMachine {
    /// The machine. Where two entries name the same one, the more urgent counts.
    pub machine: MachineId,
    /// The tag on it.
    pub tag: String,
    /// Where it lives.
    pub property: PropertyId,
    /// Where the property is, if anybody wrote it down.
    pub place: Option<Place>,
    /// When its check is due, as of the day of the round; `None` where it has no engine card.
    pub due: Option<Due>,
    /// A finding says "do not run this machine", and is not cleared.
    pub hold: bool,
    /// A ruling asks for another reading.
    pub recheck: bool,
    /// How many cylinders, for the time it takes. 0 counts as 1.
    pub cylinders: u8,
    /// The work's minutes, where somebody has estimated them for this machine; they replace those by cylinders.
    pub minutes: Option<u32>,
    /// What to bring for it, one entry per piece.
    pub parts: Vec<String>,
}

/// What the shop decides about its rounds.
#[derive(Debug, Clone, PartialEq)]
pub struct RoundRules {
    /// The day of the round.
    pub today: Date,
    /// A check that falls due within so many days is soon, as is every one that the book calls due soon. Days, 0 or more.
    pub horizon_days: u32,
    /// Minutes for a machine with one cylinder.
    pub minutes_one_cylinder: u32,
    /// Minutes for each further cylinder.
    pub minutes_each_further_cylinder: u32,
    /// Minutes to set up and pack up, once per property.
    pub minutes_set_up: u32,
    /// The most minutes of the whole round, on site: driving is not counted, nobody here knows the roads.
    pub most_minutes: Option<u32>,
    /// Where the crew starts and ends, if stops are to be put in an order of driving.
    pub start: Option<Place>,
}

impl RoundRules {
    /// Two weeks ahead, 45 min for one cylinder, 20 for each further one, 15 to set up, no limit, no start: invented
    /// to have something to correct, no source.
    #[must_use]
    pub const fn of(today: Date) -> Self {
        Self {
            today,
            horizon_days: SOON_DAYS.unsigned_abs(),
            minutes_one_cylinder: 45,
            minutes_each_further_cylinder: 20,
            minutes_set_up: 15,
            most_minutes: None,
            start: None,
        }
    }
}

/// Why a machine is worth the drive, most urgent first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Reason {
    /// It may not be run until a finding is cleared.
    Hold,
    /// A ruling asks for another reading.
    Recheck,
    /// Its check is overdue.
    Overdue,
    /// No visit is known.
    NeverChecked,
    /// No whole check is known: a visit left something open.
    LeftOpen,
    /// Its check is due soon, or within the horizon.
    Soon,
}

/// A machine of a stop.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct StopMachine {
    /// The machine.
    pub machine: MachineId,
    /// The tag on it.
    pub tag: String,
    /// Its most urgent reason.
    pub reason: Reason,
    /// When its check is due, where a date is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(value_type = Option<String>, format = Date))]
    pub date: Option<Date>,
    /// Minutes of work on it.
    pub minutes: u32,
}

/// How many machines of a stop have which most urgent reason; a machine counts once.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct WhyStop {
    /// On hold.
    pub hold: usize,
    /// To read again.
    pub recheck: usize,
    /// Overdue.
    pub overdue: usize,
    /// Never checked.
    pub never_checked: usize,
    /// Checked, with something left open.
    pub left_open: usize,
    /// Due soon.
    pub soon: usize,
}

/// One property on the round.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Stop {
    /// The property.
    pub property: PropertyId,
    /// Where it is, if known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub place: Option<Place>,
    /// Its worthwhile machines, most urgent first, then by date, tag and id.
    pub machines: Vec<StopMachine>,
    /// Minutes there: set-up and machines.
    pub minutes: u64,
    /// Why it is worth the drive.
    pub why: WhyStop,
    /// What to bring and how many of each, by name. Blanks at the ends of a name do not count, and unnamed parts are dropped.
    pub parts: BTreeMap<String, usize>,
}

/// Why a worthwhile machine is not on the round.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum PutOffWhy {
    /// More urgent stops take the time.
    NoTimeLeft,
    /// With its set-up it takes longer than the whole round may, so that it would be put off for ever: raise the limit.
    LongerThanRound,
}

/// A worthwhile machine that is not on the round.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PutOff {
    /// Where it lives.
    pub property: PropertyId,
    /// The machine, with its reason.
    pub machine: StopMachine,
    /// Why it is not on the round.
    pub why: PutOffWhy,
}

/// In which order the stops are listed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case", tag = "order")]
pub enum Order {
    /// Most urgent first; the crew, who know the roads, choose the way.
    LeftToCrew {
        /// Why no way was worked out.
        why: LeftWhy,
    },
    /// A short way from the start through all stops and back, as the crow flies: not by road, and not proven shortest.
    ByDistance {
        /// Its length in whole metres.
        metres: u64,
    },
}

/// Why the order is left to the crew.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum LeftWhy {
    /// There are no stops.
    NoStops,
    /// The rules name no start.
    NoStart,
    /// At least one stop has no place.
    PlaceUnknown,
    /// More than [`MOST_ROUTED`] stops.
    TooMany,
}

/// The week's round.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Round {
    /// The properties worth the drive, in the order that `order` says.
    pub stops: Vec<Stop>,
    /// Worthwhile machines that did not fit, most urgent first.
    pub put_off: Vec<PutOff>,
    /// Minutes of all stops, without driving.
    pub minutes_total: u64,
    /// How the stops are ordered.
    #[serde(flatten)]
    pub order: Order,
}

impl RoundMachine {
    /// Why it is worth the drive: its most urgent reason, `None` where it can wait or nothing is known of its check.
    #[must_use]
    pub fn reason(&self, rules: &RoundRules) -> Option<Reason> {
        if self.hold {
            return Some(Reason::Hold);
        }
        if self.recheck {
            return Some(Reason::Recheck);
        }
        let due = self.due.as_ref()?;
        let horizon = Span::new().try_days(rules.horizon_days).map_or(Date::MAX, |span| rules.today.saturating_add(span));
        match due.state {
            DueState::Overdue => Some(Reason::Overdue),
            DueState::NeverChecked => Some(Reason::NeverChecked),
            DueState::LeftOpen => Some(Reason::LeftOpen),
            // A due date worked out some days ago may have passed since.
            _ if due.date.is_some_and(|date| date < rules.today) => Some(Reason::Overdue),
            DueState::DueSoon => Some(Reason::Soon),
            _ => due.date.is_some_and(|date| date <= horizon).then_some(Reason::Soon),
        }
    }

    fn minutes(&self, rules: &RoundRules) -> u32 {
        let further = u32::from(self.cylinders.saturating_sub(1));
        let by_cylinders = rules.minutes_one_cylinder.saturating_add(rules.minutes_each_further_cylinder.saturating_mul(further));
        self.minutes.unwrap_or(by_cylinders)
    }
}

impl WhyStop {
    /// "1 on hold, 2 overdue, 1 due soon"; nothing where all are zero.
    #[must_use]
    pub fn words(&self) -> String {
        let counts = [
            (self.hold, "on hold"),
            (self.recheck, "to read again"),
            (self.overdue, "overdue"),
            (self.never_checked, "never checked"),
            (self.left_open, "left open"),
            (self.soon, "due soon"),
        ];
        let said: Vec<String> = counts.iter().filter(|(n, _)| *n > 0).map(|(n, what)| format!("{n} {what}")).collect();
        said.join(", ")
    }

    fn count(&mut self, reason: Reason) {
        *match reason {
            Reason::Hold => &mut self.hold,
            Reason::Recheck => &mut self.recheck,
            Reason::Overdue => &mut self.overdue,
            Reason::NeverChecked => &mut self.never_checked,
            Reason::LeftOpen => &mut self.left_open,
            Reason::Soon => &mut self.soon,
        } += 1;
    }
}

impl Stop {
    /// "2 overdue, 1 due soon: 125 min. Bring 2 × cover gasket, 1 × plug."
    #[must_use]
    pub fn words(&self) -> String {
        let parts: Vec<String> = self.parts.iter().map(|(part, count)| format!("{count} × {part}")).collect();
        let bring = if parts.is_empty() { String::new() } else { format!(" Bring {}.", parts.join(", ")) };
        format!("{}: {} min.{bring}", self.why.words(), self.minutes)
    }
}

impl Round {
    /// How long it takes, how it is ordered and what is put off, in plain sentences.
    #[must_use]
    pub fn words(&self) -> String {
        if self.stops.is_empty() && self.put_off.is_empty() {
            return "Nothing is worth a drive.".to_owned();
        }
        if self.stops.is_empty() {
            return format!("No stop fits into the time given. Put off: {}.", self.put_off.len());
        }
        let machines: usize = self.stops.iter().map(|stop| stop.machines.len()).sum();
        let order = match self.order {
            Order::ByDistance { metres } => format!("In an order of about {} km as the crow flies, there and back.", metres.div_ceil(1000)),
            Order::LeftToCrew { why: LeftWhy::PlaceUnknown } => "Most urgent first; not every stop's place is known.".to_owned(),
            Order::LeftToCrew { .. } => "Most urgent first; the way is left to the crew.".to_owned(),
        };
        let put_off = match self.put_off.len() {
            0 => String::new(),
            n => format!(" Put off, since the time does not reach: {n}."),
        };
        format!("Stops: {}. Machines: {machines}. Work: {} min without driving. {order}{put_off}", self.stops.len(), self.minutes_total)
    }
}

#[cfg(test)]
mod tests;
