use super::*;
use crate::engine_card::Range;
use crate::ids::CardId;
use crate::length::Length;

fn card() -> EngineCard {
    let range = Range { low: Length::from_thou(4), high: Length::from_thou(6), aim: Some(Length::from_thou(5)) };
    EngineCard::plain(CardId::from_bytes([1; 16]), "Invented", 1, range, range)
}

#[test]
fn a_lesson_is_asked_for_by_its_name_or_a_short_one() {
    for lesson in Lesson::ALL {
        assert_eq!(lesson.name().parse(), Ok(lesson));
    }
    assert_eq!(" TDC ".parse(), Ok(Lesson::TopDeadCenter));
    assert!("brakes".parse::<Lesson>().unwrap_err().to_string().contains("top-dead-center, leaf or lock-nut"));
}

#[test]
fn no_engine_is_told_what_only_another_has() {
    let mut diesel = card();
    diesel.ignition = Some(Ignition::Compression);
    let mut released = card();
    released.past_tdc = Some(Length::from_tenth_um(63_500));
    let of = |card: Option<&EngineCard>, point| Lesson::TopDeadCenter.points(Taught { card }).contains(&point);
    for (card, probe, mark, past) in [
        (None, true, false, false),
        (Some(&card()), true, false, false),
        (Some(&diesel), false, true, false),
        (Some(&released), true, false, true),
    ] {
        assert_eq!((of(card, Point::SoftProbe), of(card, Point::FlywheelMark), of(card, Point::PastTheTop)), (probe, mark, past));
    }
    let told = Lesson::TopDeadCenter.words(Taught { card: Some(&released) }, LengthUnit::Thou);
    assert!(told.iter().any(|point| point.what.contains("until the piston is .250 in down")), "{told:?}");
    released.past_tdc = None;
    released.past_tdc_tenth_deg = Some(125);
    let told = Lesson::TopDeadCenter.words(Taught { card: Some(&released) }, LengthUnit::Mm);
    assert!(told.iter().any(|point| point.what.contains("12.5° of the crank past the top")), "{told:?}");
}

/// The trade's own order: exhaust, intake, up, and both rockers loose before a leaf is tried; locked, turned over, read again.
#[test]
fn the_order_is_that_of_the_work() {
    let first_last = |lesson: Lesson| {
        let points = lesson.points(Taught::default());
        (points[0], points[points.len() - 1])
    };
    assert_eq!(first_last(Lesson::TopDeadCenter), (Point::ExhaustFirst, Point::BothRockersLoose));
    assert_eq!(first_last(Lesson::LockNut), (Point::JustLoose, Point::TurnOverAndRead));
}

#[test]
fn nothing_taught_names_a_default_torque_or_clearance() {
    for lesson in Lesson::ALL {
        for point in lesson.words(Taught::default(), LengthUnit::Thou) {
            let all = format!("{} {} {}", point.what, point.why, point.otherwise);
            assert!(!all.chars().any(|c| c.is_ascii_digit()), "a figure that no card gave: {all}");
            assert!(!all.contains("  "), "{all}");
        }
    }
}
