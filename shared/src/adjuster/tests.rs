use proptest::prelude::*;

use super::*;
use crate::length::LengthUnit;

const M6: Thread = Thread::PitchUm(1000);
const QUARTER_28: Thread = Thread::PerInch(28);

fn adjuster(thread: Thread, rocker: Rocker) -> Adjuster {
    Adjuster { thread, rocker, ratio_milli: 1300 }
}

fn length(text: &str) -> Length {
    crate::entry::labelled(text, LengthUnit::Mm, &crate::sensible::ANY_LENGTH).unwrap().length
}

/// Computed outside this crate, checked there against a rigid-body model; pitches from public thread tables.
#[test]
fn degrees_agree_with_the_check_table() {
    for (thread, rocker, close, degrees) in [
        (M6, Rocker::ValveEndScrew, "0.05mm", 18.0),
        (M6, Rocker::PushRodEndScrew, "0.05mm", 13.846_154),
        (M6, Rocker::RockerStudNut, "0.05mm", 7.826_087),
        (QUARTER_28, Rocker::ValveEndScrew, "0.05mm", 19.842_520),
        (QUARTER_28, Rocker::PushRodEndScrew, "0.05mm", 15.263_477),
        (QUARTER_28, Rocker::RockerStudNut, "0.05mm", 8.627_182),
        (M6, Rocker::ValveEndScrew, "0.001in", 9.144),
        (M6, Rocker::RockerStudNut, "0.001in", 3.975_652),
        (QUARTER_28, Rocker::ValveEndScrew, "0.001in", 10.08),
        (QUARTER_28, Rocker::RockerStudNut, "0.001in", 4.382_609),
    ] {
        let adjuster = adjuster(thread, rocker);
        let change = length(close);
        let exact = 360.0 * change.mm() * 10_000.0 / lash_per_turn(&adjuster);
        assert!((exact - degrees).abs() < 5e-7, "{thread:?} {rocker:?} {close}: {exact}");
        let tightened = turn(&adjuster, Length::ZERO.minus(change)).unwrap();
        assert!(tightened.closes);
        assert!((tightened.degrees_milli as f64 - degrees * 1000.0).abs() <= 0.5 + 1e-6);
        let loosened = turn(&adjuster, change).unwrap();
        assert!(!loosened.closes);
        assert_eq!(loosened.degrees_milli, -tightened.degrees_milli);
    }
}

#[test]
fn pitches_and_a_flat() {
    for (thread, nm) in [(M6, 1e6), (Thread::PerInch(32), 793_750.0), (Thread::PerInch(20), 1_270_000.0), (Thread::PerInch(0), 0.0)] {
        assert!((pitch_nm(thread) - nm).abs() < 1e-6, "{thread:?}");
    }
    // One flat of a 1/4-28 pivot nut at R 1.3 moves 0.347738 mm.
    assert!((lash_per_turn(&adjuster(QUARTER_28, Rocker::RockerStudNut)) / 6.0 - 3477.38).abs() < 5e-3);
}

#[test]
fn what_cannot_be_turned_is_said() {
    let zero_pitch = adjuster(Thread::PitchUm(0), Rocker::ValveEndScrew);
    let zero_count = adjuster(Thread::PerInch(0), Rocker::ValveEndScrew);
    let zero_ratio = Adjuster { ratio_milli: 0, ..adjuster(M6, Rocker::RockerStudNut) };
    for (bad, error) in [(zero_pitch, AdjusterError::NoPitch), (zero_count, AdjusterError::NoPitch), (zero_ratio, AdjusterError::NoRatio)] {
        assert_eq!(turn(&bad, length("0.05mm")), Err(error));
        assert_eq!(lash_per_turn(&bad).to_bits(), 0);
    }
    assert_eq!(
        turn(&adjuster(M6, Rocker::ValveEndScrew), length("30mm")).unwrap_err().to_string(),
        "a change of 30.00 mm is over 10 turns of this adjuster: check the reading and the engine card"
    );
}

#[test]
fn turns_to_the_aim_and_the_lock_nut() {
    let adjuster = adjuster(M6, Rocker::ValveEndScrew);
    let thou = Length::from_thou;
    let aimed = Range { low: thou(4), high: thou(6), aim: Some(thou(5)) };
    // From 7 and from 8 thou to 5: 2 and 3 times 9.144°.
    let loose = Bracket::new(Some(thou(7)), Some(thou(8))).unwrap();
    let least = Turn { degrees_milli: 18_288, sixths_hundredth: 30, closes: true, right_hand: Way::Clockwise };
    let most = Turn { degrees_milli: 27_432, sixths_hundredth: 46, closes: true, right_hand: Way::Clockwise };
    assert_eq!(to_aim(&adjuster, &loose, &aimed), Some(TurnRange { least, most }));
    let tight = Bracket::new(Some(thou(2)), Some(thou(3))).unwrap();
    assert_eq!(
        to_aim(&adjuster, &tight, &aimed).unwrap().words(),
        "Turn the adjuster 18° to 28° looser (a quarter flat to half a flat), counter-clockwise on a right-hand thread. Begin with the \
         least and feel for the aim as you turn; then lock, turn the engine over twice and recheck."
    );
    // One leaf tells no range, and leaves on both sides of the aim not even the way.
    for open in [(Some(7), None), (None, Some(3)), (Some(4), Some(6))] {
        let open = Bracket::new(open.0.map(thou), open.1.map(thou)).unwrap();
        assert_eq!(to_aim(&adjuster, &open, &aimed), None, "{open:?}");
    }
    // A leaf that is the aim itself: from nothing at all.
    let from_aim = to_aim(&adjuster, &Bracket::new(Some(thou(5)), Some(thou(7))).unwrap(), &aimed).unwrap();
    assert_eq!((from_aim.least.degrees_milli, from_aim.most.degrees_milli), (0, 18_288));
    let below = to_aim(&adjuster, &Bracket::new(Some(thou(3)), Some(thou(5))).unwrap(), &aimed).unwrap();
    assert_eq!((below.least.degrees_milli, below.most.degrees_milli), (0, -18_288));
    let unaimed = Range { aim: None, ..aimed };
    assert_eq!(to_aim(&adjuster, &loose, &unaimed), to_aim(&adjuster, &loose, &aimed));

    let carry = carry_tolerated(&adjuster, &aimed).unwrap();
    assert_eq!(carry, Turn { degrees_milli: 9144, sixths_hundredth: 15, closes: true, right_hand: Way::Clockwise });
    assert_eq!(carry.carry_words(), "The lock nut may drag the adjuster up to 9° (an eighth of a flat) before the range is lost.");
    let high = carry_tolerated(&adjuster, &Range { aim: Some(Length::from_tenth_um(1500)), ..aimed }).unwrap();
    assert!(!high.closes && high.degrees_milli == -864);
    assert_eq!(high.carry_words(), "The lock nut may not drag the adjuster at all: the range is lost within 1°.");
    // One degree, to the thousandth, is a drag that can be allowed; less is none.
    for (degrees_milli, said) in [(999, "may not drag the adjuster at all"), (1000, "may drag the adjuster up to 1° (less than an eighth")]
    {
        let carry = Turn { degrees_milli, sixths_hundredth: 1, closes: true, right_hand: Way::Clockwise };
        assert!(carry.carry_words().contains(said), "{degrees_milli}: {}", carry.carry_words());
    }
    for outside in [thou(3), thou(7)] {
        assert_eq!(carry_tolerated(&adjuster, &Range { aim: Some(outside), ..aimed }), Err(AdjusterError::NoRange));
    }
    assert!(!turn(&adjuster, Length::ZERO).unwrap().closes, "no turn closes nothing");
}

/// 9.4 thou, felt with leaves of 6.5 and 10 only, on a 1/4-28 screw at the push-rod end: 7.754° a thou. To an aim of 5.25 it takes
/// 4.15 · 7.754 = 32.2°. The middle of the leaves, 8.25, would have said 23°.
#[test]
fn a_coarse_bracket_gives_a_range_that_holds_the_truth() {
    let adjuster = adjuster(QUARTER_28, Rocker::PushRodEndScrew);
    let thou = |hundredths: i64| Length::from_tenth_um(hundredths * 254 / 100);
    let range = Range { low: thou(400), high: thou(650), aim: None };
    let coarse = Bracket::new(Some(thou(650)), Some(thou(1000))).unwrap();
    let advice = to_aim(&adjuster, &coarse, &range).unwrap();
    let right = turn(&adjuster, Length::from_tenth_um(thou(525).tenth_um() - thou(940).tenth_um())).unwrap();
    assert!((right.degrees_milli - 32_200).abs() < 50, "{right:?}");
    assert!(advice.least.degrees_milli < 10_000 && advice.most.degrees_milli > 36_000, "{advice:?}");
    assert!(advice.words().starts_with("Turn the adjuster 9° to 37° tighter"), "{}", advice.words());
}

#[test]
fn words_for_every_size() {
    let turned = |text: &str, sign: i64| {
        let change = Length::from_tenth_um(sign * length(text).tenth_um());
        let turn = turn(&adjuster(M6, Rocker::ValveEndScrew), change).unwrap();
        TurnRange { least: turn, most: turn }.words()
    };
    // 10.08°: the least is rounded down, the most up.
    assert!(turned("0.028mm", -1).starts_with("Turn the adjuster 10° to 11° tighter (about an eighth of a flat), clockwise"));
    assert!(turned("0.001mm", 1).contains("less than 1° to 1° looser (less than an eighth of a flat)"));
    assert!(turned("1.4mm", -1).contains("1 turn and 144° tighter (about 8 3/8 flats)"), "{}", turned("1.4mm", -1));
    for (hundredths, said) in [
        (6, "less than an eighth of a flat"),
        (7, "an eighth of a flat"),
        (26, "a quarter flat"),
        (38, "three eighths of a flat"),
        (50, "half a flat"),
        (62, "five eighths of a flat"),
        (-75, "three quarters of a flat"),
        (88, "seven eighths of a flat"),
        (100, "1 flat"),
        (212, "2 1/8 flats"),
        (600, "6 flats"),
    ] {
        assert_eq!(flats(hundredths, nearest), said, "{hundredths}");
    }
}

/// A millimetre a turn: 10 mm are the ten turns that are taken, a tenth of a µm more is too far.
#[test]
fn turns_at_their_edges() {
    let adjuster = adjuster(M6, Rocker::ValveEndScrew);
    let turned = turn(&adjuster, Length::ZERO.minus(length("10mm"))).unwrap();
    assert_eq!((turned.degrees_milli, turned.sixths_hundredth), (3_600_000, 6000));
    assert!(turn(&adjuster, Length::from_tenth_um(100_001)).is_err());
    // Nothing to turn is no turn to the right: its way is that of what does not close.
    let none = turn(&adjuster, Length::ZERO).unwrap();
    assert_eq!((none.closes, none.right_hand), (false, Way::right_hand(false)));
    // An aim at an end of the range leaves no carry, and is no wrong aim.
    let thou = Length::from_thou;
    for aim in [thou(4), thou(6)] {
        let range = Range { low: thou(4), high: thou(6), aim: Some(aim) };
        assert_eq!(carry_tolerated(&adjuster, &range).map(|turn| turn.degrees_milli), Ok(0));
    }
}

proptest! {
    #[test]
    fn nothing_panics_and_signs_agree(size in any::<u32>(), inch in any::<bool>(), at in 0usize..3, ratio_milli in any::<u32>(), change in any::<i64>()) {
        let thread = if inch { Thread::PerInch(size) } else { Thread::PitchUm(size) };
        let rocker = [Rocker::RockerStudNut, Rocker::PushRodEndScrew, Rocker::ValveEndScrew][at];
        let adjuster = Adjuster { thread, rocker, ratio_milli };
        match turn(&adjuster, Length::from_tenth_um(change)) {
            Ok(turn) => {
                prop_assert_eq!(turn.closes, change < 0);
                prop_assert_eq!(turn.right_hand, Way::right_hand(turn.closes));
                prop_assert!(turn.degrees_milli == 0 || (turn.degrees_milli > 0) == turn.closes);
                prop_assert!(turn.degrees_milli.abs() <= MOST_TURNS * 360_000);
                prop_assert!(!turn.carry_words().is_empty());
            }
            Err(refused) => prop_assert!(!refused.to_string().is_empty()),
        }
    }
}
