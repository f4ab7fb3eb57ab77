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
        (M6, Rocker::ValveScrew, "0.05mm", 18.0),
        (M6, Rocker::PushRodScrew, "0.05mm", 13.846_154),
        (M6, Rocker::StudPivot, "0.05mm", 7.826_087),
        (QUARTER_28, Rocker::ValveScrew, "0.05mm", 19.842_520),
        (QUARTER_28, Rocker::PushRodScrew, "0.05mm", 15.263_477),
        (QUARTER_28, Rocker::StudPivot, "0.05mm", 8.627_182),
        (M6, Rocker::ValveScrew, "0.001in", 9.144),
        (M6, Rocker::StudPivot, "0.001in", 3.975_652),
        (QUARTER_28, Rocker::ValveScrew, "0.001in", 10.08),
        (QUARTER_28, Rocker::StudPivot, "0.001in", 4.382_609),
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
    assert!((lash_per_turn(&adjuster(QUARTER_28, Rocker::StudPivot)) / 6.0 - 3477.38).abs() < 5e-3);
}

#[test]
fn what_cannot_be_turned_is_said() {
    let zero_pitch = adjuster(Thread::PitchUm(0), Rocker::ValveScrew);
    let zero_count = adjuster(Thread::PerInch(0), Rocker::ValveScrew);
    let zero_ratio = Adjuster { ratio_milli: 0, ..adjuster(M6, Rocker::StudPivot) };
    for (bad, error) in [(zero_pitch, AdjusterError::NoPitch), (zero_count, AdjusterError::NoPitch), (zero_ratio, AdjusterError::NoRatio)] {
        assert_eq!(turn(&bad, length("0.05mm")), Err(error));
        assert_eq!(lash_per_turn(&bad).to_bits(), 0);
    }
    assert_eq!(
        turn(&adjuster(M6, Rocker::ValveScrew), length("30mm")).unwrap_err().to_string(),
        "a change of 30.00 mm is over 10 turns of this adjuster: check the reading and the engine card"
    );
}

#[test]
fn turns_to_the_aim_and_the_lock_nut() {
    let adjuster = adjuster(M6, Rocker::ValveScrew);
    let thou = Length::from_thou;
    let aimed = Range { low: thou(4), high: thou(6), aim: Some(thou(5)) };
    // From 7.5 thou, the middle of 7 to 8, to 5: 2.5 × 9.144°.
    let loose = Bracket::new(Some(thou(7)), Some(thou(8))).unwrap();
    assert_eq!(
        to_aim(&adjuster, &loose, &aimed),
        Some(Turn { degrees_milli: 22_860, sixths_hundredth: 38, closes: true, right_hand: Way::Clockwise })
    );
    let tight = Bracket::new(Some(thou(2)), Some(thou(3))).unwrap();
    let opened = to_aim(&adjuster, &tight, &aimed).unwrap();
    assert_eq!(
        opened.words(),
        "about 23° looser (0.38 of a flat), counter-clockwise on a right-hand thread; then lock, turn the engine over twice and recheck"
    );
    assert_eq!(to_aim(&adjuster, &Bracket::new(Some(thou(7)), None).unwrap(), &aimed), None);
    let unaimed = Range { aim: None, ..aimed };
    assert_eq!(to_aim(&adjuster, &loose, &unaimed), to_aim(&adjuster, &loose, &aimed));

    let carry = carry_tolerated(&adjuster, &aimed).unwrap();
    assert_eq!(carry, Turn { degrees_milli: 9144, sixths_hundredth: 15, closes: true, right_hand: Way::Clockwise });
    assert_eq!(carry.carry_words(), "The lock nut may carry the adjuster about 9° (0.15 of a flat) before the range is lost.");
    let high = carry_tolerated(&adjuster, &Range { aim: Some(Length::from_tenth_um(1500)), ..aimed }).unwrap();
    assert!(!high.closes && high.degrees_milli == -864);
    assert_eq!(high.carry_words(), "The lock nut may carry the adjuster less than 1° (0.01 of a flat) before the range is lost.");
    for outside in [thou(3), thou(7)] {
        assert_eq!(carry_tolerated(&adjuster, &Range { aim: Some(outside), ..aimed }), Err(AdjusterError::NoRange));
    }
    assert!(!turn(&adjuster, Length::ZERO).unwrap().closes, "no turn closes nothing");
}

#[test]
fn words_for_every_size() {
    let turned = |text: &str, sign: i64| {
        let change = Length::from_tenth_um(sign * length(text).tenth_um());
        turn(&adjuster(M6, Rocker::ValveScrew), change).unwrap().words()
    };
    assert!(turned("0.028mm", -1).starts_with("about 10° tighter (0.17 of a flat), clockwise on a right-hand thread; then lock"));
    assert!(turned("0.001mm", 1).starts_with("less than 1° looser (0.01 of a flat)"));
    assert!(turned("1.4mm", -1).starts_with("about 1 turn and 144° tighter (8.40 flats)"));
    assert_eq!(turned("0mm", 1), "no turn: it is where it is wanted");
}

/// A millimetre a turn: 10 mm are the ten turns that are taken, a tenth of a µm more is too far.
#[test]
fn turns_at_their_edges() {
    let adjuster = adjuster(M6, Rocker::ValveScrew);
    let turned = turn(&adjuster, Length::ZERO.minus(length("10mm"))).unwrap();
    assert!(turned.words().starts_with("about 10 turns and 0° tighter (60.00 flats)"), "{}", turned.words());
    assert!(turn(&adjuster, Length::from_tenth_um(100_001)).is_err());
    // A sixth of a turn is a flat, and no longer a part of one.
    let flat = Turn { degrees_milli: 60_000, sixths_hundredth: 100, closes: true, right_hand: Way::Clockwise };
    assert!(flat.words().starts_with("about 60° tighter (1.00 flats)"), "{}", flat.words());
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
        let rocker = [Rocker::StudPivot, Rocker::PushRodScrew, Rocker::ValveScrew][at];
        let adjuster = Adjuster { thread, rocker, ratio_milli };
        match turn(&adjuster, Length::from_tenth_um(change)) {
            Ok(turn) => {
                prop_assert_eq!(turn.closes, change < 0);
                prop_assert!(turn.degrees_milli == 0 || (turn.degrees_milli > 0) == turn.closes);
                prop_assert!(turn.degrees_milli.abs() <= MOST_TURNS * 360_000);
                prop_assert!(!turn.words().is_empty());
            }
            Err(refused) => prop_assert!(!refused.to_string().is_empty()),
        }
    }
}
