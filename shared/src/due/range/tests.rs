use jiff::ToSpan;
use jiff::civil::date;
use proptest::prelude::*;

use super::*;
use crate::due::{LastCheck, due};
use crate::engine_card::Interval;
use crate::usage::{Between, HORIZON_DAYS, MonthDay, Season};

const TODAY: Date = date(2026, 5, 1);

fn used(low: f64, likely: f64, high: f64) -> Usage {
    let season = Season::default();
    Usage { tenth_hours_per_day: likely, low, high, readings: 12, days: 210, in_season: true, few_readings: false, season }
}

/// Checked at 200 h, now at `now` tenths, 100 h or `months`.
fn input(now: Option<i64>, months: Option<u32>) -> DueInput {
    DueInput {
        last: Some(LastCheck { date: date(2026, 3, 1), hours: Some(Hours::from_tenths(2000)) }),
        left_open: false,
        interval: Interval { hours: Some(100), months },
        hours_now: now.map(Hours::from_tenths),
        hours_now_date: Some(TODAY),
        tenth_hours_per_day: None,
        estimate: None,
        season: None,
        today: TODAY,
    }
}

fn after(days: i64) -> Option<Date> {
    Some(TODAY.checked_add(days.days()).unwrap())
}

/// From 223.5 h to 300 h by the slopes of the hour-meter set: 127.5, 130.2743614 and 131.2261753 days (SciPy 1.17.1).
#[test]
fn the_forecast_of_the_check_values() {
    let usage = used(5.829_629_629_63, 5.872_222_222_22, 6.0);
    let found = due_range(&input(Some(2235), None), Some(&usage));
    assert_eq!((found.earliest, found.likely, found.latest), (after(127), after(130), after(131)));
    assert_eq!((found.limit, found.hours_left), (Some(Limit::Hours), Some(Hours::from_tenths(765))));
    assert_eq!(found.words(TODAY), "Due between 2026-09-05 and 2026-09-09, most likely 2026-09-08, by hours.");
}

#[test]
fn the_calendar_holds_every_end() {
    let usage = used(4.0, 8.0, 20.0);
    // By hours 38, 95 and 191 days; two months more are 1 May + 0: seven months are 1 October, 153 days.
    let found = due_range(&input(Some(2235), Some(7)), Some(&usage));
    assert_eq!((found.earliest, found.likely, found.latest), (after(38), after(95), Some(date(2026, 10, 1))));
    // Only the calendar where the use is not known, whatever the plain use per day says.
    let mut plain = input(Some(2235), Some(7));
    plain.tenth_hours_per_day = Some(100.0);
    let found = due_range(&plain, None);
    assert_eq!((found.earliest, found.latest, found.hours_not_counted), (Some(date(2026, 10, 1)), Some(date(2026, 10, 1)), true));
    assert_eq!(found.words(TODAY), "Due 2026-10-01 (in 153 days) by the calendar. Its hours are not counted in this.");
    for useless in [f64::NAN, f64::INFINITY] {
        assert_eq!(due_range(&plain, Some(&used(1.0, useless, 2.0))), found);
    }
}

#[test]
fn hours_that_are_up_are_up() {
    for usage in [None, Some(used(0.0, 0.0, 0.0)), Some(used(1.0, 2.0, 3.0))] {
        let found = due_range(&input(Some(3100), Some(12)), usage.as_ref());
        assert_eq!((found.earliest, found.latest, found.limit), (Some(TODAY), Some(TODAY), Some(Limit::Hours)));
        assert!(!found.hours_not_counted);
        assert_eq!(found.words(TODAY), "Overdue by 10.0 h.");
    }
}

#[test]
fn what_is_not_known_is_said() {
    let idle = due_range(&input(Some(2235), None), Some(&used(0.0, 0.0, 6.0)));
    assert_eq!((idle.earliest, idle.likely, idle.latest), (after(127), None, None));
    assert_eq!(idle.words(TODAY), "Due by hours no earlier than 2026-09-05; when is not known, as it is used too little.");
    let slow = due_range(&input(Some(2235), None), Some(&used(0.0, 3.0, 6.0)));
    let words = "Due from 2026-09-05 on, most likely 2027-01-11, by hours; how late is not known, as it is used too little.";
    assert_eq!(slow.words(TODAY), words);
    assert_eq!(due_range(&input(Some(2235), None), None).words(TODAY), "Due in 76.5 h of running; on which day is not known.");
    let mut blind = input(None, None);
    blind.last = Some(LastCheck { date: TODAY, hours: None });
    assert_eq!(due_range(&blind, None).words(TODAY), "Not known when it is due: its hours are not known.");
    let never = due_range(&DueInput { last: None, ..blind }, None);
    assert_eq!((never.latest, never.words(TODAY).as_str()), (Some(TODAY), "Never checked: due now."));
}

#[test]
fn stale_readings_may_be_due_already() {
    let mut stale = input(Some(2235), None);
    stale.hours_now_date = Some(date(2026, 3, 22));
    let found = due_range(&stale, Some(&used(10.0, 15.0, 20.0)));
    assert_eq!(found.words(TODAY), "May be due already by hours: most likely 2026-05-12 (in 11 days), at the latest 2026-06-06.");
    let found = due_range(&stale, Some(&used(20.0, 25.0, 30.0)));
    assert_eq!(found.words(date(2026, 6, 1)), "Overdue by hours: it was due between 2026-04-16 and 2026-04-29, most likely 2026-04-21.");
}

#[test]
fn days_out_of_season_are_stepped_over() {
    let season =
        Season { trailing_days: 365, between: Some(Between { from: MonthDay { month: 3, day: 1 }, to: MonthDay { month: 10, day: 31 } }) };
    let autumn = DueInput { hours_now_date: Some(date(2026, 10, 21)), today: date(2026, 10, 21), ..input(Some(2900), None) };
    // 10 h left: 5, 10 and 20 days of the season, of which October has ten.
    let found = due_range(&autumn, Some(&Usage { season, ..used(5.0, 10.0, 20.0) }));
    let days = (Some(date(2026, 10, 26)), Some(date(2026, 10, 31)), Some(date(2027, 3, 10)));
    assert_eq!((found.earliest, found.likely, found.latest), days);
}

#[test]
fn the_hours_limit_to_the_tenth() {
    let words = |now| due_range(&input(Some(now), None), None).words(TODAY);
    assert_eq!(words(3000), "Due today by hours.");
    assert_eq!(words(3001), "Overdue by 0.1 h.");
}

/// 100 h left at 1 h a day are 100 days, at 0.2 h a day 500; the calendar says 1 March of the next year, 304 days on.
#[test]
fn which_limit_likely_comes_first() {
    let limit = |per_day| due_range(&input(Some(2000), Some(12)), Some(&used(per_day, per_day, per_day))).limit;
    assert_eq!((limit(10.0), limit(2.0)), (Some(Limit::Hours), Some(Limit::Calendar)));
    // 1000 tenths in 304 days are 3.2895 a day, in 305 days 3.2787: on the very day of the calendar the hours are named.
    assert_eq!((limit(3.28), limit(3.285)), (Some(Limit::Hours), Some(Limit::Hours)));
    assert_eq!(limit(3.27), Some(Limit::Calendar));
}

#[test]
fn one_day_in_words() {
    let words = |today| {
        due_range(&DueInput { today, ..input(None, Some(2)) }, None).words(today).replace(" Its hours are not counted in this.", "")
    };
    assert_eq!(words(date(2026, 4, 29)), "Due 2026-05-01 (in 2 days) by the calendar.");
    assert_eq!(words(date(2026, 4, 30)), "Due 2026-05-01 (tomorrow) by the calendar.");
    assert_eq!(words(TODAY), "Due today by the calendar.");
    assert_eq!(words(date(2026, 5, 2)), "Overdue by the calendar since 2026-05-01, by a day.");
    assert_eq!(words(date(2026, 5, 3)), "Overdue by the calendar since 2026-05-01, by 2 days.");
}

/// The last day itself is not overdue, and a likely day that is past is named without counting.
#[test]
fn a_range_about_today_in_words() {
    let found = due_range(&input(Some(2235), None), Some(&used(5.0, 6.0, 7.0)));
    let range = DueRange { earliest: Some(date(2026, 4, 20)), likely: Some(date(2026, 4, 25)), latest: Some(TODAY), ..found };
    assert_eq!(range.words(TODAY), "May be due already by hours: most likely 2026-04-25, at the latest 2026-05-01.");
    assert!(range.words(date(2026, 5, 2)).starts_with("Overdue by hours: it was due between 2026-04-20 and 2026-05-01"));
}

#[test]
fn on_the_wire() {
    let found = due_range(&input(Some(2235), None), Some(&used(0.0, 3.0, 6.0)));
    let text = serde_json::to_string(&found).unwrap();
    assert_eq!(text, r#"{"earliest":"2026-09-05","likely":"2027-01-11","limit":"hours","left_tenth_h":765}"#);
    assert_eq!(serde_json::from_str::<DueRange>(&text).unwrap(), found);
}

/// A missing day as the last of all.
fn or_never(day: Option<Date>) -> Date {
    day.unwrap_or(Date::MAX)
}

proptest! {
    #[test]
    fn never_later_than_either_limit(
        now in 2000i64..3300,
        months in prop::option::of(1u32..40),
        mut uses in prop::array::uniform3(0.01f64..240.0),
        winter in any::<bool>(),
    ) {
        uses.sort_by(f64::total_cmp);
        let mut usage = used(uses[0], uses[1], uses[2]);
        if winter {
            usage.season.between = Some(Between { from: MonthDay { month: 9, day: 15 }, to: MonthDay { month: 2, day: 29 } });
        }
        let mut input = input(Some(now), months);
        let found = due_range(&input, Some(&usage));
        prop_assert!(or_never(found.earliest) <= or_never(found.likely) && or_never(found.likely) <= or_never(found.latest));
        prop_assert!(found.words(TODAY).ends_with('.'));
        for (day, per_day) in [(found.earliest, usage.high), (found.likely, usage.tenth_hours_per_day), (found.latest, usage.low)] {
            let Some(day) = day else { continue };
            prop_assert!(months.is_none_or(|months| day <= date(2026, 3, 1).saturating_add(i64::from(months).months())));
            let run: i64 = (1..=HORIZON_DAYS).filter_map(after).take_while(|on| *on <= day).map(|on| i64::from(usage.season.includes(on))).sum();
            prop_assert!(day <= TODAY || now as f64 + run as f64 * per_day <= 3000.0 + 1e-6);
        }
        // All year round the likely day is the one that `due` names.
        input.tenth_hours_per_day = Some(usage.tenth_hours_per_day);
        if !winter && found.likely.is_some() {
            prop_assert_eq!(found.likely, due(&input).date);
        }
    }

    #[test]
    fn a_narrower_use_is_never_a_wider_range(now in 2000i64..3300, mut uses in prop::array::uniform5(0.0f64..60.0), months in prop::option::of(1u32..40)) {
        uses.sort_by(f64::total_cmp);
        let wide = due_range(&input(Some(now), months), Some(&used(uses[0], uses[2], uses[4])));
        let narrow = due_range(&input(Some(now), months), Some(&used(uses[1], uses[2], uses[3])));
        prop_assert!(or_never(wide.earliest) <= or_never(narrow.earliest));
        prop_assert!(or_never(narrow.latest) <= or_never(wide.latest));
        prop_assert_eq!(wide.likely, narrow.likely);
    }

    #[test]
    fn nothing_panics(
        (at_check, now) in (any::<i64>(), any::<i64>()),
        (hours, months) in (any::<u32>(), any::<u32>()),
        uses in prop::array::uniform3(any::<f64>()),
        at_the_end in any::<bool>(),
    ) {
        let edge = if at_the_end { Date::MAX } else { Date::MIN };
        let mut input = input(Some(now), Some(months));
        input.interval.hours = Some(hours);
        input.last = Some(LastCheck { date: edge, hours: Some(Hours::from_tenths(at_check)) });
        input.today = edge;
        let mut usage = used(uses[0], uses[1], uses[2]);
        prop_assert!(!due_range(&input, Some(&usage)).words(TODAY).is_empty());
        usage.season.between = Some(Between { from: MonthDay { month: 13, day: 0 }, to: MonthDay { month: 13, day: 1 } });
        prop_assert!(!due_range(&input, Some(&usage)).words(Date::MAX).is_empty());
    }
}
