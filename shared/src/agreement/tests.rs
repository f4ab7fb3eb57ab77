use proptest::prelude::*;
use statrs::distribution::{Continuous, ContinuousCDF, Normal};

use super::*;
use crate::bracket::Bracket;
use crate::length::{Length, LengthUnit};

/// The worked example of AIAG, Measurement Systems Analysis, 4th ed. (2010), ch. III B: 10 parts, 3 people, 3 trials. Read
/// in seven public test files, all alike; the manual was not opened. By person, then trial, then part.
const PUBLISHED: [[[f64; 10]; 3]; 3] = [
    [
        [0.29, -0.56, 1.34, 0.47, -0.8, 0.02, 0.59, -0.31, 2.26, -1.36],
        [0.41, -0.68, 1.17, 0.5, -0.92, -0.11, 0.75, -0.2, 1.99, -1.25],
        [0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31],
    ],
    [
        [0.08, -0.47, 1.19, 0.01, -0.56, -0.2, 0.47, -0.63, 1.8, -1.68],
        [0.25, -1.22, 0.94, 1.03, -1.2, 0.22, 0.55, 0.08, 2.12, -1.62],
        [0.07, -0.68, 1.34, 0.2, -1.28, 0.06, 0.83, -0.34, 2.19, -1.5],
    ],
    [
        [0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49],
        [-0.11, -1.13, 1.09, 0.2, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77],
        [-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16],
    ],
];

fn published() -> Study {
    let cell = |part: usize, person: usize| PUBLISHED[person].iter().map(|trial| trial[part]).collect();
    Study::new((0..10).map(|part| (0..3).map(|person| cell(part, person)).collect()).collect()).unwrap()
}

#[track_caller]
fn near(given: f64, wanted: f64, relative: f64) {
    assert!((given - wanted).abs() <= relative * wanted.abs(), "{given} is not {wanted} within {relative}");
}

/// Within the last digit that a source printed.
#[track_caller]
fn printed(given: f64, wanted: f64, last_digit: f64) {
    assert!((given - wanted).abs() <= last_digit, "{given} is not the printed {wanted}");
}

/// The example by average and range: to 10⁻⁶ as recomputed by a second program, to the last printed digits as published.
/// The manual goes on from rounded means, so its own EV and percentages are off by up to 5 · 10⁻⁴ of themselves.
#[test]
fn average_and_range_meets_the_published_example() {
    let study = published();
    let by = average_and_range(&study).unwrap();
    for (given, recomputed, published, digit) in [
        (by.mean_range_by_person[0], 0.184, 0.184, 1e-9),
        (by.mean_range_by_person[1], 0.513, 0.513, 1e-9),
        (by.mean_range_by_person[2], 0.328, 0.328, 1e-9),
        (by.mean_by_person[0], 0.190_333_333_333, 0.1903, 1e-4),
        (by.mean_by_person[1], 0.068_333_333_333, 0.0683, 1e-4),
        (by.mean_by_person[2], -0.254_333_333_333, -0.2543, 1e-4),
        (by.mean_range, 0.341_666_666_667, 0.3417, 1e-4),
        (by.mean_difference, 0.444_666_666_667, 0.4446, 1e-4),
        (by.part_range, 3.511_111_111_11, 3.5111, 1e-4),
        (by.range_limit, 0.879_45, 0.8795, 1e-4),
        (by.spread.ev, 0.201_856_666_667, 0.20188, 1e-4),
        (by.spread.av, 0.229_667_029_104, 0.22963, 1e-4),
        (by.spread.grr, 0.305_766_345_654, 0.30575, 1e-4),
        (by.spread.pv, 1.104_595_555_56, 1.10456, 1e-4),
        (by.spread.tv, 1.146_134_546_85, 1.14610, 1e-4),
        (by.spread.percent_ev, 17.611_952_036_6, 17.62, 1e-2),
        (by.spread.percent_av, 20.038_400_354_8, 20.04, 1e-2),
        (by.spread.percent_grr, 26.678_049_841_0, 26.68, 1e-2),
        (by.spread.percent_pv, 96.375_731_679_1, 96.38, 1e-2),
    ] {
        near(given, recomputed, 1e-6);
        printed(given, published, digit);
    }
    // Person B on part 4, range 1.02.
    let [wide] = by.wide.as_slice() else { panic!("{:?}", by.wide) };
    assert_eq!((wide.person, wide.part), (1, 3));
    near(wide.range, 1.02, 1e-9);
    assert_eq!((by.zero_ranges, by.spread.interaction), (0, 0.0));

    let five_digits = Constants { k1: 1.0 / 1.6926, k2: 1.0 / 1.91155, k3: 1.0 / 3.17905, d4: 2.574 };
    let by = average_and_range_with(&study, five_digits).unwrap();
    near(by.spread.grr, 0.305_779_949_172, 1e-6);
    near(by.spread.percent_grr, 26.682_352_087_7, 1e-6);
}

/// The example by the analysis of variance, as published (last printed digit) and as recomputed (10⁻⁶).
#[test]
fn anova_meets_the_published_example() {
    let by = anova(&published(), DEFAULT_POOLING_ALPHA).unwrap();
    let pooled = by.pooled.unwrap();
    for (given, recomputed, published, digit) in [
        (by.part.ss, 88.361_934_444_4, 88.3619, 1e-4),
        (by.person.ss, 3.167_262_222_22, 3.1673, 1e-4),
        (by.interaction.ss, 0.358_982_222_222, 0.3590, 1e-4),
        (by.repeat.ss, 2.758_933_333_33, 2.7589, 1e-4),
        (by.total.ss, 94.647_112_222_2, 94.6471, 1e-4),
        (by.part.ms, 9.817_992_716_05, 9.818, 5e-4),
        (by.person.ms, 1.583_631_111_11, 1.584, 5e-4),
        (by.repeat.ms, 0.045_982_222_222, 0.0460, 5e-5),
        (pooled.ms, 0.039_973_276_353, 0.0400, 5e-5),
        (by.var_repeat.variance, 0.039_973_276_353, 0.0400, 5e-5),
        (by.var_person.variance, 0.051_455_261_159, 0.0515, 5e-5),
        (by.var_part.variance, 1.086_446_604_41, 1.086, 5e-4),
        (by.spread.grr.powi(2), 0.091_428_537_512, 0.0914, 5e-5),
        (by.spread.percent_ev, 18.421_934_965_9, 18.42, 1e-2),
        (by.spread.percent_av, 20.900_913_368_4, 20.90, 1e-2),
        (by.spread.percent_grr, 27.860_650_881_1, 27.86, 1e-2),
        (by.spread.percent_pv, 96.040_533_799_4, 96.04, 1e-2),
    ] {
        near(given, recomputed, 1e-6);
        printed(given, published, digit);
    }
    near(by.interaction.ms, 0.019_943_456_790, 1e-6);
    let interaction = by.interaction_test.unwrap();
    near(interaction.f, 0.433_721_030_135, 1e-6);
    near(interaction.p, 0.974_106_404_329, 1e-6);
    near(by.part_test.unwrap().f, 245.613_910_386, 1e-6);
    near(by.person_test.unwrap().f, 39.617_245_709_7, 1e-6);
    near(by.spread.ev, 0.199_933_179_721, 1e-6);
    near(by.spread.av, 0.226_837_521_496, 1e-6);
    near(by.spread.pv, 1.042_327_493_84, 1e-6);
    near(by.spread.tv, 1.085_299_563_22, 1e-6);
    assert_eq!([by.part.df, by.person.df, by.interaction.df, by.repeat.df, by.total.df, pooled.df], [9, 2, 18, 60, 89, 78]);
    assert!(anova(&published(), 0.05).unwrap().pooled.is_some(), "it pools at either usual level");
}

/// The same example with the interaction kept: its variance comes out below zero and is set to 0. Recomputed.
#[test]
fn the_interaction_kept_is_held_at_zero() {
    let by = anova(&published(), 1.0).unwrap();
    assert_eq!((by.pooled, by.var_interaction), (None, Component { variance: 0.0, clamped: true }));
    near(by.var_repeat.variance, 0.045_982_222_222, 1e-6);
    near(by.var_person.variance, 0.052_122_921_811, 1e-6);
    near(by.var_part.variance, 1.088_672_139_92, 1e-6);
    near(by.spread.grr, 0.313_217_406_976, 1e-6);
    near(by.spread.percent_grr, 28.751_550_984_5, 1e-6);
    near(by.spread.tv, 1.089_393_080_55, 1e-6);
    near(1.41 * by.spread.pv / by.spread.grr, 4.697_013_163_83, 1e-6);
    assert_eq!(by.spread.ndc, Some(4));
}

/// The same readings give 5 classes by one method and 4 by the other: a number of classes without its method says nothing.
#[test]
fn classes_go_with_their_method() {
    let ranges = average_and_range(&published()).unwrap().spread;
    let variance = anova(&published(), DEFAULT_POOLING_ALPHA).unwrap().spread;
    assert_eq!((ranges.method, ranges.ndc), (Method::AverageAndRange, Some(5)));
    assert_eq!((variance.method, variance.ndc), (Method::Anova, Some(4)));
    assert!(ranges.words(None).contains("It tells 5 sizes of clearance apart. The limits"), "{}", ranges.words(None));
    near(1.41 * ranges.pv / ranges.grr, 5.093_692_472_92, 1e-6);
    near(1.41 * variance.pv / variance.grr, 4.860_516_476_62, 1e-6);
    assert_eq!(
        variance.words(None),
        "By analysis of variance, the measuring makes 27.9 % of the whole spread: usable for some work, worth bettering (10 to 30 %). \
         Most of it is people differing from one another: let them read the same valves together and agree on the drag. It tells 4 \
         sizes of clearance apart, and 5 or more are wanted. The limits are common guidance, from memory."
    );
    let names = ["1I".to_owned(), "1E".to_owned(), "2I".to_owned(), "2E".to_owned()];
    let words = average_and_range(&published()).unwrap().words(&names, &["Ada".to_owned()]);
    assert!(words.starts_with("By average and range, the measuring makes 26.7 % of the whole spread"), "{words}");
    assert!(words.ends_with(" Apart from the rest, read again: person 2 on 2E."), "{words}");
}

fn hand() -> Study {
    Study::new(vec![vec![vec![1.0, 1.2], vec![1.3, 1.5]], vec![vec![2.0, 2.2], vec![2.3, 2.5]]]).unwrap()
}

/// 2 × 2 × 2 by hand with constants of 5.15 standard deviations (4.56, 3.65, 3.65): read in a public test file.
#[test]
fn the_hand_example_with_other_constants() {
    let by = average_and_range_with(&hand(), Constants { k1: 4.56, k2: 3.65, k3: 3.65, d4: 3.267 }).unwrap();
    near(by.spread.ev, 0.912, 1e-6);
    near(by.spread.av.powi(2), 0.991_089, 1e-6);
    near(by.spread.grr.powi(2), 1.822_833, 1e-6);
    near(by.spread.pv, 3.65, 1e-6);
    near(by.spread.tv.powi(2), 15.145_333, 1e-6);
    printed(by.spread.percent_grr, 34.692, 5e-4);
    assert_eq!(by.spread.ndc, Some(3));
    assert_eq!(by.spread.judged(None).grade, Grade::NotGoodEnough);
    let wrong = Constants { k1: 0.0, ..by.constants };
    assert_eq!(average_and_range_with(&hand(), wrong), Err(AgreementError::WrongConstants));
}

/// d₂* and D₄ from their definition: the mean and mean square of the range of m standard normal values, by quadrature.
#[test]
fn the_constants_follow_from_their_definition() {
    let (normal, step) = (Normal::standard(), 0.02);
    let grid: Vec<(f64, f64)> = (-400..=400).map(|i| f64::from(i) * step).map(|x| (normal.pdf(x), normal.cdf(x))).collect();
    // P(R > r) by the trapezoid, then the two moments by Simpson's rule.
    let over = |values: i32, shift: usize| {
        let below = |at: usize| grid.get(at + shift).map_or(1.0, |beyond| beyond.1) - grid[at].1;
        1.0 - f64::from(values) * step * (0..grid.len()).map(|at| grid[at].0 * below(at).powi(values - 1)).sum::<f64>()
    };
    let moments = |values: i32| {
        let mut sums = (0.0, 0.0);
        for shift in 0u32..=600 {
            let weight = if shift == 0 || shift == 600 { 1.0 } else { f64::from(2 + 2 * (shift % 2)) };
            let (tail, r) = (over(values, shift as usize), f64::from(shift) * step);
            sums = (sums.0 + weight * tail, sums.1 + weight * 2.0 * r * tail);
        }
        (sums.0 * step / 3.0, sums.1 * step / 3.0)
    };
    printed(moments(2).0, 2.0 / std::f64::consts::PI.sqrt(), 1e-6);
    for values in 2..=10usize {
        let (range, square) = moments(i32::try_from(values).unwrap());
        printed(Constants::of(values, 2, 2).unwrap().k3, 1.0 / square.sqrt(), 6e-5);
        if values <= 3 {
            let constants = Constants::of(2, values, values).unwrap();
            printed(constants.k1, 1.0 / range, 6e-5);
            printed(constants.k2, 1.0 / square.sqrt(), 6e-5);
            printed(constants.d4, 1.0 + 3.0 * (square - range * range).sqrt() / range, 1e-3);
        }
    }
}

#[test]
fn what_is_no_study_is_said() {
    let said = |readings| Study::new(readings).unwrap_err().to_string();
    let cell = |trials: &[f64]| trials.to_vec();
    let whole = || vec![cell(&[1.0, 2.0]), cell(&[1.0, 2.0])];
    assert_eq!(said(vec![]), "a study needs at least 2 parts, not 0");
    assert_eq!(said(vec![vec![cell(&[1.0, 2.0])]; 2]), "a study needs at least 2 people, not 1");
    assert_eq!(said(vec![vec![cell(&[1.0]), cell(&[1.0])]; 2]), "a study needs at least 2 trials, not 1");
    assert_eq!(said(vec![whole(), vec![cell(&[1.0, 2.0])]]), "part 2 has 1 people where part 1 has 2: every person reads every part");
    assert_eq!(
        said(vec![whole(), vec![cell(&[1.0, 2.0]), cell(&[1.0, 2.0, 3.0])]]),
        "person 2 read part 2 3 times, and person 1 read part 1 2 times: all must be alike"
    );
    for no_reading in [f64::NAN, f64::INFINITY, 1e13] {
        let readings = vec![whole(), vec![cell(&[1.0, 2.0]), cell(&[1.0, no_reading])]];
        assert_eq!(Study::new(readings), Err(AgreementError::NotAReading { part: 2, person: 2, trial: 2 }));
    }
    let four = Study::new(vec![vec![cell(&[1.0, 2.0]); 4]; 2]).unwrap();
    assert_eq!(
        average_and_range(&four).unwrap_err().to_string(),
        "average and range is for 2 to 3 people, not 4: use the analysis of variance, which takes any number"
    );
    assert!(anova(&four, DEFAULT_POOLING_ALPHA).is_ok());
    for alpha in [f64::NAN, -0.1, 1.1] {
        assert!(matches!(anova(&four, alpha), Err(AgreementError::PoolingAlpha { .. })));
    }
}

/// Readings that differ in nothing, or in nothing that the method sees, and readings without repeat spread.
#[test]
fn degenerate_spreads_are_told_apart() {
    let equal = Study::new(vec![vec![vec![0.1; 3]; 3]; 3]).unwrap();
    assert_eq!(average_and_range(&equal), Err(AgreementError::NoSpread));
    assert_eq!(anova(&equal, 0.25), Err(AgreementError::NoSpread));
    // Two people who see two parts the other way round: only the analysis of variance sees it.
    let crossed = Study::new(vec![vec![vec![1.1; 2], vec![2.1; 2]], vec![vec![2.1; 2], vec![1.1; 2]]]).unwrap();
    assert_eq!(average_and_range(&crossed), Err(AgreementError::NoSpread));
    let by = anova(&crossed, 0.25).unwrap();
    assert_eq!((by.pooled, by.interaction_test), (None, None));
    near(by.spread.percent_interaction, 100.0, 1e-9);
    assert!(by.spread.words(None).contains("on some valves and not on others"));
    // Parts and people add up exactly, in numbers that binary fractions do not hold: no noise against noise.
    let adding = Study::new(vec![vec![vec![0.1; 2], vec![0.3; 2]], vec![vec![0.7; 2], vec![0.9; 2]]]).unwrap();
    let by = anova(&adding, 0.25).unwrap();
    assert_eq!((by.interaction.ss, by.repeat.ss, by.interaction_test), (0.0, 0.0, None));
    // People alike on average, whose repeats scatter: the estimate between them is below zero, and held there.
    let scatter = Study::new(vec![vec![vec![1.0, 3.0]; 2], vec![vec![5.0, 7.0]; 2]]).unwrap();
    assert_eq!(average_and_range(&scatter).unwrap().spread.av, 0.0);
    assert!(anova(&scatter, 0.25).unwrap().var_person.clamped);
    // People alike to the last leaf: the measuring shows no spread, and any number of classes could be told apart.
    let alike = Study::new(vec![vec![vec![0.1; 2]; 2], vec![vec![0.7; 2]; 2]]).unwrap();
    assert_eq!((anova(&alike, 0.25).unwrap().spread.ndc, average_and_range(&alike).unwrap().spread.ndc), (None, None));
    assert_eq!(average_and_range(&alike).unwrap().zero_ranges, 4);
}

mod more;
