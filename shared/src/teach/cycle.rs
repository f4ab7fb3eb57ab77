//! What moves at which angle of the crank: piston, intake and exhaust over the two turns of a four-stroke.
//!
//! Angles are in degrees of the crank from top dead center of the compression stroke, rising in the direction of running; the same
//! again after 720. The piston follows [`crate::crank`]. When the valves open and close is an ordinary small engine's timing, a value
//! from memory: it is for drawing and teaching alone, and nothing is judged or reckoned by it.

use serde::Serialize;

use crate::crank::Crank;
use crate::length::Length;

/// Two turns of the crank.
pub const CYCLE: f64 = 720.0;
/// The share of a cam's lift that only takes up the clearance, drawn large: below it the valve is shut.
pub const PLAY: f64 = 0.15;
/// Within so many degrees of the top the piston is at the top to the eye.
const AT_THE_TOP: f64 = 4.0;

/// From where to where a cam lifts its valve, degrees after top dead center of compression.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lifts {
    /// The valve begins to open.
    pub opens: f64,
    /// It is shut again.
    pub shuts: f64,
}

/// The exhaust: from 60° before the bottom to 50° after the top of the exhaust stroke. From memory, for drawing: real engines overlap less,
/// and it would not be seen.
pub const EXHAUST: Lifts = Lifts { opens: 120.0, shuts: 410.0 };
/// The intake: from 50° before the top to 60° after the bottom of the intake stroke. From memory, for drawing.
pub const INTAKE: Lifts = Lifts { opens: 310.0, shuts: 600.0 };
/// Compression release: a bump on the exhaust's cam that lifts it a little near the top. From memory, for drawing.
pub const RELEASE: Lifts = Lifts { opens: 670.0, shuts: 745.0 };
/// How far the release lifts, of the whole lift.
const RELEASE_LIFT: f64 = 0.35;

/// One of the four strokes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stroke {
    /// The burnt gas drives the piston down.
    Power,
    /// It is pushed out.
    Exhaust,
    /// Fresh charge is drawn in.
    Intake,
    /// It is pressed together.
    Compression,
}

/// Where everything is at an angle of the crank.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Position {
    /// The angle, 0 to below 720.
    pub degrees: f64,
    /// Which stroke.
    pub stroke: Stroke,
    /// How far the piston is below the top, 0 to 1 of the stroke.
    pub drop: f64,
    /// How far the intake is open, 0 to 1 of its lift.
    pub intake: f64,
    /// How far the exhaust is open, 0 to 1 of its lift.
    pub exhaust: f64,
}

impl Lifts {
    /// How far a cam lifts at an angle, 0 to 1: a raised cosine, smooth at both ends. Real cams are fuller.
    #[must_use]
    pub fn at(self, degrees: f64) -> f64 {
        let since = (degrees - self.opens).rem_euclid(CYCLE);
        let whole = self.shuts - self.opens;
        if since >= whole { 0.0 } else { f64::midpoint(1.0, -(std::f64::consts::TAU * since / whole).cos()) }
    }

    /// The angle at which it is fully open.
    #[must_use]
    pub const fn middle(self) -> f64 {
        f64::midpoint(self.opens, self.shuts)
    }
}

impl Position {
    /// Where everything is, in an engine whose compression release lifts the exhaust near the top, or that has none. An angle that is no
    /// finite number is 0.
    #[must_use]
    pub fn at(degrees: f64, release: bool) -> Self {
        let degrees = if degrees.is_finite() { degrees.rem_euclid(CYCLE) % CYCLE } else { 0.0 };
        let stroke = match degrees {
            d if d < 180.0 => Stroke::Power,
            d if d < 360.0 => Stroke::Exhaust,
            d if d < 540.0 => Stroke::Intake,
            _ => Stroke::Compression,
        };
        let released = if release { RELEASE_LIFT * RELEASE.at(degrees) } else { 0.0 };
        Self { degrees, stroke, drop: drop_of(degrees), intake: INTAKE.at(degrees), exhaust: EXHAUST.at(degrees).max(released) }
    }

    /// Whether both valves are shut.
    #[must_use]
    pub fn both_shut(&self) -> bool {
        self.intake < PLAY && self.exhaust < PLAY
    }

    /// What one sees: the stroke, where the piston is, and which rocker moves.
    #[must_use]
    pub fn words(&self) -> String {
        let near = |at: f64| (self.degrees - at).rem_euclid(CYCLE).min((at - self.degrees).rem_euclid(CYCLE)) <= AT_THE_TOP;
        let rockers = match (self.intake >= PLAY, self.exhaust >= PLAY) {
            (false, false) => "Both valves are shut: both rockers have play.",
            (true, false) => "The intake rocker presses its valve open.",
            (false, true) => "The exhaust rocker presses its valve open.",
            (true, true) => "Both rockers press: the exhaust is closing while the intake opens.",
        };
        if near(0.0) {
            let place = "Top dead center of the compression stroke, the place to check.";
            return if self.both_shut() {
                format!("{place} {rockers}")
            } else {
                format!("Top dead center of the compression stroke. {rockers}")
            };
        }
        if near(360.0) {
            return format!("Top dead center between exhaust and intake: the wrong one. {rockers}");
        }
        let stroke = match self.stroke {
            Stroke::Power => "Power stroke, the piston goes down.",
            Stroke::Exhaust => "Exhaust stroke, the piston comes up.",
            Stroke::Intake => "Intake stroke, the piston goes down.",
            Stroke::Compression => "Compression stroke, the piston comes up.",
        };
        format!("{stroke} {rockers}")
    }
}

/// The piston's drop as a share of the stroke, of a rod of 1.75 strokes: a common proportion, from memory, for drawing.
fn drop_of(degrees: f64) -> f64 {
    let stroke = Length::from_tenth_um(1_000_000);
    let drawn = Crank::new(stroke, Length::from_tenth_um(1_750_000)).and_then(|crank| crank.drop_at(degrees));
    drawn.map_or(0.0, |drop| drop / 1_000_000.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Every angle of two turns, and any other number: shares stay shares, and two turns later all is the same.
        #[test]
        fn all_stays_within_its_travel(degrees in proptest::num::f64::ANY, release: bool) {
            let at = Position::at(degrees, release);
            for share in [at.drop, at.intake, at.exhaust] {
                prop_assert!((0.0..=1.0).contains(&share), "{at:?}");
            }
            prop_assert!((0.0..CYCLE).contains(&at.degrees));
            prop_assert!(!at.words().is_empty());
        }

        /// A pushed-over angle is drawn a little further: nothing jumps.
        #[test]
        fn nothing_jumps(degrees in 0.0..CYCLE, release: bool) {
            let (here, next) = (Position::at(degrees, release), Position::at(degrees + 0.5, release));
            for (before, after) in [(here.drop, next.drop), (here.intake, next.intake), (here.exhaust, next.exhaust)] {
                prop_assert!((before - after).abs() < 0.01, "{here:?} {next:?}");
            }
        }
    }

    /// What the trade says of the two tops (common practice, no source): at the one of compression both rockers have play, at the other
    /// both move.
    #[test]
    fn the_two_tops_are_told_apart_by_their_rockers() {
        let (right, wrong) = (Position::at(0.0, false), Position::at(360.0, false));
        assert!(right.both_shut() && right.drop < 1e-9 && right.words().contains("the place to check"));
        assert!(wrong.intake >= PLAY && wrong.exhaust >= PLAY && wrong.drop < 1e-9 && wrong.words().contains("the wrong one"));
        let released = Position::at(0.0, true);
        assert!(!released.both_shut() && !released.words().contains("the place to check"));
        assert!(Position::at(30.0, true).both_shut(), "past the release both are shut");
    }

    /// Exhaust up and back, intake down and closed, and only then the top: the order in which the trade finds it.
    #[test]
    fn exhaust_comes_before_intake_and_intake_before_the_top() {
        let seen: Vec<(bool, bool)> =
            (180..720).map(|d| Position::at(f64::from(d), false)).map(|at| (at.exhaust >= PLAY, at.intake >= PLAY)).collect();
        let mut order = seen.clone();
        order.dedup();
        assert_eq!(order, [(true, false), (true, true), (false, true), (false, false)]);
        assert!(seen.iter().rev().take(100).all(|moves| *moves == (false, false)), "the last hundred degrees before the top both are shut");
    }

    #[test]
    fn the_camshaft_turns_half_as_fast_so_each_valve_opens_once() {
        for lifts in [EXHAUST, INTAKE] {
            assert!((lifts.at(lifts.middle()) - 1.0).abs() < 1e-12);
            assert!(lifts.at(lifts.opens - 0.01) < 1e-6 && lifts.at(lifts.shuts + 0.01) < 1e-6);
        }
    }
}
