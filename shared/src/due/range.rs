//! When a check is due as a range of days: the hours limit projected with the high, the likely and the low use.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::{DueInput, Limit, anchor, by_calendar, day_words, days, iso, whole_days};
use crate::hours::Hours;
use crate::usage::{Season, Usage};

/// The days between which a check becomes due. `earliest <= likely <= latest`; a missing day is later than any.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct DueRange {
    /// The day by the high end of the use.
    #[serde(with = "iso::optional_date", default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(value_type = Option<String>, format = Date))]
    pub earliest: Option<Date>,
    /// The day by the likely use.
    #[serde(with = "iso::optional_date", default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(value_type = Option<String>, format = Date))]
    pub likely: Option<Date>,
    /// The day by the low end of the use. Missing where by that use no day is in sight and there is no calendar limit.
    #[serde(with = "iso::optional_date", default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(value_type = Option<String>, format = Date))]
    pub latest: Option<Date>,
    /// The limit that likely comes first, as far as it is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit: Option<Limit>,
    /// Hours to run from the last reading, where one is known; below zero where they are passed.
    #[serde(rename = "left_tenth_h", default, skip_serializing_if = "Option::is_none")]
    pub hours_left: Option<Hours>,
    /// No check is known: due now.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub never_checked: bool,
    /// No whole check is known, only visits that left something open: due now.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub left_open: bool,
    /// There is an hours limit and it is in none of the days: hours are missing, or how much the machine is used.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub hours_not_counted: bool,
    /// The hours limit goes by the shop's estimate of the use, from half to double: no hour was ever read.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub estimated: bool,
}

/// When a check is due, as a range: the earlier of the hours limit and the calendar limit, for each end of the use.
///
/// The hours limit is projected from the last reading as [`super::due`] does, with the high, the likely and the low
/// end of `usage` and down to whole days; days out of the usage's season are stepped over, as no hours are run then.
/// No day is later than the calendar limit, and by none is more run, at its use, than the interval allows: what the
/// range leaves open is the use, and nothing else. Hours that are up by the reading are up, whatever the season.
///
/// Without `usage` (or with one that is not a number) only the calendar counts, and
/// [`DueInput::tenth_hours_per_day`] is not looked at: a use without an interval gives one day and no range. A use
/// of zero, or so low that the day lies over ten years off, gives no day by hours.
///
/// A narrower interval of use never gives a wider range. No source; it is [`super::due`]'s arithmetic three times.
#[must_use]
pub fn due_range(input: &DueInput, usage: Option<&Usage>) -> DueRange {
    let Some(last) = input.last else {
        let today = Some(input.today);
        return DueRange {
            earliest: today,
            likely: today,
            latest: today,
            limit: None,
            hours_left: None,
            never_checked: !input.left_open,
            left_open: input.left_open,
            hours_not_counted: false,
            estimated: false,
        };
    };
    let calendar = by_calendar(input, last);
    let from = anchor(input, last);
    let estimate = input.estimated();
    let (season, uses) = match (estimate, usage) {
        // Half to double, the rule of thumb for few readings; common practice, no source.
        (Some(estimate), _) => (Season { between: input.season, ..Season::default() }, Some([estimate * 2.0, estimate, estimate / 2.0])),
        (None, Some(usage)) => (usage.season, Some([usage.high, usage.tenth_hours_per_day, usage.low])),
        (None, None) => (Season::default(), None),
    };
    let uses = uses.filter(|uses| uses.iter().all(|u| u.is_finite()));
    let by_hours = |per_day: f64| {
        let from = from?;
        if per_day > 0.0 { season.day_after(from.on, whole_days(from.left, per_day)) } else { None }
    };
    // Most use first. Sorted, so that a caller's usage with crossed ends still gives a range.
    let by_hours = match (from, uses) {
        (Some(from), _) if from.left.tenths() <= 0 => [Some(from.on); 3],
        (Some(_), Some(mut uses)) => {
            uses.sort_by(|a, b| b.total_cmp(a));
            uses.map(by_hours)
        }
        _ => [None; 3],
    };
    let [earliest, likely, latest] = by_hours.map(|day| [day, calendar].into_iter().flatten().min());
    let limit = match (by_hours[1], calendar) {
        (Some(by_hours), Some(calendar)) if by_hours > calendar => Some(Limit::Calendar),
        (Some(_), _) => Some(Limit::Hours),
        (None, Some(_)) => Some(Limit::Calendar),
        (None, None) => from.map(|_| Limit::Hours),
    };
    let counted = from.is_some_and(|from| from.left.tenths() <= 0 || uses.is_some());
    DueRange {
        earliest,
        likely,
        latest,
        limit,
        hours_left: from.filter(|_| input.hours_now.is_some()).map(|from| from.left),
        never_checked: false,
        left_open: false,
        hours_not_counted: input.interval.hours.is_some() && !counted,
        estimated: estimate.is_some() && from.is_some(),
    }
}

impl DueRange {
    /// The range in a sentence or two: "Due between 2026-05-20 and 2026-06-10, most likely 2026-06-01, by hours."
    #[must_use]
    pub fn words(&self, today: Date) -> String {
        if self.never_checked {
            return "Never checked: due now.".to_owned();
        }
        if self.left_open {
            return super::LEFT_OPEN.to_owned();
        }
        if let (Some(Limit::Hours), Some(left)) = (self.limit, self.hours_left.filter(|left| left.tenths() < 0)) {
            return format!("Overdue by {} h.", Hours::default().minus(left));
        }
        let by = match self.limit {
            Some(Limit::Hours) => " by hours",
            Some(Limit::Calendar) => " by the calendar",
            None => "",
        };
        let sentence = match (self.earliest, self.likely, self.latest) {
            (Some(earliest), _, Some(latest)) if earliest == latest => one_day(today, latest, by),
            (Some(earliest), Some(likely), Some(latest)) if latest < today => {
                format!("Overdue{by}: it was due between {earliest} and {latest}, most likely {likely}.")
            }
            (Some(earliest), Some(likely), Some(latest)) if earliest <= today => {
                format!("May be due already{by}: most likely {}, at the latest {latest}.", day_words(today, likely))
            }
            (Some(earliest), Some(likely), Some(latest)) => {
                format!("Due between {earliest} and {latest}, most likely {likely},{by}.")
            }
            (Some(earliest), Some(likely), None) => {
                format!("Due from {earliest} on, most likely {likely},{by}; how late is not known, as it is used too little.")
            }
            (Some(earliest), None, _) => format!("Due{by} no earlier than {earliest}; when is not known, as it is used too little."),
            (None, ..) => match self.hours_left {
                Some(left) => format!("Due in {left} h of running; on which day is not known."),
                None => "Not known when it is due: its hours are not known.".to_owned(),
            },
        };
        let blind = if self.hours_not_counted && self.earliest.is_some() { " Its hours are not counted in this." } else { "" };
        let estimated = if self.estimated { " Its hours are an estimate, from half to double, as it has no hour reading." } else { "" };
        sentence + blind + estimated
    }
}

fn one_day(today: Date, day: Date, by: &str) -> String {
    match days(day, today) {
        1 => format!("Overdue{by} since {day}, by a day."),
        late @ 2.. => format!("Overdue{by} since {day}, by {late} days."),
        _ => format!("Due {}{by}.", day_words(today, day)),
    }
}

#[cfg(test)]
mod tests;
