//! Teaching the steps of a check: how top dead center of the compression stroke is found, how a leaf is felt, how an adjuster is
//! locked. Each point says what is done, why, and what goes wrong otherwise; [`cycle`] and [`figure`] draw what moves.
//!
//! Common practice of the trade, no source, but where one stands beside a figure. It guides work, so it is shown with the cautions
//! and with [`crate::caution::DEFERENCE`]: the engine maker's manual comes first.

pub mod cycle;
pub mod figure;

use serde::Serialize;

use crate::engine_card::{EngineCard, Ignition};
use crate::length::LengthUnit;

/// What can be taught.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Lesson {
    /// Bringing the piston to top dead center of the compression stroke.
    TopDeadCenter,
    /// Feeling a clearance with leaves.
    Leaf,
    /// Setting an adjuster and locking its nut.
    LockNut,
}

/// A text that names no lesson.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{given}\" is not taught here: top-dead-center, leaf or lock-nut")]
pub struct LessonError {
    /// What was given.
    pub given: String,
}

/// One point of a lesson.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Point {
    /// Find the exhaust stroke by its rocker.
    ExhaustFirst,
    /// Then the intake stroke, to its end.
    IntakeCloses,
    /// A soft probe on the piston, through the plug hole.
    SoftProbe,
    /// Of a diesel: no plug hole, so the flywheel's mark.
    FlywheelMark,
    /// The middle between two equal heights.
    SplitTheDifference,
    /// As far past it as the card says.
    PastTheTop,
    /// Both rockers loose.
    BothRockersLoose,
    /// Leaf and rocker clean.
    CleanLeaf,
    /// Straight and flat into the gap.
    FlatAndStraight,
    /// What goes with light drag feels like.
    LightDrag,
    /// The next one does not enter.
    NextOneStops,
    /// The nut just loose.
    JustLoose,
    /// The leaf hangs in the gap.
    LeafStaysIn,
    /// Hold against the nut.
    HoldBack,
    /// It moved all the same.
    BackOff,
    /// The manual's torque.
    ManualsTorque,
    /// Turn over, and read again.
    TurnOverAndRead,
}

/// Of what engine a lesson speaks, as far as its points differ.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Taught<'a> {
    /// The engine's card, where there is one.
    pub card: Option<&'a EngineCard>,
}

/// A point in words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct PointWords {
    /// Which.
    pub point: Point,
    /// What is done.
    pub what: String,
    /// Why.
    pub why: &'static str,
    /// What goes wrong otherwise.
    pub otherwise: &'static str,
}

impl Lesson {
    /// Every lesson, in the order of the work.
    pub const ALL: [Self; 3] = [Self::TopDeadCenter, Self::Leaf, Self::LockNut];

    /// Its name, as one asks for it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::TopDeadCenter => "top-dead-center",
            Self::Leaf => "leaf",
            Self::LockNut => "lock-nut",
        }
    }

    /// Its title.
    #[must_use]
    pub const fn title(self) -> &'static str {
        match self {
            Self::TopDeadCenter => "Finding top dead center of the compression stroke",
            Self::Leaf => "Feeling a clearance",
            Self::LockNut => "Setting and locking an adjuster",
        }
    }

    /// Its points for an engine, in the order of the work.
    #[must_use]
    pub fn points(self, of: Taught<'_>) -> Vec<Point> {
        use Point::{
            BackOff, BothRockersLoose, CleanLeaf, ExhaustFirst, FlatAndStraight, FlywheelMark, HoldBack, IntakeCloses, JustLoose,
            LeafStaysIn, LightDrag, ManualsTorque, NextOneStops, PastTheTop, SoftProbe, SplitTheDifference, TurnOverAndRead,
        };
        let all: &[Point] = match self {
            Self::TopDeadCenter => &[ExhaustFirst, IntakeCloses, SoftProbe, FlywheelMark, SplitTheDifference, PastTheTop, BothRockersLoose],
            Self::Leaf => &[CleanLeaf, FlatAndStraight, LightDrag, NextOneStops],
            Self::LockNut => &[JustLoose, LeafStaysIn, HoldBack, BackOff, ManualsTorque, TurnOverAndRead],
        };
        let diesel = of.card.and_then(|card| card.ignition) == Some(Ignition::Compression);
        let past = of.card.is_some_and(is_past_the_top);
        let is_for = |point: &Point| match point {
            SoftProbe => !diesel,
            FlywheelMark => diesel,
            PastTheTop => past,
            _ => true,
        };
        all.iter().copied().filter(is_for).collect()
    }

    /// Its points in words.
    #[must_use]
    pub fn words(self, of: Taught<'_>, unit: LengthUnit) -> Vec<PointWords> {
        let points = self.points(of);
        points
            .into_iter()
            .map(|point| PointWords { point, what: point.what(of, unit), why: point.why(), otherwise: point.otherwise() })
            .collect()
    }
}

impl std::str::FromStr for Lesson {
    type Err = LessonError;

    fn from_str(text: &str) -> Result<Self, LessonError> {
        let given = text.trim().to_ascii_lowercase();
        let named = Self::ALL.into_iter().find(|lesson| lesson.name() == given);
        let short = match given.as_str() {
            "tdc" => Some(Self::TopDeadCenter),
            "nut" | "locking" => Some(Self::LockNut),
            "leaves" | "drag" => Some(Self::Leaf),
            _ => None,
        };
        named.or(short).ok_or_else(|| LessonError { given: text.to_owned() })
    }
}

/// Whether an engine is checked past top dead center.
pub(crate) fn is_past_the_top(card: &EngineCard) -> bool {
    card.past_tdc.is_some_and(|far| far > crate::length::Length::ZERO) || card.past_tdc_tenth_deg.is_some_and(|far| far > 0)
}

impl Point {
    /// What is done.
    #[must_use]
    pub fn what(self, of: Taught<'_>, unit: LengthUnit) -> String {
        match self {
            Self::ExhaustFirst => {
                "Turn the engine slowly by hand in its running direction and watch this cylinder's two rockers. The exhaust rocker presses \
                 its valve open and lets it come back."
            }
            Self::IntakeCloses => {
                "Turn on. The intake rocker presses its valve open; go on until it has come back and stands still. The piston now comes up on \
                 the compression stroke."
            }
            Self::SoftProbe => {
                "Hold a soft straw or a strip of plastic in the plug hole, loosely and upright, so that the piston lifts it. Turn slowly, \
                 until it stops rising."
            }
            Self::FlywheelMark => {
                "A diesel has no plug hole to look in: bring the maker's mark for top dead center on the flywheel to its pointer, on the turn \
                 on which the intake has just closed."
            }
            Self::SplitTheDifference => {
                "Mark the flywheel where the piston is a little down before the top, and again where it is just as far down after it. Top \
                 dead center is half way between the two marks."
            }
            Self::PastTheTop => return past_words(of.card, unit),
            Self::BothRockersLoose => "Feel both rockers of the cylinder between finger and thumb: each has a little play.",
            Self::CleanLeaf => "Wipe the leaf, the stem's end and the rocker's face with a clean cloth.",
            Self::FlatAndStraight => "Slide the leaf in flat and straight, from the side on which it need not bend.",
            Self::LightDrag => {
                "Move it a little to and fro. The right one goes with a light drag, as a sheet of paper does that is drawn from under a book's \
                 cover: you feel it, and it neither falls through nor is pushed."
            }
            Self::NextOneStops => "Try the next thicker leaf: it must not enter. Write down the thickest that enters and the thinnest that does not.",
            Self::JustLoose => "Hold the adjuster still with one tool, and loosen its lock nut with the other, no further than it needs to turn.",
            Self::LeafStaysIn => {
                "Put the leaf of the clearance that you aim for in the gap and leave it hanging there. Turn the adjuster until the leaf drags \
                 lightly."
            }
            Self::HoldBack => "Hold the adjuster where it is, against the nut, for as long as the nut is tightened. Look at the adjuster, not at the nut.",
            Self::BackOff => {
                "Pull at the leaf. If it is gripped or has come loose, the nut took the adjuster along: loosen it, put the adjuster back by as \
                 much, and lock again."
            }
            Self::ManualsTorque => "Tighten the nut as the engine's manual says, and no further.",
            Self::TurnOverAndRead => "Turn the engine over twice by hand, come back to the same place, and read both valves again.",
        }
        .to_owned()
    }

    /// Why.
    #[must_use]
    pub const fn why(self) -> &'static str {
        match self {
            Self::ExhaustFirst => {
                "In two turns of the crank the piston is at the top twice. Only the rockers tell which of the two is coming."
            }
            Self::IntakeCloses => {
                "From here until after the top both valves are shut, and both cams stand with their round backs to the lifters."
            }
            Self::SoftProbe => "It shows the piston coming up, and gives way where a hand is too quick.",
            Self::FlywheelMark => "The mark is at the top of both turns: the rockers say which.",
            Self::SplitTheDifference => {
                "Near the top the piston hardly moves while the crank goes on some degrees, so the highest place itself cannot be felt."
            }
            Self::PastTheTop => {
                "Compression release holds a valve a little open near the top, to make starting easier: a gap read there is none."
            }
            Self::BothRockersLoose => "Play in both means that no cam lifts either. It is the last look before a leaf is tried.",
            Self::CleanLeaf => "Oil and soot are as thick as what you want to know: a thou is about a third of a hair.",
            Self::FlatAndStraight => "A leaf that is bent or tilted is as thick as its bend.",
            Self::LightDrag => "So the hand does the same on every valve, and two people agree.",
            Self::NextOneStops => "One leaf tells one side alone: the clearance is at least what enters, and less than what does not.",
            Self::JustLoose => "A nut that is far off its seat lets the adjuster tip, and the gap is another once it is tight.",
            Self::LeafStaysIn => "It stays as a feeler: what the nut does to the gap is felt at once.",
            Self::HoldBack => "The nut's thread drags the adjuster along while it is tightened.",
            Self::BackOff => "What counts is the clearance with the nut tight. How far it is carried is much the same each time.",
            Self::ManualsTorque => "A nut that is too loose comes undone; one too tight draws the stud out of the head.",
            Self::TurnOverAndRead => "Turning seats rocker, push rod and lifter. What is read then counts, not what was set.",
        }
    }

    /// What goes wrong otherwise.
    #[must_use]
    pub const fn otherwise(self) -> &'static str {
        match self {
            Self::ExhaustFirst => {
                "At the other top both rockers move at once: the exhaust is closing while the intake opens. Whoever sets a valve there sets it \
                 loose by as much as the cam lifts."
            }
            Self::IntakeCloses => "Stopped too early, the cam still presses, and a valve that is right reads tight.",
            Self::SoftProbe => {
                "A hard probe, or one that is jammed in, scores the wall or breaks off in the cylinder. Never with the starter, and never \
                 let go of it."
            }
            Self::FlywheelMark => "On the wrong turn the mark is right and the valves are not.",
            Self::SplitTheDifference => {
                "Guessed, it is easily ten degrees off, and on some engines the release or the cam already lifts there."
            }
            Self::PastTheTop => "Set at the top, the valve that is held open is set loose by what holds it.",
            Self::BothRockersLoose => {
                "If one has none, the stroke may be the wrong one: turn once round and look again. If it still has none, that valve is tight."
            }
            Self::CleanLeaf => "The valve reads tighter than it is, is set loose, ticks and loses power.",
            Self::FlatAndStraight => {
                "It enters less than it would, and the valve is set loose. So it is with a worn hollow in the rocker, which a leaf bridges: the real gap is wider."
            }
            Self::LightDrag => {
                "Pushed through, a leaf lifts the valve off its seat: the reading is too wide. Falling through, it is too thin."
            }
            Self::NextOneStops => "Without the second leaf nobody can say that the valve is not far looser.",
            Self::JustLoose => "The setting is lost before it begins.",
            Self::LeafStaysIn => "Taken out, the leaf tells nothing of what the nut does.",
            Self::HoldBack => "The clearance closes, or opens, by a thou and more after it was right.",
            Self::BackOff => "The valve is left where the nut put it.",
            Self::ManualsTorque => "A loose nut lets the adjuster back out: the push rod is thrown, and head and cover can be wrecked.",
            Self::TurnOverAndRead => "A setting that moved stays unseen until the engine ticks, or burns a valve.",
        }
    }
}

/// How far past the top the card says.
fn past_words(card: Option<&EngineCard>, unit: LengthUnit) -> String {
    let piston = card.and_then(|card| card.past_tdc).map(|far| format!("until the piston is {} down from the top", far.show_way(unit)));
    let crank = || card.and_then(|card| card.past_tdc_tenth_deg).map(|far| format!("{}° of the crank past the top", f64::from(far) / 10.0));
    let far = piston.or_else(crank).unwrap_or_else(|| "as far past the top as the manual says".to_owned());
    format!("This engine is checked past the top: turn on in its running direction, {far}. Its card says so.")
}

#[cfg(test)]
mod tests;
