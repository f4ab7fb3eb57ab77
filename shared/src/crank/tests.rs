use proptest::prelude::*;

use super::*;

fn mm(mm: i64) -> Length {
    Length::from_tenth_um(mm * 10_000)
}

fn crank(stroke_mm: i64, rod_mm: i64) -> Crank {
    Crank::new(mm(stroke_mm), mm(rod_mm)).unwrap()
}

#[track_caller]
fn near(got: f64, wanted: f64, within: f64) {
    assert!((got - wanted).abs() <= within, "got {got}, wanted {wanted} within {within}");
}

/// Stroke 70, rod 110 mm. Computed outside this crate with 40 digits by three routes (formula, circle and axis, rod
/// angle), which agree within 4e-14 mm.
const DROPS_MM: [(f64, f64); 38] = [
    (0.0, 0.0),
    (1.0, 0.007_026_675_559_22),
    (2.0, 0.028_103_168_935_9),
    (3.0, 0.063_218_882_356_7),
    (4.0, 0.112_356_159_965),
    (5.0, 0.175_490_298_472),
    (6.0, 0.252_589_562_07),
    (7.0, 0.343_615_201_613),
    (8.0, 0.448_521_478_072),
    (9.0, 0.567_255_690_262),
    (10.0, 0.699_758_206_857),
    (11.0, 0.845_962_502_687),
    (12.0, 1.005_795_199_34),
    (13.0, 1.179_176_110_08),
    (14.0, 1.366_018_289_01),
    (15.0, 1.566_228_084_69),
    (16.0, 1.779_705_197_91),
    (17.0, 2.006_342_743_97),
    (18.0, 2.246_027_319_17),
    (19.0, 2.498_639_071_72),
    (20.0, 2.764_051_777_01),
    (21.0, 3.042_132_917_17),
    (22.0, 3.332_743_765_1),
    (23.0, 3.635_739_472_81),
    (24.0, 3.950_969_164_08),
    (25.0, 4.278_276_031_57),
    (26.0, 4.617_497_438_27),
    (27.0, 4.968_465_023_24),
    (28.0, 5.331_004_811_75),
    (29.0, 5.704_937_329_78),
    (30.0, 6.090_077_722_68),
    (45.0, 13.071_507_107_3),
    (60.0, 21.758_570_087_2),
    (90.0, 40.716_731_926_9),
    (120.0, 56.758_570_087_2),
    (180.0, 70.0),
    (270.0, 40.716_731_926_9),
    (350.0, 0.699_758_206_857),
];

#[test]
fn drops_agree_with_the_check_table() {
    let crank = crank(70, 110);
    for (degrees, drop_mm) in DROPS_MM {
        near(crank.drop_at(degrees).unwrap() / 10_000.0, drop_mm, 1e-9);
        near(crank.drop_at(-degrees).unwrap() / 10_000.0, drop_mm, 1e-9);
        near(crank.drop_at(degrees + 720.0).unwrap() / 10_000.0, drop_mm, 1e-9);
    }
}

/// As above, by the law of cosines and root finding to 1e-20.
#[test]
fn angles_agree_with_the_check_table() {
    for (drop_mm, degrees) in [
        (0.0, 0.0),
        (0.1, 3.773_510_179_01),
        (0.5, 8.447_932_152_25),
        (1.0, 11.965_169_891_6),
        (2.0, 16.972_778_261_4),
        (3.0, 20.851_350_395),
        (3.175, 21.462_528_722),
        (5.0, 27.088_260_676_8),
        (6.35, 30.659_200_997_4),
        (10.0, 38.942_441_269),
        (35.0, 80.845_866_715_4),
        (70.0, 180.0),
    ] {
        near(crank(70, 110).angle_for_drop(drop_mm * 10_000.0).unwrap(), degrees, 1e-9);
    }
    for (stroke, rod, degrees) in
        [(40, 80, 42.307_626_03), (53, 90, 35.794_589_14), (60, 95, 33.260_253_85), (76, 120, 29.393_570_48), (90, 150, 27.104_856_21)]
    {
        near(past_tdc(mm(stroke), mm(rod), COMMON_PAST_TDC).unwrap().degrees, degrees, 1e-8);
    }
}

#[test]
fn top_dead_center_lies_in_the_middle() {
    for (before, after, center) in [
        (350.0, 10.0, 0.0),
        (-20.0, 26.0, 3.0),
        (100.0, 141.0, 120.5),
        (340.0, 359.0, 349.5),
        (270.0, 90.0, 0.0),
        (359.0, 2.0, 0.5),
        (700.0, 730.0, 355.0),
    ] {
        near(tdc_by_equal_drops(before, after).unwrap(), center, 1e-12);
        // Equal heights: whatever the crank, and whatever the drop was taken to be.
        for drop_tenth_um in [0.0, 10_000.0, 350_000.0] {
            let at = |degrees| HeightAt { degrees, drop_tenth_um };
            let found = tdc_from_heights(&crank(70, 110), at(before), at(after)).unwrap();
            near(found.degrees, center, 1e-12);
        }
    }
    for (before, after) in [(10.0, 10.0), (10.0, 370.0), (10.0, 350.0), (0.0, 181.0)] {
        assert_eq!(tdc_by_equal_drops(before, after), Err(CrankError::NotAcross { before, after }));
    }
}

#[test]
fn a_full_turn_is_none() {
    for (degrees, on_the_scale) in [(-1e-20, 0.0), (360.0, 0.0), (-0.0, 0.0), (-90.0, 270.0), (1e300, 1e300 % 360.0)] {
        near(full_turn(degrees), on_the_scale, 0.0);
    }
}

/// Unequal heights from the check table, read on a scale whose 7.2 is top dead center.
#[test]
fn unequal_heights_still_find_it() {
    let before = HeightAt { degrees: 7.2 - 20.0, drop_tenth_um: 27_640.517_770_1 };
    let after = HeightAt { degrees: 7.2 + 30.0, drop_tenth_um: 60_900.777_226_8 };
    let found = tdc_from_heights(&crank(70, 110), before, after).unwrap();
    near(found.degrees, 7.2, 1e-7);
    near(found.apart_degrees, 0.0, 1e-7);
    assert_eq!(found.words(), "Top dead center is at 7.2° on your scale.");
    let misread = tdc_from_heights(&crank(70, 110), HeightAt { degrees: before.degrees + 1.0, ..before }, after).unwrap();
    near(misread.apart_degrees, 1.0, 1e-6);
    near(misread.degrees, 7.7, 1e-6);
    assert_eq!(misread.words(), "Top dead center is at 7.7° on your scale; the two readings place it 1.0° apart.");
}

#[test]
fn what_cannot_turn_is_said() {
    assert_eq!(Crank::new(mm(0), mm(110)), Err(CrankError::Stroke { stroke: mm(0) }));
    assert_eq!(Crank::new(mm(1001), mm(990)), Err(CrankError::Stroke { stroke: mm(1001) }));
    // A rod of just the radius would fold onto the crank.
    assert_eq!(Crank::new(mm(70), mm(35)), Err(CrankError::Rod { rod: mm(35), stroke: mm(70) }));
    assert!(Crank::new(mm(70), Length::from_tenth_um(350_001)).is_ok());
    for bad in [Length::from_tenth_um(i64::MIN), Length::from_tenth_um(i64::MAX)] {
        assert!(Crank::new(bad, mm(110)).is_err() && Crank::new(mm(70), bad).is_err() && past_tdc(mm(70), mm(110), bad).is_err());
    }
    for bad in [-1.0, 700_001.0, f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        assert!(matches!(crank(70, 110).angle_for_drop(bad), Err(CrankError::Drop { .. })), "{bad}");
    }
    for bad in [f64::NAN, f64::INFINITY] {
        assert_eq!(crank(70, 110).drop_at(bad), Err(CrankError::Angle));
        assert_eq!(tdc_by_equal_drops(bad, 3.0), Err(CrankError::Angle));
        assert_eq!(tdc_by_equal_drops(3.0, bad), Err(CrankError::Angle));
    }
    assert_eq!(
        past_tdc(mm(70), mm(110), mm(71)).unwrap_err().to_string(),
        "the piston is never 71.00 mm down: with this stroke it goes from 0 to 70.00 mm"
    );
    assert_eq!(
        Crank::new(mm(70), mm(30)).unwrap_err().to_string(),
        "a rod of 30.00 mm cannot turn a crank of 70.00 mm stroke: it is longer than half the stroke, center to center, and at most 1 m"
    );
}

#[test]
fn said_as_work() {
    assert_eq!(
        past_tdc(mm(70), mm(110), COMMON_PAST_TDC).unwrap().words(LengthUnit::Thou),
        "Turn the crank about 31° past top dead center of the compression stroke, in its direction of running, until the piston is \
         .250 in down. Measure the piston: the angle only says where to look. The engine's manual decides how far."
    );
    assert!(past_tdc(mm(70), mm(110), COMMON_PAST_TDC).unwrap().words(LengthUnit::Mm).contains("6.35 mm down"));
    assert_eq!(
        past_tdc(mm(70), mm(110), Length::ZERO).unwrap().words(LengthUnit::Mm),
        "Put the piston at top dead center of the compression stroke."
    );
}

/// The drop by geometry alone: the crank pin is put on its circle, and the point of the axis at the rod's length from it
/// is found by halving, with no square root solved for.
fn by_halving(crank: &Crank, degrees: f64) -> f64 {
    let (radius, rod) = (crank.stroke().mm() / 2.0, crank.rod().mm());
    let (aside, up) = (radius * degrees.to_radians().sin(), radius * degrees.to_radians().cos());
    let (mut low, mut high) = (up, up + rod);
    for _ in 0..200 {
        let middle = f64::midpoint(low, high);
        if aside.hypot(middle - up) < rod { low = middle } else { high = middle }
    }
    (radius + rod - low) * 10_000.0
}

/// The drop by the law of sines, in the triangle of crank axis, crank pin and piston pin.
fn by_sines(crank: &Crank, degrees: f64) -> f64 {
    let (radius, rod) = (crank.stroke().mm() / 2.0, crank.rod().mm());
    let angle = degrees.to_radians();
    let lean = (radius * angle.sin() / rod).asin();
    (radius + rod - rod * (angle + lean).sin() / angle.sin()) * 10_000.0
}

fn any_crank() -> impl Strategy<Value = Crank> {
    (100_000i64..1_500_000, 1001i64..4000).prop_map(|(stroke, rod_per_radius_milli)| {
        let rod = stroke * rod_per_radius_milli / 2000 + 1;
        Crank::new(Length::from_tenth_um(stroke), Length::from_tenth_um(rod)).unwrap()
    })
}

proptest! {
    #[test]
    fn other_geometry_agrees(crank in any_crank(), degrees in 1.0..179.0f64) {
        let drop = crank.drop_at(degrees).unwrap();
        prop_assert!((drop - by_halving(&crank, degrees)).abs() < 1e-5);
        prop_assert!((drop - by_sines(&crank, degrees)).abs() < 1e-5);
    }

    #[test]
    fn even_and_the_same_each_turn(crank in any_crank(), degrees in -180.0..180.0f64) {
        let drop = crank.drop_at(degrees).unwrap();
        prop_assert_eq!(drop, crank.drop_at(-degrees).unwrap());
        prop_assert!((drop - crank.drop_at(degrees + 360.0).unwrap()).abs() < 1e-5);
    }

    #[test]
    fn back_and_forth(crank in any_crank(), degrees in 0.0..=180.0f64, share in 0.0..=1.0f64) {
        let back = crank.angle_for_drop(crank.drop_at(degrees).unwrap()).unwrap();
        // Near the bottom the piston hardly moves, and a drop that is right to its last digit says less of the angle.
        prop_assert!((back - degrees).abs() < 1e-4, "{back} {degrees}");
        let drop = share * crank.stroke().tenth_um() as f64;
        let again = crank.drop_at(crank.angle_for_drop(drop).unwrap()).unwrap();
        prop_assert!((again - drop).abs() < 1e-6, "{again} {drop}");
    }

    /// Two readings taken from any crank at any angles lead back to its top dead center.
    #[test]
    fn two_heights_find_the_center(crank in any_crank(), center in 0.0..360.0f64, before in 5.0..85.0f64, after in 5.0..85.0f64) {
        let at = |degrees: f64| HeightAt { degrees: center + degrees, drop_tenth_um: crank.drop_at(degrees).unwrap() };
        let found = tdc_from_heights(&crank, at(-before), at(after)).unwrap();
        let off = (found.degrees - center + 180.0).rem_euclid(360.0) - 180.0;
        prop_assert!(off.abs() < 1e-6 && found.apart_degrees < 1e-6);
    }

    #[test]
    fn no_numbers_panic(stroke in any::<i64>(), rod in any::<i64>(), drop in any::<i64>(), a in any::<f64>(), b in any::<f64>()) {
        let lengths = [stroke, rod, drop].map(Length::from_tenth_um);
        if let Ok(past) = past_tdc(lengths[0], lengths[1], lengths[2]) {
            let _ = past.words(LengthUnit::Thou);
        }
        let at = |degrees| HeightAt { degrees, drop_tenth_um: 1.0 };
        let _ = tdc_from_heights(&crank(70, 110), at(a), at(b));
        if let Ok(center) = tdc_by_equal_drops(a, b) {
            prop_assert!((0.0..360.0).contains(&center));
        }
        if let Ok(drop) = crank(70, 110).drop_at(a) {
            prop_assert!((0.0..=700_000.0).contains(&drop));
        }
    }
}

/// An angle is told from over half a degree on, as half a one would be shown as none; a difference from a twentieth on.
#[test]
fn words_at_their_edges() {
    assert_eq!([0.0, 0.49, 0.5, 0.51, 7.4].map(about), ["less than 1°", "less than 1°", "less than 1°", "about 1°", "about 7°"]);
    let top = |apart_degrees| TopDeadCenter { degrees: 3.5, apart_degrees }.words();
    assert_eq!(top(0.049), "Top dead center is at 3.5° on your scale.");
    assert_eq!(top(0.05), "Top dead center is at 3.5° on your scale; the two readings place it 0.1° apart.");
}
