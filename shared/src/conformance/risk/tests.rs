use proptest::prelude::*;

use super::*;

const BALL_BEARING: Prior = Prior::Gamma { shape: 4.0, scale: 0.25 };

fn limits(low: Option<f64>, high: Option<f64>) -> Limits {
    Limits { low, high }
}

#[track_caller]
fn near(got: f64, wanted: f64, within: f64) {
    assert!((got - wanted).abs() <= within, "got {got}, wanted {wanted} within {within}");
}

/// JCGM 106:2012 9.5.4, ball bearings, as reproduced with numbers in the sandialabs/suncal notebook "Risk - Ball
/// Bearing" (read): 4.2 %, 0.8 % and 1.6718. The further digits and the producer's risks: scipy 1.17.1, outside this crate.
#[test]
fn ball_bearing() {
    let tolerance = limits(Some(0.0), Some(2.0));
    let up_to = |high: f64| limits(None, Some(high));
    near(nonconforming_share(BALL_BEARING, tolerance).unwrap(), 0.042_380_111_991_684, 1e-13);
    near(consumer_risk(BALL_BEARING, tolerance, up_to(2.0), 0.25).unwrap(), 0.008_019_111_884_287_174, 1e-12);
    near(producer_risk(BALL_BEARING, tolerance, up_to(2.0), 0.25).unwrap(), 0.017_444_569_229_783_59, 1e-12);
    near(producer_risk(BALL_BEARING, tolerance, tolerance, 0.25).unwrap(), 0.031_309_524_873_309_3, 1e-12);
    let guard = guard_for_consumer_risk(BALL_BEARING, up_to(2.0), 0.25, 0.001).unwrap();
    near(2.0 - guard, 1.671_828_771_555_653_5, 1e-10);
    near(producer_risk(BALL_BEARING, tolerance, up_to(2.0 - guard), 0.25).unwrap(), 0.075_493_876_102_579_32, 1e-10);
}

/// sandialabs/suncal manual notebook 6 (read): a normal process measured by a normal instrument.
#[test]
fn normal_process() {
    let (process, tolerance) = (Prior::Normal { mean: 9.5, sd: 0.3 }, limits(Some(9.0), Some(10.0)));
    near(nonconforming_share(process, tolerance).unwrap(), 0.095_580_704_545_629_4, 1e-13);
    near(consumer_risk(process, tolerance, tolerance, 0.1).unwrap(), 0.018_942_206_717_029_137, 1e-12);
    near(producer_risk(process, tolerance, tolerance, 0.1).unwrap(), 0.037_207_800_178_057_76, 1e-12);
    near(guard_for_consumer_risk(process, tolerance, 0.1, 0.005).unwrap(), 0.092_066_045_485_537_66, 1e-10);
}

/// Deaver (NCSL) pages 7 and 10, as asserted in sandialabs/suncal `test/test_risk.py` (read, to 1e-4 and 1e-3); further
/// digits from scipy and mpmath, outside this crate. Uncertainty is 1/TUR standard deviations of the process, as there.
#[test]
fn published_ratios() {
    for (sl, tur, k, consumer, producer, printed, within) in [
        (2.0, 4.0, 1.0, 0.008_006_084_834_450_092, 0.014_850_884_211_254_894, 0.008, 1e-4),
        (2.5, 4.0, 1.0, 0.002_445_348_712_703_642, 0.005_319_389_091_350_32, 0.0025, 1e-4),
        (2.5, 1.0, 1.0, 0.004_723_566_502_496_656, 0.069_404_107_594_486_15, 0.005, 1e-3),
        (2.0, 2.0, 0.91, 0.008_051_608_545_312_69, 0.066_106_452_159_034_1, 0.008, 5e-4),
    ] {
        let process = Prior::Normal { mean: 0.0, sd: 1.0 };
        let (tolerance, acceptance) = (limits(Some(-sl), Some(sl)), limits(Some(-k * sl), Some(k * sl)));
        let got = consumer_risk(process, tolerance, acceptance, 1.0 / tur).unwrap();
        near(got, consumer, 1e-12);
        near(got, printed, within);
        near(producer_risk(process, tolerance, acceptance, 1.0 / tur).unwrap(), producer, 1e-12);
    }
}

/// The quadrature's points integrate every power that they must, and no more.
#[test]
fn points_of_the_quadrature() {
    let power = |n: i32| gauss_legendre().iter().map(|(x, weight)| weight * x.powi(n)).sum::<f64>();
    for n in 0..=31 {
        near(power(n), if n % 2 == 0 { 2.0 / f64::from(n + 1) } else { 0.0 }, 1e-14);
    }
    assert!((power(32) - 2.0 / 33.0).abs() > 1e-11);
}

/// Down to zero, where a gamma density of a shape that is not whole has no smooth start. With nothing
/// accepted, what is good and rejected is all that is good, which the incomplete gamma function gives another way.
#[test]
fn gamma_priors_near_zero() {
    for shape in [1.0, 1.001, 1.1, 1.5, 2.5, 7.3] {
        let prior = Prior::Gamma { shape, scale: 1.0 };
        let (tolerance, nothing) = (limits(Some(0.0), Some(1.0)), limits(Some(-1.0), Some(-1.0)));
        let good = 1.0 - nonconforming_share(prior, tolerance).unwrap();
        near(producer_risk(prior, tolerance, nothing, 0.1).unwrap(), good, 1e-12);
    }
}

#[test]
fn without_uncertainty_only_the_limits_count() {
    let (process, tolerance) = (Prior::Normal { mean: 0.0, sd: 1.0 }, limits(Some(-2.0), Some(2.0)));
    near(consumer_risk(process, tolerance, tolerance, 0.0).unwrap(), 0.0, 1e-15);
    near(producer_risk(process, tolerance, limits(None, Some(1.0)), 0.0).unwrap(), phi(2.0) - phi(1.0), 1e-14);
    // Everything accepted: every bad part is.
    near(consumer_risk(process, tolerance, limits(None, None), 0.3).unwrap(), 2.0 * phi(-2.0), 1e-14);
    // Nothing accepted: every good one is rejected.
    near(producer_risk(process, tolerance, limits(Some(1.0), Some(1.0)), 0.3).unwrap(), phi(2.0) - phi(-2.0), 1e-14);
    near(guard_for_consumer_risk(process, tolerance, 0.0, 1e-6).unwrap(), 0.0, 0.0);
}

#[test]
fn priors_that_cannot_be_are_refused() {
    let tolerance = limits(Some(1.0), Some(2.0));
    for bad in [
        Prior::Normal { mean: 0.0, sd: 0.0 },
        Prior::Normal { mean: f64::NAN, sd: 1.0 },
        Prior::Normal { mean: 0.0, sd: f64::INFINITY },
        Prior::Gamma { shape: 0.5, scale: 1.0 },
        Prior::Gamma { shape: f64::NAN, scale: 1.0 },
        Prior::Gamma { shape: 4.0, scale: -1.0 },
    ] {
        assert!(consumer_risk(bad, tolerance, tolerance, 0.1).is_err(), "{bad:?}");
        assert!(nonconforming_share(bad, tolerance).is_err(), "{bad:?}");
    }
    for bad in [0.0, 1.0, -0.1, f64::NAN] {
        let refused = guard_for_consumer_risk(BALL_BEARING, tolerance, 0.1, bad);
        assert!(matches!(refused, Err(ConformanceError::Risk { .. })), "{bad}");
    }
    assert_eq!(consumer_risk(BALL_BEARING, limits(None, None), tolerance, 0.1), Err(ConformanceError::NoLimit));
    assert_eq!(consumer_risk(BALL_BEARING, tolerance, limits(Some(2.0), Some(1.0)), 0.1), Err(ConformanceError::NoRange));
    assert!(consumer_risk(BALL_BEARING, tolerance, tolerance, -0.1).is_err());
}

/// The guard bands of the examples above with another unit and another zero: neither may change a guard band but its unit.
#[test]
fn a_guard_band_does_not_turn_on_unit_or_zero() {
    // The ball bearings in thousandths.
    let guard = guard_for_consumer_risk(Prior::Gamma { shape: 4.0, scale: 250.0 }, limits(None, Some(2000.0)), 250.0, 0.001).unwrap();
    near(2000.0 - guard, 1_671.828_771_555_653_5, 1e-7);
    for mean in [9.5, 0.0, 2.0, -2.0] {
        let guard =
            guard_for_consumer_risk(Prior::Normal { mean, sd: 0.3 }, limits(Some(mean - 0.5), Some(mean + 0.5)), 0.1, 0.005).unwrap();
        near(guard, 0.092_066_045_485_537_66, 1e-10);
    }
}

/// Φ(−10) is 7.619853024160527e-24 (erfc(10/√2)/2, by Python): one less what is accepted would be nothing.
#[test]
fn a_small_rejected_share_keeps_its_digits() {
    let case = Case { prior: Standard::Normal, tolerance: (-1.0, 1.0), acceptance: (f64::NEG_INFINITY, 0.0), u: 1.0 };
    near(case.rejected(-10.0), 7.619_853_024_160_527e-24, 1e-35);
}

/// A whole shape has a sum for its distribution: below 0.5 lie 1 − e⁻²(1 + 2 + 2 + 4/3), by hand.
#[test]
fn gamma_priors_from_zero_to_their_ends() {
    let below = 1.0 - (-2.0f64).exp() * (5.0 + 4.0 / 3.0);
    near(nonconforming_share(BALL_BEARING, limits(Some(0.5), None)).unwrap(), below, 1e-14);
    // 45 deviations past the mean, as the head of the module says: of shape 1 that is 46.
    let cuts = Standard::Gamma { shape: 1.0 }.cuts();
    assert_eq!((cuts.first(), cuts.last()), (Some(&0.0), Some(&46.0)));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// What is accepted is good or bad, and what is good is accepted or rejected. A normal value measured with a normal
    /// error is normal with the root of both squares, so the accepted share is known without any quadrature.
    #[test]
    fn risks_add_up(mean in -3.0..3.0f64, sd in 0.01..10.0f64, u in 0.001..10.0f64, guard in -0.5..0.9f64) {
        let prior = Prior::Normal { mean, sd };
        let (tolerance, acceptance) = (limits(Some(-1.0), Some(1.0)), limits(Some(guard - 1.0), Some(1.0 - guard)));
        let wide = sd.hypot(u);
        let accepted = phi_between((guard - 1.0 - mean) / wide, (1.0 - guard - mean) / wide);
        let good = 1.0 - nonconforming_share(prior, tolerance).unwrap();
        let consumer = consumer_risk(prior, tolerance, acceptance, u).unwrap();
        let producer = producer_risk(prior, tolerance, acceptance, u).unwrap();
        prop_assert!((accepted - consumer - (good - producer)).abs() < 1e-12, "{} {}", consumer, producer);
    }

    /// Cut at any place, the pieces of a gamma prior still make up its whole.
    #[test]
    fn gamma_density_makes_up_its_distribution(shape in 1.0..1000.0f64, at in 0.01..3.0f64, scale in 0.001..1000.0f64) {
        let prior = Prior::Gamma { shape, scale };
        let tolerance = limits(None, Some(at * shape * scale));
        let all_bad = consumer_risk(prior, tolerance, limits(None, None), scale).unwrap();
        prop_assert!((all_bad - nonconforming_share(prior, tolerance).unwrap()).abs() < 1e-11, "{}", all_bad);
    }

    #[test]
    fn no_numbers_panic(a in any::<f64>(), b in any::<f64>(), low in any::<f64>(), high in any::<f64>(), u in any::<f64>(), shape in 1.0..1000.0f64) {
        for prior in [Prior::Normal { mean: a, sd: b.abs() }, Prior::Gamma { shape, scale: b.abs() }, Prior::Gamma { shape: a, scale: b }] {
            for tolerance in [limits(Some(low), Some(high)), limits(None, Some(high))] {
                for risk in [consumer_risk(prior, tolerance, tolerance, u.abs()), producer_risk(prior, tolerance, tolerance, u.abs())] {
                    prop_assert!(risk.is_err() || (0.0..=1.0).contains(&risk.unwrap()));
                }
                let guard = guard_for_consumer_risk(prior, tolerance, u.abs(), 0.01);
                prop_assert!(guard.is_err() || guard.unwrap().is_finite());
            }
        }
    }
}
