use proptest::prelude::*;

use super::*;

const RANGE: Range = Range { low: Length::from_thou(4), high: Length::from_thou(6), aim: None };

fn mm(text: &str) -> Length {
    crate::entry::labelled(text, LengthUnit::Mm, &crate::sensible::ANY_LENGTH).unwrap().length
}

fn bracket(go: &str, no_go: &str) -> Bracket {
    Bracket::new(Some(mm(go)), Some(mm(no_go))).unwrap()
}

fn range(low: &str, high: &str) -> Range {
    Range { low: mm(low), high: mm(high), aim: None }
}

fn spread(leaf_tenth_um: f64, feel_tenth_um: f64) -> Spread {
    Spread { leaf_tenth_um, feel_tenth_um, source: "our own try on a gauge block".to_owned() }
}

#[track_caller]
fn near(got: f64, wanted: f64, within: f64) {
    assert!((got - wanted).abs() <= within, "got {got}, wanted {wanted} within {within}");
}

/// scipy 1.17.1 `norm.ppf` and `norm.sf`, computed outside this crate. The bounds 50 %, 5 %, 2.5 %, 0.16 % and 1 ppm
/// beside them were read on a metrology page that quotes ILAC-G8 and ISO 14253-1.
#[test]
fn normal_quantiles_and_guard_bands() {
    for (p, z) in [
        (0.8, 0.841_621_233_572_914_3),
        (0.9, 1.281_551_565_544_600_4),
        (0.95, 1.644_853_626_951_472_2),
        (0.975, 1.959_963_984_540_054),
        (0.99, 2.326_347_874_040_840_8),
        (0.999, 3.090_232_306_167_813),
    ] {
        near(quantile(p), z, 1e-14);
        near(phi(z), p, 1e-14);
        near(phi(-z), 1.0 - p, 1e-14);
    }
    for (guard, accepted_wrongly, bound) in [
        (0.0, 0.5, 0.5),
        (1.65, 0.049_471_468_033_648_1, 0.05),
        (1.66, 0.048_457_226_266_722_775, 0.05),
        (2.0, 0.022_750_131_948_179_21, 0.025),
        (3.0, 0.001_349_898_031_630_103_5, 0.0016),
        // The check table has 9.865877004e-10, which is 1 − Φ(6) with its digits lost; this is erfc(6/√2)/2, by Python.
        (6.0, 9.865_876_450_377e-10, 1e-6),
    ] {
        // A value a guard band below its only limit, zero: how probable it is that it lies beyond.
        let beyond = conformance_normal(-guard, 1.0, Some(0.0), None).unwrap();
        near(beyond, accepted_wrongly, 1e-13 * accepted_wrongly);
        assert!(beyond <= bound);
    }
}

/// Worked examples. Zener, container, oil and speed limit: JCGM 106:2012 clauses 7 and 8 from memory, recomputed with
/// scipy. The fourth: sandialabs/suncal manual notebook 6, read.
#[test]
fn published_conformance_probabilities() {
    for (y, u, low, high, conforming, within) in [
        (-5.47, 0.05, None, Some(-5.40), 0.919_243_340_766_227_3, 1e-12),
        (509.7, 8.6, Some(490.0), None, 0.989_009_547_384_822_2, 1e-13),
        (13.6, 1.8, Some(12.5), Some(16.3), 0.662_629_786_495_307_9, 1e-13),
        (9.8, 0.1, Some(9.0), Some(10.0), 1.0 - 0.022_750_131_948_180_274, 1e-13),
        // The speed above which a reading of 2 % uncertainty proves, at 99.9 %, that 100 km/h was exceeded.
        (106.587_609_485_378_3, 2.131_752_189_707_566, None, Some(100.0), 0.001, 1e-13),
    ] {
        near(conformance_normal(y, u, low, high).unwrap(), conforming, within);
    }
    // The capability form of the oil example: Φ(4Cm(1 − ỹ)) − Φ(−4Cm ỹ), JCGM 106 7.6 from memory.
    let (cm, y) = (0.527_777_777_777_777_8, 0.289_473_684_210_526_2);
    near(phi_between(-4.0 * cm * y, 4.0 * cm * (1.0 - y)), 0.662_629_786_495_307_7, 1e-13);
}

/// Computed outside this crate (scipy): a bracket of one thou as a normal value, against 4 to 6 thou and 0.10 to
/// 0.15 mm.
#[test]
fn clearances_as_normal_values() {
    let u = 0.007_332_348_4;
    for (y, u, low, high, p, decision) in [
        (0.1143, u, 0.1016, 0.1524, 0.958_367_640_333_887_4, Decision::Accept),
        (0.1270, u, 0.1016, 0.1524, 0.999_467_994_512_341_3, Decision::Accept),
        (0.1397, u, 0.1016, 0.1524, 0.958_367_640_333_887_7, Decision::Accept),
        (0.1016, u, 0.1016, 0.1524, 0.499_999_999_997_868_9, Decision::NotProven),
        (0.1524, u, 0.1016, 0.1524, 0.499_999_999_997_868_9, Decision::NotProven),
        (0.100, 0.005, 0.10, 0.15, 0.5, Decision::NotProven),
        (0.125, 0.005, 0.10, 0.15, 0.999_999_426_696_856_2, Decision::Accept),
        (0.160, 0.005, 0.10, 0.15, 0.022_750_131_948_179_1, Decision::Reject),
        (0.095, 0.005, 0.10, 0.15, 0.158_655_253_931_456_85, Decision::NotProven),
    ] {
        let got = conformance_normal(y, u, Some(low), Some(high)).unwrap();
        near(got, p, 1e-12);
        assert_eq!(Decision::of(got, DEFAULT_LEVEL).unwrap(), decision, "{y}");
    }
    // The rectangular uncertainty of one thou is its width over the root of 12: JCGM 100:2008 4.3.7, from memory.
    near(25.4e-3 / 12f64.sqrt(), 0.007_332_348_419, 1e-12);
}

/// Overlap over width, and blurred at both ends: computed outside this crate, closed form and quadrature alike.
#[test]
fn brackets_against_the_check_table() {
    for (read, limits, spread_tenth_um, p, within) in [
        (bracket("0.1270", "0.1524"), range("0.1016", "0.14"), 0.0, 0.511_811_023_6, 1e-10),
        (bracket("0.1016", "0.1270"), range("0.11", "0.15"), 0.0, 0.669_291_338_6, 1e-10),
        (bracket("0.0762", "0.1270"), range("0.1016", "0.1524"), 0.0, 0.5, 1e-15),
        (bracket("0.0762", "0.1016"), range("0.1016", "0.1524"), 0.0, 0.0, 0.0),
        (bracket("0.1016", "0.1270"), range("0.1016", "0.1524"), 0.0, 1.0, 0.0),
        (bracket("0.1016", "0.1270"), range("0.1016", "0.1524"), 50.0 / 3f64.sqrt(), 0.954_659_560, 1e-9),
        (bracket("0.1270", "0.1524"), range("0.1016", "0.1524"), 50.0 / 3f64.sqrt(), 0.954_659_560, 1e-9),
        (bracket("0.1016", "0.1270"), range("0.10", "0.15"), 30.0, 0.977_829_945, 1e-9),
        (bracket("0.1270", "0.1524"), range("0.1016", "0.14"), 25.0, 0.511_811_019, 1e-9),
    ] {
        near(conformance_bracket(&read, &limits, &spread(spread_tenth_um, 0.0)).unwrap(), p, within);
        // The same spread, as two parts whose squares add up to it.
        let parts = spread(0.6 * spread_tenth_um, 0.8 * spread_tenth_um);
        near(conformance_bracket(&read, &limits, &parts).unwrap(), p, within.max(1e-12));
    }
}

/// Computed outside this crate (scipy `brentq`), with the width as unit.
#[test]
fn acceptance_limits_count_both_ends() {
    let width = 508.0;
    for (width_over_u, guard_over_u) in [
        (4.0, 1.796_212_720_596_195_5),
        (5.0, 1.648_766_523_878_748_6),
        (6.0, 1.644_918_116_899_243_3),
        (8.0, 1.644_853_627_960_945_4),
        (10.0, 1.644_853_626_951_472),
        (20.0, 1.644_853_626_951_472_6),
    ] {
        let u = width / width_over_u;
        let zone = acceptance_limits(&RANGE, u, DEFAULT_LEVEL).unwrap().unwrap();
        near((zone.low_tenth_um - 1016.0) / u, guard_over_u, 1e-9);
        near((1524.0 - zone.high_tenth_um) / u, guard_over_u, 1e-9);
        for y in [zone.low_tenth_um, zone.high_tenth_um] {
            near(conformance_normal(y, u, Some(1016.0), Some(1524.0)).unwrap(), 0.95, 1e-12);
        }
    }
    for (width_over_u, is_some) in [(3.0, false), (3.5, false), (3.919_927, false), (3.919_928, true)] {
        let zone = acceptance_limits(&RANGE, width / width_over_u, DEFAULT_LEVEL).unwrap();
        assert_eq!(zone.is_some(), is_some, "{width_over_u}");
    }
    let exact = acceptance_limits(&RANGE, 0.0, DEFAULT_LEVEL).unwrap().unwrap();
    assert_eq!((exact.low_tenth_um, exact.high_tenth_um), (1016.0, 1524.0));
    // At a level of one half a wide range needs no guard band: simple acceptance (ILAC-G8:09/2019 4.1, read).
    near(acceptance_limits(&RANGE, 1.0, 0.5).unwrap().unwrap().low_tenth_um, 1016.0, 1e-9);
}

#[test]
fn decisions_say_what_they_rest_on() {
    let four_to_five = bracket("0.1016", "0.1270");
    let accept = decide(&four_to_five, &RANGE, &spread(30.0, 0.0), 0.95).unwrap();
    assert_eq!(accept.decision, Decision::Accept);
    assert_eq!(
        accept.words(LengthUnit::Thou),
        "Accept: read 4 to 5 thou, the clearance lies in 4 to 6 thou with 95.2 % probability, and 95 % is asked for. \
         Uncertainty of leaves and feel: our own try on a gauge block."
    );
    let stricter = decide(&four_to_five, &RANGE, &spread(30.0, 0.0), 0.99).unwrap();
    assert_eq!(stricter.decision, Decision::NotProven);
    assert_eq!(
        stricter.words(LengthUnit::Thou),
        "Not proven either way: read 4 to 5 thou, the clearance lies in 4 to 6 thou with 95.2 % probability; 99 % would \
         accept it, 1 % would reject it. Uncertainty of leaves and feel: our own try on a gauge block."
    );
    let reject = decide(&bracket("0.0762", "0.1016"), &RANGE, &spread(30.0, 0.0), 0.95).unwrap();
    assert_eq!(reject.decision, Decision::Reject);
    assert!(reject.words(LengthUnit::Mm).contains("0.1016 to 0.1524 mm with 4.8 % probability; so it is proven outside at 95 %."));
}

/// A probability a hair below the level is never shown as the level.
#[test]
fn what_is_shown_stands_on_the_right_side() {
    let mut decided = decide(&bracket("0.1016", "0.1270"), &RANGE, &spread(30.0, 0.0), 0.95).unwrap();
    for (probability, decision, shown) in [
        (0.949_996, Decision::NotProven, "94.9 %"),
        (0.95, Decision::Accept, "95 %"),
        (0.050_004, Decision::NotProven, "5.1 %"),
        (0.049_996, Decision::Reject, "5 %"),
        (0.999_999, Decision::Accept, "99.9 %"),
        (1.0, Decision::Accept, "100 %"),
        (0.0, Decision::Reject, "0 %"),
    ] {
        assert_eq!(Decision::of(probability, 0.95).unwrap(), decision);
        decided = Decided { probability, decision, ..decided };
        assert_eq!(decided.shown_probability(), shown);
    }
    decided = Decided { probability: 0.9546, decision: Decision::Accept, level: 0.9545, ..decided };
    assert_eq!(decided.shown_probability(), "95.46 %");
}

#[test]
fn what_cannot_be_said_is_refused() {
    let read = bracket("0.1016", "0.1270");
    let open = Bracket::new(Some(mm("0.10")), None).unwrap();
    let plain = spread(30.0, 0.0);
    assert_eq!(conformance_bracket(&open, &RANGE, &plain), Err(ConformanceError::OpenBracket));
    assert_eq!(decide(&open, &RANGE, &plain, 0.95), Err(ConformanceError::OpenBracket));
    let crossed = Range { low: RANGE.high, high: RANGE.low, aim: None };
    assert_eq!(conformance_bracket(&read, &crossed, &plain), Err(ConformanceError::NoRange));
    assert_eq!(acceptance_limits(&crossed, 1.0, 0.95), Err(ConformanceError::NoRange));
    let unsourced = Spread { source: " ".to_owned(), ..plain.clone() };
    assert_eq!(decide(&read, &RANGE, &unsourced, 0.95), Err(ConformanceError::NoSource));
    for bad in [-1.0, 15_001.0] {
        assert_eq!(conformance_bracket(&read, &RANGE, &spread(0.0, bad)), Err(ConformanceError::Uncertainty { given: bad }));
    }
    for bad in [f64::NAN, f64::INFINITY] {
        assert_eq!(spread(bad, 0.0).combined_tenth_um(), Err(ConformanceError::NotFinite { what: "standard uncertainty" }));
        assert!(conformance_normal(bad, 1.0, Some(0.0), None).is_err());
        assert!(conformance_normal(0.0, 1.0, Some(bad), None).is_err());
    }
    assert_eq!(conformance_normal(0.0, 1.0, None, None), Err(ConformanceError::NoLimit));
    for bad in [0.49, 1.0, 1.5, -1.0] {
        assert_eq!(decide(&read, &RANGE, &plain, bad), Err(ConformanceError::Level { given: bad }));
    }
    assert!(Decision::of(0.5, f64::NAN).is_err() && Decision::of(f64::NAN, 0.95).is_err());
    assert_eq!(
        ConformanceError::Level { given: 95.0 }.to_string(),
        "a level of 95 cannot be asked for: it is at least 0.5 and below 1, as in 0.95"
    );
}

/// The density of the bracket, integrated by Simpson's rule: another way than the closed form.
fn by_simpson(go: f64, no_go: f64, s: f64, low: f64, high: f64) -> f64 {
    let steps = 4000;
    let density = |x: f64| (phi((x - go) / s) - phi((x - no_go) / s)) / (no_go - go);
    let step = (high - low) / f64::from(steps);
    let weighted = (0..=steps).map(|at| {
        let weight = if at == 0 || at == steps { 1.0 } else { 2.0 + 2.0 * f64::from(at % 2) };
        weight * density(low + step * f64::from(at))
    });
    weighted.sum::<f64>() * step / 3.0
}

proptest! {
    #[test]
    fn closed_form_is_the_integral(go in 200i64..3000, width in 50i64..600, low in 500i64..1500, tolerance in 100i64..1500, s in 10.0..800.0f64) {
        let read = Bracket::new(Some(Length::from_tenth_um(go)), Some(Length::from_tenth_um(go + width))).unwrap();
        let limits = Range { low: Length::from_tenth_um(low), high: Length::from_tenth_um(low + tolerance), aim: None };
        let got = conformance_bracket(&read, &limits, &spread(s, 0.0)).unwrap();
        let simpson = by_simpson(go as f64, (go + width) as f64, s, low as f64, (low + tolerance) as f64);
        prop_assert!((got - simpson).abs() < 1e-8, "{} {}", got, simpson);
    }

    /// A probability always, whatever the lengths: no panic, nothing outside 0 to 1; and no spread is the limit of a little.
    #[test]
    fn any_bracket_has_a_probability(go in 1i64..i64::MAX, width in 1i64..i64::MAX, low in 1i64..i64::MAX, tolerance in 1i64..i64::MAX, s in 0.0..15_000.0f64) {
        let end = |from: i64, by: i64| Length::from_tenth_um(from.saturating_add(by));
        let (Ok(read), limits) = (
            Bracket::new(Some(Length::from_tenth_um(go)), Some(end(go, width))),
            Range { low: Length::from_tenth_um(low), high: end(low, tolerance), aim: None },
        ) else { return Ok(()) };
        if limits.low < limits.high {
            let p = conformance_bracket(&read, &limits, &spread(s, 0.0)).unwrap();
            prop_assert!((0.0..=1.0).contains(&p));
            let (sharp, hardly) = (spread(0.0, 0.0), spread(1e-9, 0.0));
            let (sharp, hardly) = (conformance_bracket(&read, &limits, &sharp).unwrap(), conformance_bracket(&read, &limits, &hardly).unwrap());
            prop_assert!((sharp - hardly).abs() < 1e-8);
        }
    }

    #[test]
    fn no_numbers_panic(y in any::<f64>(), u in any::<f64>(), low in any::<Option<f64>>(), high in any::<Option<f64>>(), level in any::<f64>()) {
        if let Ok(p) = conformance_normal(y, u, low, high) {
            prop_assert!((0.0..=1.0).contains(&p));
        }
        let _ = acceptance_limits(&RANGE, u, level);
        let _ = acceptance_limits(&RANGE, u, 0.95);
        let _ = Decision::of(y, level);
    }
}

/// Without any uncertainty a value is in or out, its limits still in.
#[test]
fn no_uncertainty_leaves_no_doubt() {
    for (y, wanted) in [(3.9, 0.0), (4.0, 1.0), (5.0, 1.0), (6.0, 1.0), (6.1, 0.0)] {
        near(conformance_normal(y, 0.0, Some(4.0), Some(6.0)).unwrap(), wanted, 0.0);
    }
}

#[test]
fn words_and_edges() {
    assert_eq!(
        [Decision::Accept, Decision::Reject, Decision::NotProven].map(Decision::word),
        ["accept", "reject", "not proven either way"]
    );
    // 1.5 mm is the most that a leaf may be off, and it may be that.
    assert_eq!(spread(15_000.0, 0.0).combined_tenth_um(), Ok(15_000.0));
    for p in [0.0, 1.0, -0.1, 1.1, f64::NAN] {
        assert!(quantile(p).is_nan(), "{p}");
    }
}
