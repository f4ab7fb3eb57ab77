#![expect(clippy::cast_possible_truncation, reason = "small numbers made up for tests")]

use proptest::prelude::*;

use super::*;
use crate::length::Length;
use crate::usage::theil_sen;

/// In tenths of a µm.
fn bracket(go: Option<i64>, no_go: Option<i64>) -> Bracket {
    Bracket::new(go.map(Length::from_tenth_um), no_go.map(Length::from_tenth_um)).unwrap()
}

/// Between whole thou, over whole hours.
fn thou(left: i64, found: i64, hours: i64) -> Pair {
    let between = |go: i64| bracket(Some(254 * go), Some(254 * (go + 1)));
    Pair { left: between(left), found: between(found), hours: Hours::from_tenths(10 * hours) }
}

/// Read to a tenth of a µm either side, over tenths of an hour.
fn exact(left: i64, found: i64, tenths: i64) -> Pair {
    let around = |at: i64| bracket(Some(at - 1), Some(at + 1));
    Pair { left: around(left), found: around(found), hours: Hours::from_tenths(tenths) }
}

/// 4 to 6 thou: common practice, no source.
fn range() -> Range {
    Range { low: Length::from_thou(4), high: Length::from_thou(6), aim: None }
}

fn rate(low: f64, likely: f64, high: f64) -> Drift {
    Drift { tenth_um_per_100h: Some(likely), low: Some(low), high: Some(high), pairs: 4, hours: Hours::from_tenths(4000), agree: true }
}

fn h(hours: i64) -> Option<Hours> {
    Some(Hours::from_tenths(10 * hours))
}

/// Own data, by SciPy 1.17.1, exact fractions and pymannkendall 1.4.3.
#[test]
fn wear_of_the_check_values() {
    let hours = [0.0, 52.0, 101.0, 149.0, 203.0, 250.0, 298.0];
    let um = [127.0, 131.0, 130.0, 136.0, 139.0, 139.0, 146.0];
    let line = theil_sen(&hours, &um, 0.95).unwrap();
    for (given, expected) in [
        (line.slope, 9.0 / 149.0),
        (100.0 * line.slope, 6.040_268_456_4),
        (line.low, 0.029_702_970_297),
        (line.high, 0.081_218_274_111_7),
        (line.intercept_joint, 127.0),
        (line.intercept_separate, 127.0),
    ] {
        assert!((given - expected).abs() < 1e-10 * expected.max(1.0), "{given} is not {expected}");
    }
    let trend = mann_kendall(&um).unwrap();
    assert_eq!((trend.s, line.pairs), (18, 21));
    assert!((trend.variance - 130.0 / 3.0).abs() < 1e-12);
    assert!((trend.z - 2.582_485_386_06).abs() < 1e-10, "{trend:?}");
    assert!((trend.p - 0.009_809_151_645_79).abs() < 1e-12, "{trend:?}");
    // The same wear falling.
    let falling = mann_kendall(&um.map(|value| -value)).unwrap();
    assert_eq!((falling.s, falling.z, falling.p), (-18, -trend.z, trend.p));
}

#[test]
fn what_has_no_trend_is_said() {
    let flat = mann_kendall(&[0.0, -0.0, 0.0]).unwrap();
    assert_eq!((flat.s, flat.variance, flat.z, flat.p), (0, 0.0, 0.0, 1.0));
    assert_eq!(mann_kendall(&[1.0]), Err(DriftError::TooFew { given: 1 }));
    assert_eq!(mann_kendall(&[1.0, f64::NAN]), Err(DriftError::NotFinite));
    assert_eq!(mann_kendall(&vec![1.0; MOST_POINTS + 1]), Err(DriftError::TooMany { given: MOST_POINTS + 1 }));
}

#[test]
fn brackets_bound_the_drift() {
    // 5 to 6 thou left, 5 to 6 found after 100 h: anything from closing to opening by a thou.
    let still = drift(&[thou(5, 5, 100)]).unwrap();
    assert_eq!((still.tenth_um_per_100h, still.low, still.high, still.agree), (Some(0.0), Some(-254.0), Some(254.0), true));
    assert_eq!(
        still.words(LengthUnit::Thou),
        "No change seen, from 1 pair over 100.0 h: keep to the card's interval. Finer than the leaves tell: it may close by up to 1.0 or open by up to 1.0 thou per 100 h."
    );
    // A leaf more after 200 h: none to a thou per 100 h.
    let opens = drift(&[thou(5, 6, 200)]).unwrap();
    assert_eq!((opens.tenth_um_per_100h, opens.low, opens.high), (Some(127.0), Some(0.0), Some(254.0)));
    assert_eq!(
        opens.words(LengthUnit::Thou),
        "Opens by about 0.5 thou per 100 h (0.0 to 1.0 opening thou per 100 h), from 1 pair over 200.0 h."
    );
    // A short pair says little, and takes nothing away.
    let both = drift(&[thou(5, 6, 200), thou(5, 5, 5)]).unwrap();
    // (200 · 127 + 5 · 0) / 205, by hand.
    assert_eq!((both.tenth_um_per_100h.map(f64::round), both.low, both.high, both.pairs), (Some(124.0), Some(0.0), Some(254.0), 2));
}

#[test]
fn scatter_widens_and_one_slip_does_not_rule() {
    let scattered = drift(&[exact(1270, 1280, 1000), exact(1270, 1320, 1000), exact(1270, 1360, 1000)]).unwrap();
    assert_eq!((scattered.tenth_um_per_100h, scattered.agree), (Some(50.0), false));
    assert_eq!((scattered.low, scattered.high), (Some(12.0), Some(88.0)));
    assert!(scattered.words(LengthUnit::Thou).ends_with("No one drift fits them all: it varies, or a reading is wrong."));
    // Ten pairs, one of them misread by five thou: it is among those that the ranks leave out.
    let mut pairs: Vec<Pair> = (0..9).map(|_| exact(1270, 1320, 1000)).collect();
    pairs.push(exact(1270, 2590, 1000));
    let slipped = drift(&pairs).unwrap();
    // The slip weighs no more than the end of the interval: (9 · 50 + 52) / 10, by hand.
    assert_eq!((slipped.tenth_um_per_100h, slipped.low, slipped.high), (Some(50.2), Some(48.0), Some(52.0)));
}

#[test]
fn open_brackets_bound_one_side() {
    // At least 5 thou left, under 4 found: closed by more than a thou in 100 h.
    let pair = Pair { left: bracket(Some(1270), None), found: bracket(None, Some(1016)), hours: Hours::from_tenths(1000) };
    let found = drift(&[pair]).unwrap();
    assert_eq!((found.tenth_um_per_100h, found.low, found.high), (None, None, Some(-254.0)));
    assert_eq!(
        found.words(LengthUnit::Thou),
        "How it changes is known from one side only (1.0 closing thou per 100 h or less), from 1 pair over 100.0 h."
    );
    // With a pair of both edges, the likely one is held to what both say.
    let both = drift(&[pair, pair, thou(5, 5, 100)]).unwrap();
    assert_eq!((both.tenth_um_per_100h, both.low, both.high), (Some(-254.0), None, Some(-254.0)));
    let nothing = Pair { found: bracket(Some(1270), None), ..pair };
    assert_eq!(drift(&[nothing]), Err(DriftError::AllOpen));
    assert_eq!(drift(&[nothing, thou(5, 5, 100)]).unwrap().pairs, 1);
    assert_eq!(drift(&[]), Err(DriftError::NoPairs));
    let error = drift(&[thou(5, 5, 100), thou(5, 5, 0)]).unwrap_err();
    assert_eq!(error.to_string(), "pair 2 has 0.0 engine hours between left and found: drift needs more than none");
}

#[test]
fn hours_until_the_range_is_left() {
    let present = bracket(Some(1143), Some(1270)); // 4.5 to 5 thou
    // Opening by 0.25, 0.5 and 1 thou per 100 h: from 5 to 6 thou, from 4.75, from 4.5.
    let left = hours_to_leave(&range(), &present, &rate(63.5, 127.0, 254.0));
    assert_eq!((left.earliest, left.likely, left.latest), (h(100), h(250), h(600)));
    assert_eq!(left.words(), "Leaves its range in about 250.0 h (100.0 h at the earliest, 600.0 h at the latest).");
    // Closing.
    let left = hours_to_leave(&range(), &present, &rate(-254.0, -127.0, -63.5));
    assert_eq!((left.earliest, left.likely, left.latest), (h(50), h(150), h(400)));
    // Perhaps none: never at the latest, and the faster way at the earliest.
    let left = hours_to_leave(&range(), &present, &rate(-254.0, 0.0, 254.0));
    assert_eq!((left.earliest, left.likely, left.latest, left.likely_known), (h(50), None, None, true));
    assert_eq!(left.words(), "Likely does not leave its range (50.0 h at the earliest, perhaps never).");
    let none = hours_to_leave(&range(), &present, &rate(0.0, 0.0, 0.0));
    assert_eq!((none.earliest, none.words().as_str()), (None, "By its drift it does not leave its range."));
}

#[test]
fn out_already_and_open_edges() {
    let opens = rate(63.5, 127.0, 254.0);
    for outside in [bracket(Some(1778), Some(2032)), bracket(Some(762), Some(1016)), bracket(None, Some(1016)), bracket(Some(1525), None)] {
        let left = hours_to_leave(&range(), &outside, &opens);
        assert_eq!((left.earliest, left.latest, left.words().as_str()), (h(0), h(0), "Outside its range now."), "{outside:?}");
    }
    // At least 5 thou may be out already.
    let open = hours_to_leave(&range(), &bracket(Some(1270), None), &opens);
    assert_eq!((open.earliest, open.likely, open.latest, open.likely_known), (h(0), None, h(400), false));
    assert_eq!(open.words(), "When it leaves its range is not known (perhaps already, 400.0 h at the latest).");
    // A drift open above may be as fast as any.
    let fast = hours_to_leave(&range(), &bracket(Some(1143), Some(1270)), &Drift { high: None, ..opens });
    assert_eq!((fast.earliest, fast.latest), (h(0), h(600)));
}

/// Two readings a tenth of an hour apart differ by the hands that took them: as wear that would be 5000 thou per 100 h.
#[test]
fn hours_that_are_too_few_say_nothing_of_wear() {
    let (soon, later) = (exact(1000, 1127, 49), exact(1000, 1127, 50));
    assert_eq!(wear_pairs(&[]), Err(DriftError::NoPairs));
    let refused = wear_pairs(&[exact(1000, 1127, 1), soon]).unwrap_err();
    assert_eq!(refused.to_string(), "only 4.9 engine hours lie between left and found: drift needs at least 5.0");
    assert_eq!(wear_pairs(&[soon, later]), Ok(vec![later]));
}

#[test]
fn an_interval_that_no_wear_explains_asks_why() {
    let (tenths, card) = (Hours::from_tenths, Hours::from_tenths(1000));
    let said = interval_words(tenths(90), card);
    assert!(said.contains("out of its range within 9.0 h") && said.contains("which reading is wrong"), "{said}");
    assert!(interval_words(tenths(0), card).contains("within 1.0 h"), "never \"within 0 h\"");
    let every = "Set to its aim, by these readings it wants a check every 10.0 h, never later than its card says.";
    assert_eq!(interval_words(tenths(100), card), every);
    assert!(interval_words(tenths(80), tenths(80)).contains("every 8.0 h"), "that is the card's own interval");
}

#[test]
fn the_needed_interval_is_never_longer_than_the_cards() {
    let card = Hours::from_tenths(1000);
    let left = |likely| HoursLeft { earliest: h(0), likely, latest: None, likely_known: true };
    assert_eq!(needed_interval(card, &left(Some(Hours::from_tenths(628)))), Hours::from_tenths(620));
    assert_eq!(needed_interval(card, &left(h(600))), card);
    assert_eq!(needed_interval(card, &left(None)), card);
    assert_eq!(needed_interval(Hours::from_tenths(-5), &left(None)), Hours::default());
}

/// By hand: the range is 508 tenths of a µm wide, 1016 to 1524.
#[test]
fn clearances_on_the_edges_of_the_range() {
    // 6 to 7 thou, 6 being in: closing by 0.25 thou per 100 h it may be in for eight times that; a tenth more is out.
    let closes = rate(-254.0, -127.0, -63.5);
    assert_eq!(hours_to_leave(&range(), &bracket(Some(1524), Some(1778)), &closes).latest, h(800));
    assert_eq!(hours_to_leave(&range(), &bracket(Some(1525), Some(1778)), &closes).latest, h(0));
    // On the low edge without any drift: never.
    assert_eq!(hours_to_leave(&range(), &bracket(Some(1016), Some(1270)), &rate(0.0, 0.0, 0.0)).earliest, None);
    // On it and closing: at once.
    assert_eq!(hours_to_leave(&range(), &bracket(Some(1016), Some(1270)), &closes).earliest, h(0));
    // So slowly that no meter lives to show it.
    let slow = hours_to_leave(&range(), &bracket(Some(1143), Some(1270)), &rate(1e-9, 1e-9, 1e-9));
    assert_eq!((slow.earliest, slow.likely, slow.latest, slow.likely_known), (None, None, None, true));
}

#[test]
fn likely_out_already_in_words() {
    let left = HoursLeft { earliest: h(0), likely: h(0), latest: h(100), likely_known: true };
    assert_eq!(left.words(), "Likely outside its range now (perhaps already, 100.0 h at the latest).");
}

/// As many values as are allowed are taken, and alike they show no trend.
#[test]
fn the_most_values_of_a_trend() {
    assert_eq!(mann_kendall(&vec![1.0; MOST_POINTS]).map(|trend| (trend.s, trend.p)), Ok((0, 1.0)));
}

#[test]
fn on_the_wire() {
    let pair = serde_json::to_string(&thou(5, 5, 100)).unwrap();
    assert_eq!(
        pair,
        r#"{"left":{"go_tenth_um":1270,"no_go_tenth_um":1524},"found":{"go_tenth_um":1270,"no_go_tenth_um":1524},"tenth_h":1000}"#
    );
    let found = drift(&[thou(5, 5, 100)]).unwrap();
    let text = serde_json::to_string(&found).unwrap();
    assert_eq!(text, r#"{"tenth_um_per_100h":0.0,"low":-254.0,"high":254.0,"pairs":1,"tenth_h":1000,"agree":true}"#);
    assert_eq!(serde_json::from_str::<Drift>(&text).unwrap(), found);
}

fn any_bracket() -> impl Strategy<Value = Bracket> {
    let leaf = prop::option::of(prop_oneof![1i64..3000, Just(i64::MAX), Just(1)].prop_map(Length::from_tenth_um));
    (leaf.clone(), leaf).prop_filter_map("no bracket", |(go, no_go)| Bracket::new(go, no_go).ok())
}

/// A missing number of hours as the last of all.
fn or_never(hours: Option<Hours>) -> i64 {
    hours.map_or(i64::MAX, Hours::tenths)
}

proptest! {
    #[test]
    fn exact_readings_give_the_plain_slope(left in 500i64..3000, change in -400i64..400, tenths in 1i64..50_000, times in prop::collection::vec(1i64..6, 1..8)) {
        // One drift over spans of any length.
        let pairs: Vec<Pair> = times.iter().map(|by| exact(left + 2000, left + 2000 + change * by, tenths * by)).collect();
        let found = drift(&pairs).unwrap();
        let plain = change as f64 * 1000.0 / tenths as f64;
        prop_assert!((found.tenth_um_per_100h.unwrap() - plain).abs() <= 1e-9 * plain.abs().max(1.0), "{found:?} {plain}");
        prop_assert!(found.agree);
        prop_assert!(found.low.unwrap() < plain && plain < found.high.unwrap());
    }

    /// A drift that never changes is held by the interval, wherever in its bracket each clearance was.
    #[test]
    fn the_interval_holds_the_true_drift(
        per_100h in -100.0f64..100.0,
        pairs in prop::collection::vec((1i64..4000, 1i64..300, 1i64..300, 0.0f64..1.0, 0.0f64..1.0), 1..25),
    ) {
        let around = |at: f64, width: i64, place: f64| {
            let go = (at - place * (width - 1) as f64).floor() as i64;
            bracket(Some(go), Some(go + width))
        };
        let pairs: Vec<Pair> = pairs.into_iter().map(|(tenths, wide, wider, place, other)| Pair {
            left: around(5000.0, wide, place),
            found: around(5000.0 + per_100h * tenths as f64 / 1000.0, wider, other),
            hours: Hours::from_tenths(tenths),
        }).collect();
        let found = drift(&pairs).unwrap();
        prop_assert!(found.low.unwrap() <= per_100h + 1e-9 && per_100h <= found.high.unwrap() + 1e-9, "{found:?}");
        prop_assert!(found.agree);
    }

    /// No clearance of the bracket at any drift of the interval leaves the range before the earliest or after the latest.
    #[test]
    fn every_clearance_and_drift_lies_between(
        (go, width) in (800i64..1700, 1i64..400),
        mut rates in prop::array::uniform3(-200i32..200),
        (place, speed) in (0.0f64..1.0, 0.0f64..=1.0),
    ) {
        rates.sort_unstable();
        let [low, likely, high] = rates.map(f64::from);
        let left = hours_to_leave(&range(), &bracket(Some(go), Some(go + width)), &rate(low, likely, high));
        prop_assert!(or_never(left.earliest) <= or_never(left.likely) && or_never(left.likely) <= or_never(left.latest));
        let (clearance, per_100h) = (go as f64 + place * width as f64, low + speed * (high - low));
        let inside = |hours: f64| (1016.0..=1524.0).contains(&(clearance + per_100h * hours / 100.0));
        if let Some(earliest) = left.earliest {
            prop_assert!(earliest == Hours::default() || inside(earliest.hours() - 1e-6));
        }
        if let Some(latest) = left.latest {
            // One that begins outside has left it already, even if it drifts back in.
            prop_assert!(!inside(0.0) || !inside(latest.hours() + 0.2));
        }
        prop_assert!(needed_interval(Hours::from_tenths(1000), &left) <= Hours::from_tenths(1000));
        prop_assert!(left.words().ends_with('.'));
    }

    #[test]
    fn nothing_panics(
        pairs in prop::collection::vec((any_bracket(), any_bracket(), any::<i64>()), 0..20),
        present in any_bracket(),
        (low, high) in (any::<i64>(), any::<i64>()),
        rates in prop::array::uniform3(prop::option::of(any::<f64>())),
        values in prop::collection::vec(any::<f64>(), 0..12),
    ) {
        let range = Range { low: Length::from_tenth_um(low), high: Length::from_tenth_um(high), aim: None };
        let pairs: Vec<Pair> = pairs.into_iter().map(|(left, found, tenths)| Pair { left, found, hours: Hours::from_tenths(tenths.saturating_abs()) }).collect();
        if let Ok(found) = drift(&pairs) {
            prop_assert!(found.words(LengthUnit::Mm).len() > 10);
            if let (Some(low), Some(likely)) = (found.low, found.tenth_um_per_100h) { prop_assert!(low <= likely); }
            if let (Some(high), Some(likely)) = (found.high, found.tenth_um_per_100h) { prop_assert!(likely <= high); }
            prop_assert!(!hours_to_leave(&range, &present, &found).words().is_empty());
        }
        let odd = Drift { tenth_um_per_100h: rates[0], low: rates[1], high: rates[2], ..rate(0.0, 0.0, 0.0) };
        prop_assert!(!hours_to_leave(&range, &present, &odd).words().is_empty());
        prop_assert!(odd.words(LengthUnit::Thou).len() > 10);
        let _ = mann_kendall(&values);
    }
}

#[test]
fn a_valve_that_closes_is_said_to_close() {
    assert!(rate(-30.0, -25.4, -20.0).words(LengthUnit::Thou).starts_with("Closes by about 0.1 thou per 100 h"));
    assert!(rate(20.0, 25.4, 30.0).words(LengthUnit::Thou).starts_with("Opens by about 0.1 thou per 100 h"));
}
