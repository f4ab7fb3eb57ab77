use std::collections::BTreeSet;

use proptest::prelude::*;

use super::*;

const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;

fn point(at_ms: i64, tenths: i64) -> MeterPoint {
    MeterPoint { at_ms, meter: Hours::from_tenths(tenths), weight: 1, uncertainty_ms: 0 }
}

fn feasible(points: &[MeterPoint]) -> Vec<bool> {
    chain(points, &[]).feasible
}

#[test]
fn a_dropped_point_is_found_and_named() {
    let points = [point(0, 15_000), point(7 * DAY_MS, 15_234), point(14 * DAY_MS, 155_020), point(21 * DAY_MS, 15_800)];
    let found = chain(&points, &[]);
    assert_eq!(found.feasible, [true, true, false, true]);
    let (low, high) = feasible_interval(&found.kept(&points), points[2].at_ms);
    assert_eq!((low.tenths(), high.tenths()), (15_234, 15_800));
    assert_eq!(likely_slip(points[2].meter, low, high), Some((Hours::from_tenths(15_502), Slip::DecimalDropped)));
}

#[test]
fn edges_of_the_rule() {
    assert!(feasible(&[]).is_empty());
    assert_eq!(feasible(&[point(5, 10)]), [true]);
    // Equal times: the same reading, or one tenth apart.
    assert_eq!(feasible(&[point(0, 100), point(0, 100), point(0, 101)]), [true; 3]);
    assert_eq!(feasible(&[point(0, 100), point(0, 100), point(0, 102)]), [true, true, false]);
    // Exactly as fast as the clock, and the tenth that the meter does not show.
    assert_eq!(feasible(&[point(0, 100), point(HOUR_MS, 111)]), [true, true]);
    assert_eq!(feasible(&[point(0, 100), point(HOUR_MS, 112)]), [true, false]);
    // Hours never fall, not by a tenth.
    assert_eq!(feasible(&[point(0, 100), point(HOUR_MS, 99)]), [true, false]);
    // A tie goes to the earlier reading, in whatever order they come.
    assert_eq!(feasible(&[point(HOUR_MS, 99), point(0, 100)]), [false, true]);
    // Weight goes before.
    assert_eq!(feasible(&[point(0, 100), MeterPoint { weight: 2, ..point(HOUR_MS, 99) }]), [false, true]);
    // A clock that may be off by two hours explains a fall within them.
    assert_eq!(feasible(&[point(0, 100), MeterPoint { uncertainty_ms: 2 * HOUR_MS, ..point(HOUR_MS, 99) }]), [true, true]);
}

/// A reading by a clock that knows nothing must not make room for two that contradict each other.
#[test]
fn allowances_do_not_add_up() {
    let lost = MeterPoint { uncertainty_ms: 60 * 365 * DAY_MS, ..point(0, 15_236) };
    let points = [point(700 * DAY_MS, 15_234), point(707 * DAY_MS, 15_300), lost, point(708 * DAY_MS, 153_400)];
    assert_eq!(feasible(&points), [true, true, true, false]);
    let creeping: Vec<MeterPoint> = (0..10).map(|n| point(n, 100 + n)).collect();
    assert_eq!(feasible(&creeping).iter().filter(|kept| **kept).count(), 2);
}

/// 1520 h, and 3.2 h a week later: a new meter. 152.3 h the next day is no new meter: no day has so many hours.
#[test]
fn a_lower_reading_may_be_of_a_new_meter() {
    let hours = |text: &str| text.parse::<Hours>().unwrap();
    let day = 86_400_000;
    assert!(likely_replaced(hours("1520"), 0, hours("3.2"), 7 * day));
    assert!(!likely_replaced(hours("1520"), 0, hours("152.3"), day));
    assert!(!likely_replaced(hours("1520"), 0, hours("1520"), 365 * day), "it has not fallen");
    // A day and the tenth that a meter does not show.
    assert!(likely_replaced(hours("1520"), 0, hours("24.1"), day) && !likely_replaced(hours("1520"), 0, hours("24.2"), day));
    assert!(!likely_replaced(hours("1520"), i64::MAX, hours("3.2"), i64::MIN));
}

/// 4430.0 for 443.0: against one reading alone a rival; against what weighs more than twice as much none.
#[test]
fn what_weighs_nearly_as_much_is_a_rival() {
    let slip = MeterPoint { weight: 2, ..point(0, 44_300) };
    let by = |weight: u32, day: i64, tenths: i64| MeterPoint { weight, ..point(day * DAY_MS, tenths) };
    let rival_of = |points: &[MeterPoint]| rival(points, &chain(points, &[]), &BTreeSet::new());
    let lead = by(4, 1, 4_438);
    assert_eq!(feasible(&[slip, lead]), [false, true]);
    assert_eq!(rival_of(&[slip, lead]), Some(Rival { readings: vec![0], weight: 2, against: 4 }));
    assert_eq!(rival_of(&[slip, lead, by(1, 2, 4_450)]), None, "five to two");
    // The same weight: the earlier is kept, and the later is its rival.
    assert_eq!(rival_of(&[slip, by(2, 1, 4_438)]), Some(Rival { readings: vec![1], weight: 2, against: 2 }));
    let slipped = [by(2, 0, 770), by(2, 1, 7_780), by(2, 2, 778)];
    let by_own = rival(&slipped, &chain(&slipped, &[]), &BTreeSet::from([1]));
    assert!(rival_of(&slipped).is_some() && by_own.is_none(), "read again by the same person");
    // What is contradicted by nothing that counts now rivals nothing.
    let old = [by(1, 0, 100), by(1, 1, 200), by(1, 2, 180), by(1, 9, 300)];
    assert_eq!((feasible(&old), rival_of(&old)), (vec![true, true, false, true], None));
    assert_eq!((rival_of(&[]), rival_of(&[lead])), (None, None));
}

#[test]
fn meter_changes_are_undone() {
    let swap = |day: i64, old, new| MeterSwap { at_ms: day * DAY_MS, old: Hours::from_tenths(old), new: Hours::from_tenths(new) };
    let swaps = [swap(30, 500, 20), swap(10, 15_100, 0), swap(10, 15_100, 0)];
    let points = [point(0, 15_000), point(10 * DAY_MS, 15_100), point(20 * DAY_MS, 200), point(40 * DAY_MS, 120)];
    let found = chain(&points, &swaps);
    assert_eq!(found.engine_hours.iter().map(|h| h.tenths()).collect::<Vec<_>>(), [15_000, 15_100, 15_300, 15_700]);
    assert_eq!(found.feasible, [true; 4]);
    assert_eq!(found.kept(&points)[3].meter.tenths(), 15_700);
    assert_eq!(meter_offset(&swaps, 10 * DAY_MS).tenths(), 0);
    assert_eq!(meter_offset(&swaps, 10 * DAY_MS + 1).tenths(), 15_100);
}

#[test]
fn slips_are_undone() {
    let likely = |entered: &str, low: i64, high: i64| {
        likely_slip(entered.parse().unwrap(), Hours::from_tenths(low), Hours::from_tenths(high)).map(|(h, slip)| (h.to_string(), slip))
    };
    let found = |hours: &str, slip| Some((hours.to_owned(), slip));
    assert_eq!(likely("15234", 15_200, 15_400), found("1523.4", Slip::DecimalDropped));
    assert_eq!(likely("152.3", 15_200, 15_400), found("1523.0", Slip::DecimalAdded));
    assert_eq!(likely("1253.4", 15_200, 15_400), found("1523.4", Slip::DigitsSwapped));
    assert_eq!(likely("15523.4", 15_200, 15_400), found("1523.4", Slip::DigitExtra));
    assert_eq!(likely("123.4", 15_200, 15_400), found("1523.4", Slip::DigitMissing));
    assert_eq!(likely("1523.4", 15_200, 15_400), None);
    assert_eq!(likely("9999.9", 15_200, 15_400), None);
    assert_eq!(likely("5", 15_400, 15_200), None);
    assert_eq!(likely_slip(Hours::from_tenths(-5), Hours::default(), Hours::MOST), None);
    assert_eq!(feasible_interval(&[], 0), (Hours::default(), Hours::MOST));
}

#[test]
fn the_first_of_equal_places_is_the_best() {
    let worth = |weight| Worth { weight, early_ms: 0 };
    let mut best = Best::new(3);
    assert_eq!(best.greatest(3), None);
    best.set(1, worth(2));
    best.set(2, worth(2));
    assert_eq!((best.greatest(1), best.greatest(3)), (None, Some((1, worth(2)))));
    // A stretch of nothing adds nothing; one of a place adds there and where it ends no more.
    best.add(2, 2, worth(5));
    best.add(1, 2, worth(1));
    assert_eq!(best.greatest(3), Some((1, worth(3))));
    best.add(2, 3, worth(2));
    assert_eq!(best.greatest(3), Some((2, worth(4))));
}

/// Counted out by hand, digit by digit.
#[test]
fn slips_at_their_edges() {
    let likely = |entered: &str, low: i64, high: i64| {
        likely_slip(entered.parse().unwrap(), Hours::from_tenths(low), Hours::from_tenths(high)).map(|(h, slip)| (h.to_string(), slip))
    };
    let found = |hours: &str, slip| Some((hours.to_owned(), slip));
    // 15234.5 has a point, so none was left out: of its digits one is too many.
    assert_eq!(likely("15234.5", 15_200, 15_400), found("1523.5", Slip::DigitExtra));
    // A meter that reads nothing may have lost a digit.
    assert_eq!(likely("0", 150, 250), found("20.0", Slip::DigitMissing));
    // Nobody writes 01.5, so 10.5 is not that with two digits swapped; but 0.5 is how half an hour is written.
    assert_eq!(likely("10.5", 10, 20), found("1.5", Slip::DigitExtra));
    assert_eq!(likely("10.5", 4, 6), found("0.5", Slip::DigitExtra));
    let words = ["the decimal point left out", "a decimal point put in", "two digits swapped", "a digit too many", "a digit left out"];
    assert_eq!(Slip::ALL.map(Slip::words), words);
}

/// Hours far beyond any meter still give an interval, and one that holds nothing: `low` over `high`.
#[test]
fn intervals_at_the_ends_of_the_numbers() {
    let asked = |tenths| feasible_interval(&[point(0, tenths)], HOUR_MS);
    assert_eq!(asked(i64::MIN), (Hours::default(), Hours::from_tenths(i64::MIN + 11)));
    assert_eq!(asked(i64::MAX), (Hours::from_tenths(i64::MAX), Hours::MOST));
}

/// Whether two readings fit, said the plain way.
fn fit(one: &MeterPoint, other: &MeterPoint) -> bool {
    let (first, second) = if (one.meter, one.at_ms) <= (other.meter, other.at_ms) { (one, other) } else { (other, one) };
    let risen_ms = (second.meter.tenths() - first.meter.tenths()) * MS_PER_TENTH_HOUR;
    risen_ms <= second.at_ms - first.at_ms + MS_PER_TENTH_HOUR + first.uncertainty_ms + second.uncertainty_ms
}

fn worth(points: &[MeterPoint], kept: impl Fn(usize) -> bool) -> (u64, i64) {
    let latest = points.iter().map(|p| p.at_ms).max().unwrap_or(0);
    let chosen = points.iter().enumerate().filter(|(at, _)| kept(*at));
    chosen.fold((0, 0), |(weight, early), (_, p)| (weight + u64::from(p.weight), early + latest - p.at_ms))
}

fn readings(most: usize) -> impl Strategy<Value = Vec<MeterPoint>> {
    // Small numbers, so that ties, equal times and near misses are common.
    let reading = (0i64..12, 0i64..40, 1u32..4, prop_oneof![3 => Just(0i64), 1 => 0i64..4]);
    prop::collection::vec(reading, 0..=most).prop_map(|all| {
        let point = |(halves, tenths, weight, off)| MeterPoint {
            at_ms: halves * HOUR_MS / 2,
            meter: Hours::from_tenths(tenths),
            weight,
            uncertainty_ms: off * MS_PER_TENTH_HOUR,
        };
        all.into_iter().map(point).collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    #[test]
    fn equals_brute_force(points in readings(10)) {
        let found = chain(&points, &[]);
        let fits_all = |kept: &dyn Fn(usize) -> bool| {
            (0..points.len()).all(|i| (0..i).all(|j| !kept(i) || !kept(j) || fit(&points[i], &points[j])))
        };
        prop_assert!(fits_all(&|at| found.feasible[at]));
        let best = (0u32..1 << points.len()).filter(|set| fits_all(&|at| set >> at & 1 == 1)).map(|set| worth(&points, |at| set >> at & 1 == 1));
        prop_assert_eq!(Some(worth(&points, |at| found.feasible[at])), best.max());
    }

    #[test]
    fn the_order_given_decides_nothing((points, shuffled) in readings(30).prop_flat_map(|p| (Just(p.clone()), Just(p).prop_shuffle()))) {
        let told = |points: &[MeterPoint]| {
            let mut told: Vec<_> = points.iter().zip(feasible(points)).map(|(p, kept)| (p.at_ms, p.meter, p.weight, p.uncertainty_ms, kept)).collect();
            told.sort_unstable();
            told
        };
        prop_assert_eq!(told(&points), told(&shuffled));
    }

    /// Each reading of a chain lies where the others allow, and what the interval allows fits them all.
    #[test]
    fn the_interval_is_what_fits(points in readings(12), at in 0i64..12, tenths in 0i64..60) {
        let kept = chain(&points, &[]).kept(&points);
        let asked = MeterPoint { at_ms: at * HOUR_MS / 2, meter: Hours::from_tenths(tenths), weight: 1, uncertainty_ms: 0 };
        let (low, high) = feasible_interval(&kept, asked.at_ms);
        prop_assert!(low <= high);
        prop_assert_eq!(low <= asked.meter && asked.meter <= high, kept.iter().all(|k| fit(k, &asked)));
    }

    /// A rival is what every set of contradicting readings, tried one by one, has for its heaviest.
    #[test]
    fn the_rival_equals_brute_force(points in readings(9)) {
        let made = chain(&points, &[]);
        let on = |n: &usize| made.feasible[*n];
        let weight = |n: usize| u64::from(points[n].weight.max(1));
        let Some(last) = (0..points.len()).filter(on).max_by_key(|n| (points[*n].at_ms, points[*n].meter)) else { return Ok(()) };
        let off: Vec<usize> = (0..points.len()).filter(|n| !on(n) && !fit(&points[*n], &points[last])).collect();
        let sets = (0u32..1 << off.len()).map(|set| (0..off.len()).filter(|n| set >> n & 1 == 1).map(|n| off[n]).collect::<Vec<_>>());
        let fitting = sets.filter(|set| set.iter().all(|a| set.iter().all(|b| fit(&points[*a], &points[*b]))));
        let heaviest = fitting.map(|set| set.iter().map(|n| weight(*n)).sum::<u64>()).max().unwrap_or_default();
        let all_chain: u64 = (0..points.len()).filter(on).map(weight).sum();
        match rival(&points, &made, &BTreeSet::new()) {
            Some(rival) => {
                prop_assert_eq!(rival.weight, heaviest);
                prop_assert_eq!(rival.weight, rival.readings.iter().map(|n| weight(*n)).sum::<u64>());
                let contradicts = |n: &usize| rival.readings.iter().any(|r| !fit(&points[*n], &points[*r]));
                let against: u64 = (0..points.len()).filter(on).filter(contradicts).map(weight).sum();
                prop_assert_eq!(rival.against, against);
                prop_assert!(against <= 2 * rival.weight && !off.is_empty());
            }
            None => prop_assert!(off.is_empty() || all_chain > 2 * heaviest),
        }
    }

    #[test]
    fn no_reading_panics(all in prop::collection::vec((any::<i64>(), any::<i64>(), any::<u32>(), any::<i64>()), 0..8), at in any::<i64>()) {
        let points: Vec<MeterPoint> = all.iter()
            .map(|(at_ms, tenths, weight, uncertainty_ms)| MeterPoint { at_ms: *at_ms, meter: Hours::from_tenths(*tenths), weight: *weight, uncertainty_ms: *uncertainty_ms })
            .collect();
        let swaps: Vec<MeterSwap> = all.iter()
            .map(|(at_ms, tenths, _, other)| MeterSwap { at_ms: *at_ms, old: Hours::from_tenths(*tenths), new: Hours::from_tenths(*other) })
            .collect();
        let found = chain(&points, &swaps);
        let (low, high) = feasible_interval(&found.kept(&points), at);
        let _ = likely_slip(Hours::from_tenths(at), low, high);
        let _ = likely_slip(Hours::from_tenths(at), Hours::default(), Hours::MOST);
    }
}
