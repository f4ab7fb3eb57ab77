//! The block of readings, and what holds for every study.

use super::*;

fn reading(part: &str, person: &str, go: Option<i64>, no_go: Option<i64>) -> RepeatReading {
    let bracket = Bracket::new(go.map(Length::from_thou), no_go.map(Length::from_thou)).unwrap();
    RepeatReading { part: part.to_owned(), person: person.to_owned(), bracket }
}

#[test]
fn the_complete_block_is_kept_and_the_rest_is_named() {
    let mut readings = Vec::new();
    for (at, part) in (0..).zip(["1I", "1E", "2I"]) {
        for person in ["Ada", " Bo "] {
            readings.push(reading(part, person, Some(4 + at), Some(5 + at)));
            readings.push(reading(part, person, Some(3 + at), Some(5 + at)));
        }
    }
    readings.insert(0, reading("1I", "Ada", None, Some(5)));
    readings.push(reading("1E", "Ada", Some(9), Some(20)));
    readings.push(reading("1I", "Cy", Some(4), Some(5)));
    readings.push(reading("2E", "Ada", Some(4), Some(5)));
    let crossed = Study::from_readings(&readings).unwrap();
    assert_eq!((crossed.parts.join(" "), crossed.people.join(" ")), ("1E 1I 2I".to_owned(), "Ada Bo".to_owned()));
    assert_eq!(crossed.study.trials(), 2);
    // 4 to 5 and 3 to 5 thou have their middles at 1143 and 1016 tenths of a µm.
    let middles = |thou: f64| vec![1143.0 + 254.0 * thou, 1016.0 + 254.0 * thou];
    let expected = Study::new([1.0, 0.0, 2.0].map(|at| vec![middles(at); 2]).to_vec()).unwrap();
    assert_eq!(crossed.study, expected);
    assert_eq!(crossed.widest, Length::from_thou(2));
    let out = |part: &str, person: &str, why| LeftOut { part: part.to_owned(), person: person.to_owned(), readings: 1, why };
    assert_eq!(
        crossed.left_out,
        [
            out("1E", "Ada", LeftOutWhy::FurtherTrial),
            out("1I", "Ada", LeftOutWhy::OpenBracket),
            out("1I", "Cy", LeftOutWhy::NotCrossed),
            out("2E", "Ada", LeftOutWhy::NotCrossed),
        ]
    );
    let spread = average_and_range(&crossed.study).unwrap().spread;
    assert_eq!(
        crossed.words(&spread, LengthUnit::Thou),
        "2 people, 3 parts, 2 trials each. Left out: 1 with only one leaf. Left out: 2 of parts or people that not all have in common. \
         Left out: 1 beyond the trials that all have. The leaves step by up to 2 thou, which alone hides a spread of 0.58 thou; the \
         repeatability found, 0.44 thou, is below that. Finer leaves, or stacks, would show more."
    );
    // Repeatability above what the leaves hide is not blamed on them.
    let coarse = Spread { ev: 2000.0, ..spread };
    assert!(!crossed.words(&coarse, LengthUnit::Mm).contains("leaves step"));
}

/// A published bracket: 0.004 to 0.005 in has its middle at 0.1143 mm (computed for the project by a second program).
#[test]
fn no_block_is_said() {
    let error = Study::from_readings(&[reading("1I", "Ada", Some(4), Some(5)), reading("1I", "Bo", Some(4), None)]).unwrap_err();
    assert_eq!(error, AgreementError::NotCrossed { closed: 1, open: 1 });
    assert!(error.to_string().ends_with("1 closed and 1 open readings make no study"));
    assert_eq!(Study::from_readings(&[]), Err(AgreementError::NotCrossed { closed: 0, open: 0 }));
}

#[test]
fn more_people_than_are_searched_leave_the_least_read_out() {
    let mut readings = Vec::new();
    for person in 0..=MOST_SEARCHED_PEOPLE {
        for part in ["1I", "1E"] {
            for _ in 0..if person == 4 { 2 } else { 3 } {
                readings.push(reading(part, &format!("person {person:02}"), Some(4), Some(5)));
            }
        }
    }
    let crossed = Study::from_readings(&readings).unwrap();
    assert_eq!((crossed.study.people(), crossed.study.trials()), (MOST_SEARCHED_PEOPLE, 3));
    assert!(crossed.left_out.iter().all(|left| left.person == "person 04" && left.why == LeftOutWhy::NotCrossed));
}

/// The most that rounding leaves is 1e-12 of the greatest reading, whatever its sign.
#[test]
fn rounding_goes_with_the_greatest_reading() {
    let study = Study::new(vec![vec![vec![-2000.0, 3.0], vec![1.0, 2.0]]; 2]).unwrap();
    near(study.rounding(), 2e-9, 1e-12);
    // Four ranges alike but for their last bits, against a limit of once their mean: none lies apart from the rest.
    let by = average_and_range_with(&hand(), Constants { k1: 1.0, k2: 1.0, k3: 1.0, d4: 1.0 }).unwrap();
    assert_eq!(by.wide, []);
}

#[test]
fn grades_at_their_limits() {
    let spread = average_and_range(&published()).unwrap().spread;
    let grade = |percent_grr| Spread { percent_grr, ..spread }.judged(None).grade;
    let grades = [9.99, 10.0, 30.0, 30.01].map(grade);
    assert_eq!(grades, [Grade::Good, Grade::Usable, Grade::Usable, Grade::NotGoodEnough]);
}

/// Four valves set alike to 5 thou, read as 5.0 ± 0.1: measuring with a deviation of 0.1 against 0.05 of the valves. By hand: of the
/// whole spread it is 0.1/√(0.1² + 0.05²) = 89.4 %, "not good enough"; of a tolerance of 2 thou 6·0.1/2 = 30 %, "usable".
#[test]
fn valves_set_alike_are_held_against_the_tolerance() {
    let alike = Spread::of(Method::Anova, 0.1, 0.0, 0.0, 0.05).unwrap();
    assert_eq!((alike.judged(None).grade, alike.judged(None).percent_of_tolerance), (Grade::NotGoodEnough, None));
    let judged = alike.judged(Some(2.0));
    assert_eq!((judged.basis, judged.grade), (Basis::Tolerance, Grade::Usable));
    near(judged.percent_of_tolerance.unwrap(), 30.0, 1e-9);
    assert_eq!(
        alike.words(Some(2.0)),
        "By analysis of variance, six times the measuring's spread is 30.0 % of the tolerance: usable for some work, worth bettering (10 \
         to 30 %). The tolerance was used, since these valves are set alike; of their whole spread the measuring makes 89.4 %. Most of \
         it is the same person reading otherwise the next time: look at the leaves and the feel of the drag. The limits are common \
         guidance, from memory."
    );
    // Valves that differ by more than the tolerance are told apart by the whole spread: 6·0.34 is over 2, 6·0.33 is not.
    let with = |pv| Spread::of(Method::Anova, 0.1, 0.0, 0.0, pv).unwrap();
    assert_eq!((with(0.33).judged(Some(2.0)).basis, with(0.34).judged(Some(2.0)).basis), (Basis::Tolerance, Basis::WholeSpread));
    assert!(with(2.0).words(Some(2.0)).contains("The whole spread was used, since these valves differ; of the tolerance, it is 30.0 %."));
    assert_eq!(alike.judged(Some(0.0)).percent_of_tolerance, None);
}

/// Parts and people add up exactly: without interaction and repeats p counts as 1, which pools unless 1 is asked for.
/// People who see two parts the other way round, without repeats: p counts as 0, which never pools.
#[test]
fn pooling_at_its_ends() {
    let adding = Study::new(vec![vec![vec![0.1; 2], vec![0.3; 2]], vec![vec![0.7; 2], vec![0.9; 2]]]).unwrap();
    assert_eq!(anova(&adding, 0.25).unwrap().pooled, Some(Line { ss: 0.0, df: 5, ms: 0.0 }));
    let never = anova(&adding, 1.0).unwrap();
    // Nothing is not below nothing: it is not held at 0.
    assert_eq!((never.pooled, never.var_interaction), (None, Component { variance: 0.0, clamped: false }));
    let crossed = Study::new(vec![vec![vec![1.1; 2], vec![2.1; 2]], vec![vec![2.1; 2], vec![1.1; 2]]]).unwrap();
    assert_eq!(anova(&crossed, 0.0).unwrap().pooled, None);
}

/// Each named person reads each of the parts so often, with 4 to 5 thou.
fn read(people: &[&str], parts: &[&str], times: usize) -> Vec<RepeatReading> {
    let cells = people.iter().flat_map(|person| parts.iter().map(move |part| (*part, *person)));
    cells.flat_map(|(part, person)| vec![reading(part, person, Some(4), Some(5)); times]).collect()
}

/// The sizes are counted by hand: people × parts × trials.
#[test]
fn the_block_of_most_readings_is_taken() {
    let taken = |readings: &[RepeatReading]| {
        let crossed = Study::from_readings(readings).unwrap();
        (crossed.people.join(" "), crossed.parts.join(" "), crossed.study.trials())
    };
    let block = |people: &str, parts: &str, trials| (people.to_owned(), parts.to_owned(), trials);
    // 2 × 6 × 2 = 24 before 2 × 2 × 5 = 20.
    let mut readings = read(&["Ada", "Bo"], &["1", "2"], 5);
    readings.extend(read(&["Ada", "Bo"], &["3", "4", "5", "6"], 2));
    assert_eq!(taken(&readings), block("Ada Bo", "1 2 3 4 5 6", 2));
    // 3 × 2 × 2 and 2 × 3 × 2 are both 12: the more people.
    let mut readings = read(&["Ada", "Bo", "Cy"], &["1", "2"], 2);
    readings.extend(read(&["Ada", "Bo"], &["3"], 2));
    assert_eq!(taken(&readings), block("Ada Bo Cy", "1 2", 2));
    // Two blocks of 2 × 2 × 2 = 8: the names that come first.
    let mut readings = read(&["Bo", "Cy"], &["1", "2"], 2);
    readings.extend(read(&["Ada", "Bo"], &["3", "4"], 2));
    assert_eq!(taken(&readings), block("Ada Bo", "3 4", 2));
}

#[test]
fn nothing_left_out_is_not_said() {
    let crossed = Study::from_readings(&read(&["Ada", "Bo"], &["1", "2"], 2)).unwrap();
    // A thou wide hides 254/√12; a repeatability of just that is not below it.
    let spread = Spread { ev: 254.0 / 12f64.sqrt(), ..average_and_range(&published()).unwrap().spread };
    assert_eq!(crossed.words(&spread, LengthUnit::Thou), "2 people, 2 parts, 2 trials each.");
}

fn studies() -> impl Strategy<Value = Vec<Vec<Vec<f64>>>> {
    (2usize..6, 2usize..4, 2usize..4).prop_flat_map(|(parts, people, trials)| {
        let reading = prop_oneof![-5.0f64..5.0, (0i32..4).prop_map(f64::from)];
        let of_person = prop::collection::vec(reading, trials);
        prop::collection::vec(prop::collection::vec(of_person, people), parts)
    })
}

fn both(readings: Vec<Vec<Vec<f64>>>) -> Vec<Spread> {
    let study = Study::new(readings).unwrap();
    [average_and_range(&study).map(|by| by.spread), anova(&study, 0.25).map(|by| by.spread)].into_iter().flatten().collect()
}

proptest! {
    /// The sums of squares add up, and the squares of the shares make the whole.
    #[test]
    fn everything_adds_up(readings in studies(), alpha in 0.0f64..=1.0) {
        if let Ok(by) = anova(&Study::new(readings.clone()).unwrap(), alpha) {
            let sum = by.part.ss + by.person.ss + by.interaction.ss + by.repeat.ss;
            prop_assert!((sum - by.total.ss).abs() <= 1e-9 * by.total.ss);
            prop_assert_eq!(by.part.df + by.person.df + by.interaction.df + by.repeat.df, by.total.df);
            prop_assert!(by.interaction_test.is_none_or(|test| by.pooled.is_some() == (test.p > alpha)));
        }
        for spread in both(readings) {
            prop_assert!((spread.percent_grr.powi(2) + spread.percent_pv.powi(2) - 1e4).abs() < 1e-6);
            prop_assert!([spread.ev, spread.av, spread.interaction, spread.pv].iter().all(|s| *s >= 0.0 && s.is_finite()));
            prop_assert!(spread.words(None).ends_with('.'));
        }
    }

    /// Another unit, another zero or another order of parts and people changes no share.
    #[test]
    fn shares_do_not_turn_on_unit_zero_or_order(readings in studies(), factor in 0.01f64..100.0, zero in -50.0f64..50.0) {
        let mut other: Vec<Vec<Vec<f64>>> = readings.clone();
        other.iter_mut().flatten().flatten().for_each(|reading| *reading = zero + factor * *reading);
        other.reverse();
        other.iter_mut().for_each(|people| people.rotate_left(1));
        let (before, after) = (both(readings), both(other));
        prop_assert_eq!(before.len(), after.len());
        for (a, b) in before.iter().zip(&after) {
            prop_assert!((a.percent_grr.powi(2) - b.percent_grr.powi(2)).abs() < 1e-4, "{:?} {:?}", a, b);
            prop_assert!((a.percent_ev - b.percent_ev).abs() < 1e-4);
        }
    }

    /// Any numbers and any shape: an answer or an error, finite, never a panic.
    #[test]
    fn nothing_panics(readings in prop::collection::vec(prop::collection::vec(prop::collection::vec(any::<f64>(), 0..4), 0..4), 0..4), wild in studies(), scale in prop::sample::select(vec![1e-300, 1e-9, 1e11])) {
        let scaled = wild.into_iter().map(|p| p.into_iter().map(|t| t.into_iter().map(|r| r * scale).collect()).collect()).collect();
        for study in [Study::new(readings), Study::new(scaled)].into_iter().flatten() {
            for spread in [average_and_range(&study).map(|by| by.spread), anova(&study, 0.25).map(|by| by.spread)].into_iter().flatten() {
                prop_assert!(spread.tv > 0.0 && spread.percent_grr.is_finite());
            }
        }
    }

    /// The block is complete, and with what was left out it is everything that was given.
    #[test]
    fn nothing_is_lost(given in prop::collection::vec((0u8..4, 0u8..4, 1i64..6, any::<(bool, bool)>()), 0..60)) {
        let readings: Vec<RepeatReading> = given
            .iter()
            .map(|(part, person, go, (a, b))| reading(&part.to_string(), &person.to_string(), Some(*go), (*a || *b).then_some(go + 1)))
            .collect();
        match Study::from_readings(&readings) {
            Ok(crossed) => {
                let kept = crossed.study.parts() * crossed.study.people() * crossed.study.trials();
                prop_assert_eq!(kept + crossed.left_out.iter().map(|left| left.readings).sum::<usize>(), readings.len());
                prop_assert_eq!((crossed.parts.len(), crossed.people.len()), (crossed.study.parts(), crossed.study.people()));
            }
            Err(AgreementError::NotCrossed { closed, open }) => prop_assert_eq!(closed + open, readings.len()),
            Err(other) => prop_assert!(false, "{}", other),
        }
    }
}
