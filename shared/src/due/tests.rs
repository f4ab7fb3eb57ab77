use jiff::civil::date;
use proptest::prelude::*;

use super::*;
use crate::usage::MS_PER_DAY;

fn input(last: Option<(Date, Option<i64>)>, hours: Option<u32>, months: Option<u32>, today: Date) -> DueInput {
    DueInput {
        last: last.map(|(date, tenths)| LastCheck { date, hours: tenths.map(Hours::from_tenths) }),
        left_open: false,
        interval: Interval { hours, months },
        hours_now: None,
        hours_now_date: None,
        tenth_hours_per_day: None,
        estimate: None,
        season: None,
        today,
    }
}

fn usage_per_day(points: &[(i64, Hours)]) -> Option<f64> {
    Run::of(points).and_then(|run| run.tenth_hours_per_day(None))
}

/// Read on 31 October with 90 h left, at 1.43 h a day: by the calendar's days that is 1 January, and in March "overdue". In a season
/// from April to October no hour is run before 1 April.
#[test]
fn winter_is_no_use() {
    let mut read = input(Some((date(2026, 6, 1), Some(0))), Some(100), None, date(2027, 3, 10));
    (read.hours_now, read.hours_now_date) = (Some(Hours::from_tenths(100)), Some(date(2026, 10, 31)));
    read.tenth_hours_per_day = Some(14.3);
    assert_eq!(due(&read).words(read.today), "Overdue by hours, going by its use: expected 2027-01-01.");
    read.season = Some(Between::months(4, 10).unwrap());
    let found = due(&read);
    // 90 h at 1.43 h a day are 62 whole days: April has 30, May 31, and the next is 1 June.
    assert_eq!((found.state, found.date), (DueState::Later, Some(date(2027, 6, 1))));
    assert_eq!(found.words(read.today), "Due 2027-06-01 (in 83 days) by hours: 90.0 h left.");
    // A season that spans the turn of the year, and one in which ten years hold too few days.
    read.season = Some(Between::months(11, 3).unwrap());
    assert_eq!(due(&read).date, Some(date(2027, 1, 1)));
    read.season = Some("2-29..2-29".parse().unwrap());
    assert_eq!((due(&read).state, due(&read).date), (DueState::Later, Some(Date::MAX)));
}

/// From 1 April to 1 November are 214 days, of which a season from May to October has 184. 300 h in them.
#[test]
fn use_is_per_day_of_the_season() {
    let ms = |date: Date| date.to_zoned_datetime(jiff::tz::TimeZone::UTC).unwrap().timestamp().as_millisecond();
    let run = Run::of(&[(ms(date(2026, 4, 1)), Hours::default()), (ms(date(2026, 11, 1)), Hours::from_tenths(3000))]).unwrap();
    let per_day = |season| run.tenth_hours_per_day(season).unwrap();
    assert!((per_day(None) - 3000.0 / 214.0).abs() < 1e-9);
    assert!((per_day(Some(Between::months(5, 10).unwrap())) - 3000.0 / 184.0).abs() < 1e-9);
    assert_eq!(run.tenth_hours_per_day(Some(Between::months(12, 2).unwrap())), None, "no day of that season lies between");
}

/// 50 h a year of 5 h a week: ten weeks of the season after the check, and never called a reading.
#[test]
fn without_a_meter_the_hours_are_an_estimate() {
    let mut bare = input(Some((date(2026, 10, 1), None)), Some(50), Some(24), date(2027, 3, 10));
    assert!(due(&bare).hours_unknown);
    // An estimate of no use is none.
    bare.estimate = Some(estimated_per_day(0));
    let unused = due(&bare);
    assert_eq!((unused.hours_unknown, unused.estimated, unused.by_hours), (true, false, None));
    // Five hours a week are 50 tenths in seven days.
    assert!((estimated_per_day(5) - 50.0 / 7.0).abs() < 1e-12);
    bare.estimate = Some(estimated_per_day(5));
    bare.season = Some(Between::months(4, 10).unwrap());
    let found = due(&bare);
    // 70 days, of which October has 30 left, and so the 40th of the next season: 10 May.
    assert_eq!((found.date, found.by_hours, found.estimated, found.hours_unknown), (Some(date(2027, 5, 10)), None, true, false));
    assert_eq!(
        found.words(bare.today),
        "Due 2027-05-10 (in 61 days) by hours, going by an estimate of its use, as it has no hour reading."
    );
    let range = due_range(&bare, None);
    // 35 and 140 days: 30 of October and 5 of April; and 110 from 1 April on.
    assert_eq!((range.earliest, range.likely, range.latest), (Some(date(2027, 4, 5)), found.date, Some(date(2027, 7, 19))));
    assert!(range.words(bare.today).ends_with("Its hours are an estimate, from half to double, as it has no hour reading."));
    // A reading counts more than any estimate.
    bare.hours_now = Some(Hours::from_tenths(10));
    assert!(!due(&bare).estimated && due(&bare).hours_unknown);
}

#[test]
fn seasons_are_read_and_said() {
    let read = |text: &str| text.parse::<Between>();
    for (text, said) in [
        ("4..10", "April to October"),
        ("11..2", "November to February"),
        ("1..12", "all year"),
        (" 03-15..10-31 ", "15 March to 31 October"),
    ] {
        assert_eq!(read(text).unwrap().to_string(), said);
        assert_eq!(read(&read(text).unwrap().form()), read(text));
    }
    for bad in ["", "4", "4-10", "4..", "0..3", "3..13", "3..10-31", "02-30..10-31", "+3..10", "-1..2", "3-1..10-31..11-1", "March..May"] {
        assert!(read(bad).is_err(), "{bad}");
    }
}

#[test]
fn months_are_held_to_the_last_day() {
    let by = |from, months| due(&input(Some((from, None)), None, Some(months), from)).by_calendar;
    assert_eq!(by(date(2024, 2, 29), 12), Some(date(2025, 2, 28)));
    assert_eq!(by(date(2024, 1, 31), 1), Some(date(2024, 2, 29)));
    assert_eq!(by(date(2024, 1, 31), u32::MAX), Some(Date::MAX));
}

#[test]
fn states_by_the_calendar() {
    let checked = Some((date(2025, 5, 1), None));
    let on = |today| {
        let due = due(&input(checked, None, Some(12), today));
        (due.state, due.words(today))
    };
    assert_eq!(on(date(2026, 4, 16)), (DueState::Later, "Due 2026-05-01 (in 15 days) by the calendar.".to_owned()));
    assert_eq!(on(date(2026, 4, 17)), (DueState::DueSoon, "Due 2026-05-01 (in 14 days) by the calendar.".to_owned()));
    assert_eq!(on(date(2026, 5, 1)), (DueState::DueSoon, "Due today by the calendar.".to_owned()));
    assert_eq!(on(date(2026, 5, 2)), (DueState::Overdue, "Overdue since 2026-05-01, by a day.".to_owned()));
    assert_eq!(on(date(2026, 7, 1)), (DueState::Overdue, "Overdue since 2026-05-01, by 61 days.".to_owned()));
    let never = due(&input(None, None, Some(12), date(2026, 5, 2)));
    assert_eq!(
        (never.state, never.date, never.words(date(2026, 5, 2)).as_str()),
        (DueState::NeverChecked, Some(date(2026, 5, 2)), "Never checked: due now.")
    );
    let open = DueInput { left_open: true, ..input(None, None, Some(12), date(2026, 5, 2)) };
    assert_eq!((due(&open).state, due(&open).words(open.today).as_str()), (DueState::LeftOpen, LEFT_OPEN));
    assert_eq!(due_range(&open, None).words(open.today), LEFT_OPEN);
}

#[test]
fn hours_are_projected_and_the_earlier_limit_counts() {
    let today = date(2026, 5, 1);
    let mut input = input(Some((date(2026, 1, 1), Some(10_000))), Some(100), Some(12), today);
    input.hours_now = Some(Hours::from_tenths(10_500));
    input.hours_now_date = Some(date(2026, 4, 21));
    input.tenth_hours_per_day = Some(12.0);
    // 50 h left at 1.2 h a day: 41.7 days from 21 April, so 1 June; the calendar would say 1 January.
    let found = due(&input);
    assert_eq!(found.date, Some(date(2026, 6, 1)));
    assert_eq!((found.state, found.limit, found.by_hours), (DueState::Later, Some(Limit::Hours), Some(Hours::from_tenths(11_000))));
    assert_eq!(found.words(today), "Due 2026-06-01 (in 31 days) by hours: 50.0 h left.");

    input.tenth_hours_per_day = Some(1.0);
    assert_eq!((due(&input).date, due(&input).limit), (Some(date(2027, 1, 1)), Some(Limit::Calendar)));

    // A tenth of the interval is soon, without any use per day.
    input.tenth_hours_per_day = None;
    input.hours_now = Some(Hours::from_tenths(10_900));
    let soon = due(&input);
    assert_eq!((soon.state, soon.limit), (DueState::DueSoon, Some(Limit::Hours)));
    input.hours_now = Some(Hours::from_tenths(10_899));
    assert_eq!(due(&input).state, DueState::Later);

    input.hours_now = Some(Hours::from_tenths(11_123));
    let over = due(&input);
    assert_eq!((over.state, over.hours_left, over.date), (DueState::Overdue, Some(Hours::from_tenths(-123)), Some(date(2026, 4, 21))));
    assert_eq!(over.words(today), "Overdue by 12.3 h.");

    // A reading of fewer hours than at the check is not used.
    input.hours_now = Some(Hours::from_tenths(9000));
    assert_eq!(due(&input).hours_left, Some(Hours::from_tenths(1000)));
}

#[test]
fn a_stale_reading_and_missing_hours_are_said() {
    let today = date(2026, 5, 1);
    let mut stale = input(Some((date(2026, 1, 1), Some(10_000))), Some(100), None, today);
    stale.tenth_hours_per_day = Some(10.0);
    // 100 h at 1 h a day from the check itself: 11 April.
    let expected = due(&stale);
    assert_eq!((expected.state, expected.date, expected.hours_left), (DueState::Overdue, Some(date(2026, 4, 11)), None));
    assert_eq!(expected.words(today), "Overdue by hours, going by its use: expected 2026-04-11.");

    let blind = due(&input(Some((date(2026, 1, 1), None)), Some(100), None, today));
    assert_eq!((blind.state, blind.date, blind.hours_unknown), (DueState::NotKnown, None, true));
    assert_eq!(blind.words(today), "Not known when it is due: its hours are not known.");
    let half_blind = due(&input(Some((date(2026, 1, 1), None)), Some(100), Some(12), today));
    assert_eq!(half_blind.words(today), "Due 2027-01-01 (in 245 days) by the calendar. Its hours are not known.");
    for useless in [f64::NAN, f64::INFINITY, -1.0, 0.0] {
        stale.tenth_hours_per_day = Some(useless);
        assert_eq!(due(&stale).state, DueState::NotKnown);
    }
}

#[test]
fn use_per_day() {
    let day = |days: i64, tenths: i64| (days * MS_PER_DAY, Hours::from_tenths(tenths));
    assert_eq!(usage_per_day(&[day(10, 1100), day(0, 1000)]), Some(10.0));
    // The reading of 400 days before is out of season.
    assert_eq!(usage_per_day(&[day(0, 0), day(200, 1000), day(400, 1400)]), Some(2.0));
    assert_eq!(usage_per_day(&[day(0, 0), day(400, 1400)]), None);
    assert_eq!(usage_per_day(&[day(0, 0)]), None);
    assert_eq!(usage_per_day(&[(0, Hours::default()), (MS_PER_DAY - 1, Hours::from_tenths(5))]), None);
    assert_eq!(usage_per_day(&[day(0, 100), day(10, 50)]), None);
    assert_eq!(usage_per_day(&[(i64::MIN, Hours::from_tenths(i64::MIN)), (i64::MAX, Hours::from_tenths(i64::MAX))]), None);
}

#[test]
fn on_the_wire() {
    let today = date(2026, 5, 1);
    let asked = input(Some((date(2026, 1, 1), Some(10_000))), Some(100), Some(12), today);
    let text = serde_json::to_string(&asked).unwrap();
    assert_eq!(text, r#"{"last":{"date":"2026-01-01","tenth_h":10000},"interval":{"hours":100,"months":12},"today":"2026-05-01"}"#);
    assert_eq!(serde_json::from_str::<DueInput>(&text).unwrap(), asked);
    let text = serde_json::to_string(&due(&asked)).unwrap();
    assert_eq!(
        text,
        r#"{"state":"later","by_tenth_h":11000,"by_calendar":"2027-01-01","date":"2027-01-01","limit":"calendar","hours_unknown":true}"#
    );
    assert_eq!(serde_json::from_str::<Due>(&text).unwrap(), due(&asked));
}

/// On the limit nothing is overdue yet; a tenth of an hour beyond it is. Counted by hand from 100 h after 1000 h.
#[test]
fn the_hours_limit_to_the_tenth() {
    let today = date(2026, 5, 1);
    let read = |tenths: i64, on: Date| {
        let mut asked = input(Some((date(2026, 1, 1), Some(10_000))), Some(100), None, today);
        asked.hours_now = Some(Hours::from_tenths(tenths));
        asked.hours_now_date = Some(on);
        asked.tenth_hours_per_day = Some(10.0);
        let due = due(&asked);
        (due.state, due.words(today))
    };
    assert_eq!(read(11_000, today), (DueState::DueSoon, "Due today by hours: 0.0 h left.".to_owned()));
    assert_eq!(read(11_001, today), (DueState::Overdue, "Overdue by 0.1 h.".to_owned()));
    // Ten days old: up then, so passed since; and 5 h short then, which at 1 h a day is 26 April.
    let expected = |day: &str| (DueState::Overdue, format!("Overdue by hours, going by its use: expected {day}."));
    assert_eq!(read(11_000, date(2026, 4, 21)), expected("2026-04-21"));
    assert_eq!(read(10_950, date(2026, 4, 21)), expected("2026-04-26"));
}

/// Of two limits on one day the hours are named; the calendar where it is a day before.
#[test]
fn which_limit_comes_first() {
    let checked = date(2026, 1, 1);
    let limit = |per_day| {
        let asked = input(Some((checked, Some(10_000))), Some(100), Some(12), checked);
        due(&DueInput { tenth_hours_per_day: Some(per_day), ..asked }).limit
    };
    // 100 h in 365 days is 2.7397 tenths a day, in 366 days 2.7322; a year on is day 365.
    assert_eq!((limit(2.739), limit(2.732)), (Some(Limit::Hours), Some(Limit::Calendar)));
    // Hours nearly up and no use known: a calendar limit that is soon itself, on the 14th day, goes before.
    let nearly_up = |checked| {
        let asked = input(Some((checked, Some(10_000))), Some(100), Some(12), date(2026, 5, 1));
        due(&DueInput { hours_now: Some(Hours::from_tenths(10_950)), ..asked }).limit
    };
    assert_eq!((nearly_up(date(2025, 5, 15)), nearly_up(date(2025, 5, 16))), (Some(Limit::Calendar), Some(Limit::Hours)));
}

#[test]
fn days_in_words() {
    let words = |day| day_words(date(2026, 5, 1), day);
    assert_eq!(words(date(2026, 4, 30)), "2026-04-30");
    assert_eq!(words(date(2026, 5, 1)), "today");
    assert_eq!(words(date(2026, 5, 2)), "2026-05-02 (tomorrow)");
    assert_eq!(words(date(2026, 5, 3)), "2026-05-03 (in 2 days)");
}

fn dates() -> impl Strategy<Value = Date> {
    (1970i16..2200, 1i8..=12, 1i8..=28).prop_map(|(year, month, day)| date(year, month, day))
}

proptest! {
    #[test]
    fn never_later_than_either_limit(
        (checked, today, read) in (dates(), dates(), prop::option::of(dates())),
        (at_check, now) in (prop::option::of(0i64..100_000), prop::option::of(0i64..100_000)),
        (hours, months) in (prop::option::of(1u32..1000), prop::option::of(1u32..60)),
        per_day in prop::option::of(0.001f64..300.0),
    ) {
        let mut input = input(Some((checked, at_check)), hours, months, today);
        input.hours_now = now.map(Hours::from_tenths);
        input.hours_now_date = read;
        input.tenth_hours_per_day = per_day;
        let due = due(&input);
        if let Some(by_calendar) = due.by_calendar {
            prop_assert!(due.date.unwrap() <= by_calendar);
        }
        if let (Some(by), Some(per_day), Some(date), Some(at_check)) = (due.by_hours, per_day, due.date, at_check) {
            let from_check = now.is_none_or(|now| now < at_check);
            let (run, on) = if from_check { (at_check, checked.min(today)) } else { (now.unwrap(), read.unwrap_or(today).min(today)) };
            let expected = run as f64 + per_day * f64::from(days(on, date));
            prop_assert!(expected <= by.tenths() as f64 + 1e-6 || date <= on);
        }
        prop_assert_eq!(due.state == DueState::NotKnown, due.date.is_none() && due.hours_left.is_none());
        prop_assert!(due.words(today).ends_with('.'));
    }

    #[test]
    fn nothing_panics(tenths in any::<i64>(), now in any::<i64>(), hours in any::<u32>(), months in any::<u32>(), per_day in any::<f64>()) {
        let mut input = input(Some((Date::MAX, Some(tenths))), Some(hours), Some(months), Date::MIN);
        input.hours_now = Some(Hours::from_tenths(now));
        input.tenth_hours_per_day = Some(per_day);
        prop_assert!(!due(&input).words(Date::MAX).is_empty());
    }
}
