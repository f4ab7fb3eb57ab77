#![expect(clippy::cast_possible_truncation, reason = "small numbers made up for tests")]

use jiff::civil::date;
use proptest::prelude::*;

use super::*;

fn close(given: f64, expected: f64) {
    assert!((given - expected).abs() <= 1e-10 * expected.abs().max(1.0), "{given} is not {expected}");
}

/// Checks slope, both intercepts, interval and pairs.
fn agrees(x: &[f64], y: &[f64], slope: f64, separate: f64, joint: f64, interval: (f64, f64), pairs: usize) {
    let line = theil_sen(x, y, 0.95).unwrap();
    close(line.slope, slope);
    close(line.intercept_separate, separate);
    close(line.intercept_joint, joint);
    close(line.low, interval.0);
    close(line.high, interval.1);
    assert_eq!(line.pairs, pairs);
}

const METER_X: [f64; 12] = [0.0, 14.0, 28.0, 28.0, 45.0, 60.0, 75.0, 91.0, 120.0, 150.0, 180.0, 210.0];
const METER_Y: [f64; 12] = [100.0, 108.2, 116.9, 117.1, 127.0, 135.8, 135.8, 153.6, 1710.0, 188.4, 205.7, 223.5];

/// Published: R package statpsych, ci.theil (estimate 0.5, 95 % 0.3243243 to 0.75, read); the rest by SciPy 1.17.1.
#[test]
fn the_published_example() {
    let x = [67, 28, 30, 28, 52, 40, 25, 37, 44, 10, 14, 20, 28, 40, 51].map(f64::from);
    let y = [21, 4, 9, 12, 35, 18, 10, 22, 24, 1, 6, 8, 13, 16, 19].map(f64::from);
    // 12/37.
    agrees(&x, &y, 0.5, -2.0, -2.0, (0.324_324_324_324, 0.75), 101);
}

/// Own data, by SciPy 1.17.1 and exact fractions: a tie in x, one in y, a misplaced decimal point.
#[test]
fn ties_and_an_outlier() {
    let low = 0.582_962_962_963;
    agrees(&METER_X, &METER_Y, 1057.0 / 1800.0, 96.1625, 100.25, (low, 0.6), 65);
    let without = |values: &[f64; 12]| values.iter().enumerate().filter(|(at, _)| *at != 8).map(|(_, value)| *value).collect::<Vec<_>>();
    let (x, y) = (without(&METER_X), without(&METER_Y));
    agrees(&x, &y, 10_007.0 / 17_080.0, 100.646_604_215_457, 100.463_114_754_098, (0.582_894_736_842, 0.593_333_333_333), 54);
}

/// The tuna data of Hollander & Wolfe (1973); the line by SciPy 1.17.1.
#[test]
fn tuna() {
    let x = [44.4, 45.9, 41.9, 53.3, 44.7, 44.1, 50.7, 45.2, 60.1];
    let y = [2.6, 3.1, 2.5, 5.0, 3.6, 4.0, 5.2, 2.8, 3.8];
    let interval = (-0.076_923_076_923, 0.306_818_181_818);
    agrees(&x, &y, 119.0 / 920.0, -2.246_521_739_130, -2.837_065_217_391, interval, 36);
}

/// By SciPy 1.17.1: three of ten bad points do not move the slope, four do.
#[test]
fn breakdown() {
    let x: Vec<f64> = (0..10).map(f64::from).collect();
    for (bad, slope) in [(0, 2.0), (3, 2.0), (4, 124.75)] {
        let y: Vec<f64> = (0..10).map(|at| if at >= 10 - bad { 1000.0 } else { f64::from(2 * at) }).collect();
        close(theil_sen(&x, &y, 0.95).unwrap().slope, slope);
    }
}

#[test]
fn what_has_no_slope_is_said() {
    let error = |x: &[f64], y: &[f64], level| theil_sen(x, y, level).unwrap_err();
    assert_eq!(error(&[], &[], 0.95), UsageError::TooFewPoints { given: 0 });
    assert_eq!(error(&[1.0, 1.0], &[1.0, 2.0], 0.95), UsageError::SameTime);
    assert_eq!(error(&[0.0, -0.0], &[1.0, 2.0], 0.95), UsageError::SameTime);
    assert_eq!(error(&[1.0], &[1.0, 2.0], 0.95), UsageError::UnequalLengths { x: 1, y: 2 });
    for level in [0.05, 1.0, f64::NAN, -1.0] {
        assert_eq!(error(&[1.0, 2.0], &[1.0, 2.0], level), UsageError::Level);
    }
    assert_eq!(error(&[1.0, f64::NAN], &[1.0, 2.0], 0.95), UsageError::NotFinite);
    assert_eq!(error(&[0.0, 1.0], &[f64::MIN, f64::MAX], 0.95), UsageError::NotFinite);
    assert_eq!(UsageError::TooFewPoints { given: 1 }.to_string(), "1 points have no slope: it needs at least two");
}

/// Made so that leaving out either tie correction moves both ends; by SciPy 1.17.1.
#[test]
fn both_tie_corrections_count() {
    let x = [0, 0, 0, 0, 7, 7, 7, 7, 7, 7, 7, 7, 14, 14].map(f64::from);
    let y = [1, 0, 2, 5, 3, 3, 7, 2, 2, 2, 3, 7, 9, 4].map(f64::from);
    agrees(&x, &y, 2.0 / 7.0, 1.0, 1.0, (1.0 / 7.0, 4.5 / 7.0), 56);
}

/// Two heaps of ties, for which Sen's variance is below zero and SciPy answers NaN.
#[test]
fn ties_beyond_the_variance_give_the_whole_spread() {
    let mut x = vec![0.0; 30];
    let mut y = vec![0.0; 30];
    (x[29], y[28]) = (1.0, 5.0);
    let line = theil_sen(&x, &y, 0.95).unwrap();
    assert_eq!((line.slope, line.low, line.high, line.pairs), (0.0, -5.0, 0.0, 29));
}

#[test]
fn many_points_are_thinned_and_still_a_line() {
    let x: Vec<f64> = (0..50_000).map(f64::from).collect();
    // Flat at first: the first points alone would say zero.
    let y: Vec<f64> = x.iter().map(|x| 3.0 * (x - 5000.0).max(0.0)).collect();
    let line = theil_sen(&x, &y, 0.95).unwrap();
    assert_eq!((line.slope, line.pairs), (3.0, MOST_POINTS * (MOST_POINTS - 1) / 2));
}

fn at(days: f64, tenths: i64) -> (i64, Hours) {
    ((days * MS_PER_DAY as f64) as i64, Hours::from_tenths(tenths))
}

const WINDOW: Season = Season { trailing_days: 365, between: None };

fn day(month: i8, day: i8) -> MonthDay {
    MonthDay { month, day }
}

/// The set above as readings of a meter: the slope is the same in tenths, the interval wider by a tenth over the span.
#[test]
fn usage_is_the_slope_of_the_chain() {
    let points: Vec<_> = METER_X.iter().zip(METER_Y).map(|(x, y)| at(*x, (y * 10.0_f64).round() as i64)).collect();
    let found = usage(&points, 211 * MS_PER_DAY, &WINDOW).unwrap();
    // The two readings of day 28 are one visit: the later, of more hours, counts.
    assert_eq!((found.readings, found.days, found.in_season, found.few_readings), (11, 210, true, false));
    assert!((found.tenth_hours_per_day - 5.87).abs() < 0.01, "{found:?}");
    assert_eq!(found.words(), "0.6 h a day (0.6 to 0.6), from 11 readings over 210 days.");
    // Three readings: half to double, and said.
    let few = usage(&points[..3], 29 * MS_PER_DAY, &WINDOW).unwrap();
    assert!(few.few_readings && few.low < few.tenth_hours_per_day / 2.0 && few.high > few.tenth_hours_per_day * 2.0, "{few:?}");
    assert!(few.words().ends_with("Few readings: the range is half to double, a rule of thumb."), "{}", few.words());
}

/// Standing still, the meter may yet have run up to the tenth that it does not show.
#[test]
fn an_idle_machine() {
    let points = [0.0, 10.0, 20.0, 30.0, 40.0, 50.0].map(|days| at(days, 1000));
    let found = usage(&points, 51 * MS_PER_DAY, &WINDOW).unwrap();
    assert_eq!((found.tenth_hours_per_day, found.low, found.high), (0.0, 0.0, 1.0 / 50.0));
}

#[test]
fn what_gives_no_usage_is_said() {
    let error = |points: &[(i64, Hours)], now_days: i64| usage(points, now_days * MS_PER_DAY, &WINDOW).unwrap_err();
    assert_eq!(error(&[], 0), UsageError::TooFewReadings { visits: 0, days: 365 });
    assert_eq!(error(&[at(1.0, 10), at(1.4, 12)], 2), UsageError::TooFewReadings { visits: 1, days: 365 });
    // Out of the window, before and after.
    assert_eq!(error(&[at(1.0, 10), at(300.0, 12)], 400), UsageError::TooFewReadings { visits: 1, days: 365 });
    assert_eq!(error(&[at(1.0, 10), at(30.0, 12)], 20), UsageError::TooFewReadings { visits: 1, days: 365 });
    assert_eq!(error(&[at(1.0, 10), at(1.6, 12)], 2), UsageError::TooShort);
    assert_eq!(error(&[at(1.0, 100), at(20.0, 12)], 20), UsageError::Falls);
    assert_eq!(error(&[at(1.0, 0), at(2.0, 241)], 20), UsageError::FasterThanClock);
    assert!(matches!(usage(&[], i64::MAX, &WINDOW), Err(UsageError::NoSuchTime { .. })));
    let season = |trailing_days, from, to| Season { trailing_days, between: Some(Between { from, to }) };
    assert_eq!(season(0, day(3, 1), day(10, 31)).check(), Err(UsageError::Window { given: 0 }));
    assert_eq!(season(365, day(2, 30), day(10, 31)).check(), Err(UsageError::NoSuchDay { month: 2, day: 30 }));
    assert_eq!(season(365, day(2, 29), day(10, 31)).check(), Ok(()));
}

/// 1970-01-01 is day 0, 1 March day 59, 31 October day 303, 1 March 1971 day 424.
#[test]
fn days_out_of_season_are_no_time() {
    let season = Season { trailing_days: 730, between: Some(Between { from: day(3, 1), to: day(10, 31) }) };
    // One hour a day in season, none in winter; a winter service on day 380.
    let points = [(254.0, 1000), (274.0, 1200), (294.0, 1400), (304.0, 1500), (380.0, 1500), (424.0, 1500), (444.0, 1700)];
    let points = points.map(|(days, tenths)| at(days, tenths));
    let found = usage(&points, 445 * MS_PER_DAY, &season).unwrap();
    close(found.tenth_hours_per_day, 10.0);
    assert_eq!((found.days, found.in_season), (70, true));
    assert!(found.low > 9.9 && found.high < 10.1, "{found:?}");
    // The same readings without a season.
    let all_year = usage(&points, 445 * MS_PER_DAY, &Season { between: None, ..season }).unwrap();
    assert!(all_year.low < 5.0, "{all_year:?}");
    // In winter.
    let winter = usage(&points[..5], 381 * MS_PER_DAY, &season).unwrap();
    assert!(!winter.in_season);
    assert!(winter.words().ends_with("Out of season now: taken as standing still."), "{}", winter.words());
}

#[test]
fn a_season_may_span_the_turn_of_the_year_and_dates_step_over_the_rest() {
    let south = Season { trailing_days: 365, between: Some(Between { from: day(9, 1), to: day(4, 30) }) };
    assert!(south.includes(date(2026, 12, 31)) && south.includes(date(2026, 4, 30)) && !south.includes(date(2026, 5, 1)));
    assert_eq!(south.day_after(date(2026, 4, 29), 1), Some(date(2026, 4, 30)));
    assert_eq!(south.day_after(date(2026, 4, 29), 2), Some(date(2026, 9, 1)));
    assert_eq!(south.day_after(date(2026, 4, 29), 0), Some(date(2026, 4, 29)));
    assert_eq!(WINDOW.day_after(date(2026, 4, 29), 3), Some(date(2026, 5, 2)));
    for season in [south, WINDOW] {
        assert_eq!(season.day_after(date(2026, 4, 29), -1), None);
        assert_eq!(season.day_after(date(2026, 4, 29), i64::MAX), None);
        assert_eq!(season.day_after(jiff::civil::Date::MAX, 1), None);
    }
}

#[test]
fn on_the_wire() {
    let season = Season { trailing_days: 365, between: Some(Between { from: day(3, 1), to: day(10, 31) }) };
    let text = serde_json::to_string(&season).unwrap();
    assert_eq!(text, r#"{"trailing_days":365,"between":{"from":{"month":3,"day":1},"to":{"month":10,"day":31}}}"#);
    assert_eq!(serde_json::from_str::<Season>(&text).unwrap(), season);
}

/// By hand: on a line of 1 h a day the slope is 10 tenths, and the tenth that the meter does not show is 1 over the span.
#[test]
fn few_readings_and_fast_ones_at_their_edges() {
    let line = |count: i64| (0..count).map(|n| (10 * n * MS_PER_DAY, Hours::from_tenths(100 * n))).collect::<Vec<_>>();
    let few = usage(&line(4), 30 * MS_PER_DAY, &WINDOW).unwrap();
    assert!(few.few_readings);
    close(few.low, 5.0 - 1.0 / 30.0);
    close(few.high, 20.0 + 1.0 / 30.0);
    let enough = usage(&line(5), 40 * MS_PER_DAY, &WINDOW).unwrap();
    assert!(!enough.few_readings);
    close(enough.low, 10.0 - 1.0 / 40.0);
    close(enough.high, 10.0 + 1.0 / 40.0);
    // Day and night is as fast as the clock, not faster.
    let always = usage(&[at(1.0, 0), at(2.0, 240)], 3 * MS_PER_DAY, &WINDOW).unwrap();
    assert_eq!((always.tenth_hours_per_day, always.high), (240.0, 240.0));
}

#[test]
fn windows_and_parts_of_days() {
    let window = |trailing_days| Season { trailing_days, between: None }.check();
    assert_eq!((window(1), window(LONGEST_WINDOW_DAYS)), (Ok(()), Ok(())));
    let longer = LONGEST_WINDOW_DAYS + 1;
    assert_eq!(
        (window(longer), window(longer + 1)),
        (Err(UsageError::Window { given: longer }), Err(UsageError::Window { given: longer + 1 }))
    );
    // From six in the morning to six in the evening of the day after next.
    let moment = |days: f64| {
        let (ms, _) = at(days, 0);
        (day_of(ms).unwrap(), ms)
    };
    close(WINDOW.days_between(moment(100.25), moment(102.75)), 2.5);
}

/// 11 and 3 equal in x, 11 equal in y: Sen's variance is 14 · 13 · 33 − (11 · 10 · 27 + 3 · 2 · 11) − 11 · 10 · 27 = 0, so
/// the ranks lie in the middle. The slopes are eleven each of 1, 2 and 3.
#[test]
fn a_variance_of_nothing_is_not_below_it() {
    let mut x = [0.0; 14];
    let mut y = [0.0; 14];
    (x[11], x[12], x[13]) = (1.0, 1.0, 1.0);
    (y[11], y[12], y[13]) = (1.0, 2.0, 3.0);
    let line = theil_sen(&x, &y, 0.95).unwrap();
    assert_eq!((line.slope, line.low, line.high, line.pairs), (2.0, 2.0, 2.0, 33));
}

/// A screen shows no minus before nothing.
#[test]
fn nothing_below_zero_is_nothing() {
    let line = theil_sen(&[0.0, 1.0], &[-0.0, -0.0], 0.95).unwrap();
    assert_eq!((format!("{:.1}", line.intercept_joint), format!("{:.1}", line.intercept_separate)), ("0.0".to_owned(), "0.0".to_owned()));
}

proptest! {
    #[test]
    fn the_order_of_points_does_not_matter(points in prop::collection::vec((0i32..20, -50i32..50), 2..30)) {
        let line = |points: &[(i32, i32)]| {
            let (x, y): (Vec<f64>, Vec<f64>) = points.iter().map(|(x, y)| (f64::from(*x), f64::from(*y))).unzip();
            theil_sen(&x, &y, 0.95)
        };
        let mut turned = points.clone();
        turned.reverse();
        prop_assert_eq!(line(&points), line(&turned));
        if let Ok(line) = line(&points) {
            prop_assert!(line.low <= line.slope && line.slope <= line.high);
        }
    }

    #[test]
    fn no_numbers_panic(x in prop::collection::vec(any::<f64>(), 0..12), y in prop::collection::vec(any::<f64>(), 0..12), level in any::<f64>()) {
        let _ = theil_sen(&x, &y, level);
        let _ = theil_sen(&x, &x, 0.95);
    }

    #[test]
    fn no_readings_panic(
        points in prop::collection::vec((any::<i64>(), any::<i64>()), 0..12),
        near in prop::collection::vec((-400i64..10, any::<i64>()), 0..12),
        now_ms in any::<i64>(),
        (window, from, to) in (any::<u32>(), (any::<i8>(), any::<i8>()), (any::<i8>(), any::<i8>())),
        narrow in any::<bool>(),
    ) {
        let hours = |points: Vec<(i64, i64)>| points.into_iter().map(|(ms, tenths)| (ms, Hours::from_tenths(tenths))).collect::<Vec<_>>();
        let between = narrow.then_some(Between { from: day(from.0, from.1), to: day(to.0, to.1) });
        let season = Season { trailing_days: window, between };
        let _ = usage(&hours(points), now_ms, &season);
        let near: Vec<_> = near.into_iter().map(|(days, tenths)| (days * MS_PER_DAY, tenths)).collect();
        for between in [None, Some(Between { from: day(3, 1), to: day(10, 31) })] {
            if let Ok(found) = usage(&hours(near.clone()), 0, &Season { between, ..WINDOW }) {
                prop_assert!(found.low >= 0.0 && found.low <= found.tenth_hours_per_day);
                prop_assert!(found.tenth_hours_per_day <= found.high && found.high <= 240.0);
                prop_assert!(found.words().ends_with('.'));
            }
        }
        let _ = season.day_after(date(2026, 5, 1), now_ms % 4000);
    }
}

/// The part of the year is written as it is read, and said in words, whichever months or days it is.
#[test]
fn a_season_is_read_as_it_is_written_and_said() {
    let between = |from, to| Between { from, to };
    for (text, season, words) in [
        ("4..10", between(day(4, 1), day(10, 31)), "April to October"),
        ("2..2", between(day(2, 1), day(2, 29)), "February to February"),
        ("9..4", between(day(9, 1), day(4, 30)), "September to April"),
        ("1..12", between(day(1, 1), day(12, 31)), "all year"),
        ("1..11", between(day(1, 1), day(11, 30)), "January to November"),
        ("2..12", between(day(2, 1), day(12, 31)), "February to December"),
        ("3-15..10-31", between(day(3, 15), day(10, 31)), "15 March to 31 October"),
        ("1-2..12-31", between(day(1, 2), day(12, 31)), "2 January to 31 December"),
    ] {
        assert_eq!(text.parse(), Ok(season), "{text}");
        assert_eq!(season.form(), text);
        assert_eq!(season.to_string(), words, "{text}");
    }
    assert_eq!("4-1..10-31".parse(), Ok(Between::months(4, 10).unwrap()), "whole months in days are the months");
    for wrong in ["", "4", "4-1..10", "4..10-31", "0..10", "4..13", "2-30..10-31", "+4..10", "4...10", "4..-10", "april..october"] {
        assert!(wrong.parse::<Between>().is_err(), "{wrong}");
    }
    assert!(Between::months(0, 10).is_err() && Between::months(4, 13).is_err());
}
