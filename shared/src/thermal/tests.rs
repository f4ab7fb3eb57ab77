use proptest::prelude::*;

use super::*;
use crate::engine_card::Range;
use crate::verdict::judge;

fn mm(mm: i64) -> Length {
    Length::from_tenth_um(mm * 10_000)
}

fn part(length_mm: i64, material: Material, warmer_tenth_c: i32) -> Part {
    Part { length: mm(length_mm), material, warmer_tenth_c }
}

/// Stack and push rod of 120 mm, the rod of steel 1020, and a rocker ratio of 1. Stem and head cancel each other: same material,
/// same temperature.
fn levered(barrel: Material, stack_c: i32, rod_c: i32) -> Train {
    Train {
        stack: part(120, barrel, stack_c),
        rod: part(120, Material::Steel1020, rod_c),
        stem: part(90, Material::Steel4140, 0),
        head: Head { material: Material::Steel4140, warmer_tenth_c: 0 },
        ratio_milli: 1000,
    }
}

fn seven_to_eight() -> Bracket {
    Bracket::new(Some(Length::from_thou(7)), Some(Length::from_thou(8))).unwrap()
}

#[track_caller]
fn near(got: f64, wanted: f64, within: f64) {
    assert!((got - wanted).abs() <= within, "got {got}, wanted {wanted} within {within}");
}

/// A stack of 120 mm and a push rod of steel 1020, rocker ratio 1: computed outside this crate with a unit library from
/// the published coefficients. Growths and change in µm, change in thou.
#[test]
fn changes_agree_with_the_check_table() {
    for (barrel, barrel_c, rod_c, barrel_um, rod_um, change_um, change_thou) in [
        (Material::Aluminium356, 1000, 1000, 258.0, 140.4, 117.6, 4.629_921_26),
        (Material::DieCastA380, 1000, 1000, 261.6, 140.4, 121.2, 4.771_653_54),
        (Material::GrayIron, 1000, 1000, 136.8, 140.4, -3.6, -0.141_732_28),
        (Material::Aluminium356, 1000, 600, 258.0, 84.24, 173.76, 6.840_944_88),
        (Material::Aluminium356, 300, 300, 77.4, 42.12, 35.28, 1.388_976_38),
    ] {
        near(growth(mm(120), barrel.coefficient().unwrap(), barrel_c).unwrap() / 10.0, barrel_um, 1e-10);
        near(growth(mm(120), 11.7, rod_c).unwrap() / 10.0, rod_um, 1e-10);
        let estimate = estimate_cold(&seven_to_eight(), &levered(barrel, barrel_c, rod_c)).unwrap();
        near(estimate.change_tenth_um() / 10.0, change_um, 1e-10);
        near(estimate.change_tenth_um() / 254.0, change_thou, 1e-8);
    }
}

/// Callister table B.6 and NADCA table A-3-2, read in public copies; A-3-2 also in inch units, where it prints 12.2 for
/// alloy 380 and 22.0 becomes 12.2 by 9/5.
#[test]
fn published_coefficients() {
    for (material, coefficient, source) in [
        (Material::Steel1020, 11.7, "Callister table B.6"),
        (Material::Steel1040, 11.3, "Callister table B.6"),
        (Material::Steel4140, 12.3, "Callister table B.6"),
        (Material::Steel4340, 12.3, "Callister table B.6"),
        (Material::Stainless304, 17.2, "Callister table B.6"),
        (Material::GrayIron, 11.4, "Callister table B.6"),
        (Material::DuctileIron604018, 11.2, "Callister table B.6"),
        (Material::DuctileIron805506, 10.6, "Callister table B.6"),
        (Material::Aluminium356, 21.5, "Callister table B.6"),
        (Material::DieCast360, 21.0, "NADCA table A-3-2"),
        (Material::DieCast380, 22.0, "NADCA table A-3-2"),
        (Material::DieCastA380, 21.8, "NADCA table A-3-2"),
        (Material::DieCast383, 21.1, "NADCA table A-3-2"),
        (Material::DieCast384, 21.0, "NADCA table A-3-2"),
    ] {
        near(material.coefficient().unwrap(), coefficient, 0.0);
        assert_eq!(material.source(), source);
    }
    near(per_kelvin(12.2), 21.96, 1e-12);
    for (per_k, per_f) in [(21.0, 11.6), (22.0, 12.2), (21.8, 12.1), (21.1, 11.7)] {
        // Within one of the inch table's last digits: it cuts where it might round (21.0 is 11.67, printed 11.6).
        near(per_kelvin(per_f), per_k, 0.18);
    }
}

/// NIST Technical Note 1900 example E13, its inputs read in the sandialabs/suncal notebook: 1.4999 m grow to 1.5021 m
/// over 84.95 K, α = 1.7266e-5. Here a tenth of the length and twice the difference, to stay within what is taken.
#[test]
fn published_growth() {
    near(growth(Length::from_tenth_um(1_499_900), 17.266_208_957_779_67, 1699).unwrap(), 4400.0, 1e-7);
}

/// By hand, from the drawing in `docs/warmth.md`, in µm. A stem of 90 mm of steel 4140 (12.3) beside a head of die-cast A380
/// (21.8), all 60 K warmer: head 21.8e-6·90 000·60 = 117.72, stem 12.3e-6·90 000·60 = 66.42; the head opens the gap by 51.30
/// (2.02 thou). Stack of 110 mm: 21.8e-6·110 000·60 = 143.88; rod of 130 mm of steel 1020 55.5 K warmer:
/// 11.7e-6·130 000·55.5 = 84.4155; at R = 1.3 that is 1.3·59.4645 = 77.30385. Together 128.60385.
#[test]
fn the_head_beside_the_stem_opens_it() {
    let all = Train {
        stack: part(110, Material::DieCastA380, 600),
        rod: part(130, Material::Steel1020, 555),
        stem: part(90, Material::Steel4140, 600),
        head: Head::of(&part(110, Material::DieCastA380, 600), None, None),
        ratio_milli: 1300,
    };
    let change = |train: &Train| estimate_cold(&seven_to_eight(), train).unwrap().change_tenth_um() / 10.0;
    near(change(&all), 128.603_85, 1e-9);
    // The stem 200 K hotter than the head: 12.3e-6·90 000·200 = 221.4 more of it, which turns the sign.
    let hot = Train { stem: part(90, Material::Steel4140, 2600), ..all.clone() };
    near(change(&hot), 128.603_85 - 221.4, 1e-9);
    assert!(estimate_cold(&seven_to_eight(), &hot).unwrap().words(LengthUnit::Thou).contains("(warmth closes it)"));
    // A head of gray iron (11.4) on that barrel, 70 K warmer: 11.4e-6·90 000·70 = 71.82 in place of 117.72.
    let iron = Train { head: Head { material: Material::GrayIron, warmer_tenth_c: 700 }, ..all };
    near(change(&iron), 128.603_85 - 117.72 + 71.82, 1e-9);
}

/// The same by geometry, without the formula: heights of pivot, push-rod end, seat and stem tip above the cam followers, before and
/// after, with the rocker as a straight line through pivot and push-rod end.
#[test]
fn the_formula_is_the_drawing() {
    for (ratio_milli, stem_c, head_c) in [(1000, 600, 600), (1300, 600, 600), (1300, 2600, 900), (800, -100, 50)] {
        let train = Train {
            stack: part(110, Material::Aluminium356, 650),
            rod: part(130, Material::Steel1040, 500),
            stem: part(85, Material::Stainless304, stem_c),
            head: Head { material: Material::DieCast380, warmer_tenth_c: head_c },
            ratio_milli,
        };
        let gap = |warm: f64| {
            let long = |mm: f64, alpha: f64, tenth_c: i32| mm * (1.0 + warm * alpha * 1e-6 * f64::from(tenth_c) / 10.0);
            let pivot = long(110.0, 21.5, 650);
            let seat = pivot - long(85.0, 22.0, head_c);
            let tip = seat + long(85.0, 17.2, stem_c);
            // How far the push rod's end stands above its cold place beside the pivot; 20 mm of arm on its side.
            let rod_end = long(130.0, 11.3, 500) - 130.0 + 110.0;
            let slope = (pivot - rod_end) / 20.0;
            pivot + slope * 20.0 * f64::from(ratio_milli) / 1000.0 - tip
        };
        let change = estimate_cold(&seven_to_eight(), &train).unwrap().change_tenth_um();
        near(change / 10_000.0, gap(1.0) - gap(0.0), 1e-9);
    }
}

#[test]
fn said_as_an_estimate() {
    let estimate = estimate_cold(&seven_to_eight(), &levered(Material::Aluminium356, 300, 300)).unwrap();
    assert_eq!(estimate.cold_edges(), (Some(Length::from_tenth_um(1778 - 353)), Some(Length::from_tenth_um(2032 - 352))));
    // 12.3e-6·90 mm·10 K are 11.07 µm, 0.44 thou.
    assert_eq!(
        estimate.words(LengthUnit::Thou),
        "Not judged: read 7 to 8 thou on a warm engine. By the growth of its parts (warmth opens it) it would be about 5.6 to 6.6 \
         thou cold: an estimate, not a reading. If the stem is hotter than stated, it would be more: 0.4 thou for each 10 °C; if it is \
         colder, less. Let it cool and read again."
    );
    assert!(estimate.words(LengthUnit::Mm).contains("about 0.142 to 0.168 mm cold"));
    // The remark points the way in which the estimate moves: a hotter stem leaves more when cold.
    let hotter = Train { stem: part(90, Material::Steel4140, 100), ..levered(Material::Aluminium356, 300, 300) };
    let hotter = estimate_cold(&seven_to_eight(), &hotter).unwrap();
    assert!(hotter.cold_edges().0 > estimate.cold_edges().0);
    let open = Bracket::new(None, Some(Length::from_thou(4))).unwrap();
    let none_left = estimate_cold(&open, &levered(Material::Aluminium356, 1000, 1000)).unwrap();
    assert!(none_left.words(LengthUnit::Thou).contains("under about -0.6 thou cold"));
    assert!(none_left.words(LengthUnit::Thou).contains("do not run it before a cold reading"));
}

#[test]
fn what_just_can_be_is_taken() {
    let read = seven_to_eight();
    let longest = |warmer_tenth_c| Part { length: LONGEST, material: Material::GrayIron, warmer_tenth_c };
    let (stack, rod, stem) = (longest(MOST_TENTH_C), longest(-MOST_TENTH_C), longest(MOST_TENTH_C));
    let head = Head::of(&stack, None, None);
    assert!(estimate_cold(&read, &Train { stack, rod, stem, head, ratio_milli: 10_000 }).is_ok());
    // 100e-6 of a metre over 1 K are 100 µm, 1000 tenths.
    near(growth(LONGEST, MOST_COEFFICIENT, 10).unwrap(), 1000.0, 1e-9);
    let still = estimate_cold(&read, &levered(Material::GrayIron, 0, 0)).unwrap();
    assert!(still.words(LengthUnit::Thou).contains("(warmth leaves it as it is)"), "{}", still.words(LengthUnit::Thou));
    // An estimate of no clearance at all, and of the least that is one.
    let said = |edge| {
        WarmEstimate { cold_go: Some(Length::from_tenth_um(edge)), ..still.clone() }.words(LengthUnit::Thou).contains("no clearance left")
    };
    assert_eq!([0, 1].map(said), [true, false]);
}

#[test]
fn what_cannot_be_is_said() {
    let read = seven_to_eight();
    let good = levered(Material::GrayIron, 10, 10);
    for bad in [0, 10_001, u32::MAX] {
        assert_eq!(estimate_cold(&read, &Train { ratio_milli: bad, ..good.clone() }), Err(WarmthError::Ratio));
    }
    let endless = Train { rod: Part { length: Length::from_tenth_um(i64::MAX), ..good.rod.clone() }, ..good.clone() };
    assert!(matches!(estimate_cold(&read, &endless), Err(WarmthError::PartLength { part: "push rod", .. })));
    let none = Train { stem: part(0, Material::Steel4140, 10), ..good.clone() };
    assert!(matches!(estimate_cold(&read, &none), Err(WarmthError::PartLength { part: "valve stem", .. })));
    for bad in [i32::MIN, -5001, 5001, i32::MAX] {
        let refused = Err(WarmthError::Temperature { given_tenth_c: bad });
        assert_eq!(estimate_cold(&read, &levered(Material::GrayIron, bad, 10)), refused);
        assert_eq!(estimate_cold(&read, &levered(Material::GrayIron, 10, bad)), refused);
        assert_eq!(estimate_cold(&read, &Train { stem: part(90, Material::Steel4140, bad), ..good.clone() }), refused);
        let head = Head { material: Material::GrayIron, warmer_tenth_c: bad };
        assert_eq!(estimate_cold(&read, &Train { head, ..good.clone() }), refused);
    }
    for bad in [0.0, -1.0, 100.1, f64::NAN, f64::INFINITY] {
        assert!(matches!(growth(mm(120), bad, 10), Err(WarmthError::Coefficient { .. })), "{bad}");
    }
    let stated = |hundredths, source: &str| Material::Stated { hundredths, source: source.to_owned() };
    assert_eq!(stated(2150, " ").coefficient(), Err(WarmthError::NoSource));
    assert_eq!(stated(0, "a table").coefficient(), Err(WarmthError::Coefficient { given: 0.0 }));
    assert_eq!(stated(2150, "a table").coefficient(), Ok(21.5));
    assert_eq!(
        WarmthError::Temperature { given_tenth_c: -5125 }.to_string(),
        "a temperature difference of -512.5 °C cannot be: it is at most 500 °C either way"
    );
}

proptest! {
    /// Whatever was read and however warm, even where the cold edges lie well inside the range: never in spec.
    #[test]
    fn a_warm_reading_never_passes(go in 1i64..5000, width in 1i64..600, barrel_c in any::<i32>(), rod_c in -500i32..5000) {
        let read = Bracket::new(Some(Length::from_tenth_um(go)), Some(Length::from_tenth_um(go + width))).unwrap();
        for barrel_c in [barrel_c, barrel_c % 5000, 0] {
            let Ok(estimate) = estimate_cold(&read, &levered(Material::Aluminium356, barrel_c, rod_c)) else { continue };
            prop_assert_eq!(estimate.verdict(), Verdict::NotSettled(Why::NotCold));
            prop_assert!(!estimate.words(LengthUnit::Thou).to_lowercase().contains("in spec"));
            // The edges take in all that the reading and the exact change leave.
            let (Some(cold_go), Some(cold_no_go)) = estimate.cold_edges() else { panic!("both edges were given") };
            prop_assert!(cold_go.tenth_um() as f64 <= go as f64 - estimate.change_tenth_um() + 1e-6);
            prop_assert!(cold_no_go.tenth_um() as f64 >= (go + width) as f64 - estimate.change_tenth_um() - 1e-6);
        }
    }
}

/// The same reading would pass if it had been taken cold, and its estimate lies in the range too: it still does not.
#[test]
fn not_even_where_all_else_would() {
    let range = Range { low: Length::from_thou(4), high: Length::from_thou(9), aim: None };
    let estimate = estimate_cold(&seven_to_eight(), &levered(Material::Aluminium356, 300, 300)).unwrap();
    assert_eq!(judge(&seven_to_eight(), &range), Verdict::InSpec);
    let (Some(go), Some(no_go)) = estimate.cold_edges() else { panic!("both edges were given") };
    assert!(range.low <= go && no_go <= range.high);
    assert_eq!(estimate.verdict(), Verdict::NotSettled(Why::NotCold));
}

#[test]
fn every_coefficient_names_where_it_was_read() {
    assert_eq!(Material::Stated { hundredths: 2150, source: "sheet 2".into() }.source(), "sheet 2");
    assert_eq!(Material::DieCastA380.source(), "NADCA table A-3-2");
    assert_eq!(Material::GrayIron.source(), "Callister table B.6");
}
