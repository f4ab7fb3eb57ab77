//! Line drawings for lessons, as shapes: whoever shows them puts them on a screen or on paper. Schemes, not to scale: where parts sit on
//! an engine no card says.
//!
//! Lengths are in the drawing's own units, with x to the right and y down, rounded to tenths so that the same angle gives the same text.

use serde::Serialize;

use super::Taught;
use super::cycle::{CYCLE, EXHAUST, INTAKE, Lifts, PLAY, Position};
use super::is_past_the_top;

/// What a shape is of: how it looks is for whoever shows it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Part {
    /// What does not move: cylinder, head, studs.
    Body,
    /// Piston, rod and crank.
    Piston,
    /// Rocker, push rod and cam.
    Train,
    /// A valve.
    Valve,
    /// The clearance, or what is to be looked at.
    Gap,
    /// A leaf.
    Leaf,
    /// A tool, and which way it is held or turned.
    Tool,
}

impl Part {
    /// Its name, for a style.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Body => "body",
            Self::Piston => "piston",
            Self::Train => "train",
            Self::Valve => "valve",
            Self::Gap => "gap",
            Self::Leaf => "leaf",
            Self::Tool => "tool",
        }
    }
}

/// Where a text is held.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Anchor {
    /// It begins there.
    Start,
    /// Its middle is there.
    Middle,
}

/// One shape.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "shape")]
pub enum Shape {
    /// A line through points, closed to a surface or open.
    Path {
        /// What it is of.
        part: Part,
        /// Its points, x and y.
        points: Vec<[f64; 2]>,
        /// The last goes back to the first.
        closed: bool,
    },
    /// A circle.
    Circle {
        /// What it is of.
        part: Part,
        /// Its middle.
        center: [f64; 2],
        /// Its radius.
        radius: f64,
    },
    /// A word or two.
    Text {
        /// Where its base line is held.
        at: [f64; 2],
        /// How it is held.
        anchor: Anchor,
        /// What it says.
        text: String,
    },
}

/// A drawing.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Figure {
    /// Its width.
    pub wide: f64,
    /// Its height.
    pub high: f64,
    /// Its shapes, those in front last.
    pub shapes: Vec<Shape>,
    /// What it shows, for whoever does not see it.
    pub words: String,
}

impl Figure {
    fn new(wide: f64, high: f64, words: String) -> Self {
        Self { wide, high, shapes: Vec::new(), words }
    }

    fn path(&mut self, part: Part, points: &[[f64; 2]], closed: bool) {
        self.shapes.push(Shape::Path { part, points: points.iter().copied().map(tenths).collect(), closed });
    }

    fn line(&mut self, part: Part, from: [f64; 2], to: [f64; 2]) {
        self.path(part, &[from, to], false);
    }

    fn circle(&mut self, part: Part, center: [f64; 2], radius: f64) {
        self.shapes.push(Shape::Circle { part, center: tenths(center), radius: tenth(radius) });
    }

    fn text(&mut self, at: [f64; 2], anchor: Anchor, text: &str) {
        self.shapes.push(Shape::Text { at: tenths(at), anchor, text: text.to_owned() });
    }
}

fn tenth(value: f64) -> f64 {
    // A zero has no sign in a drawing.
    (value * 10.0).round() / 10.0 + 0.0
}

fn tenths([x, y]: [f64; 2]) -> [f64; 2] {
    [tenth(x), tenth(y)]
}

/// The middle of the cylinder.
const MIDDLE: f64 = 130.0;
/// The crank's radius, half the stroke.
const RADIUS: f64 = 27.0;
/// The rod, center to center: as many strokes as in [`super::cycle`].
const ROD: f64 = 94.5;
/// Where the piston's pin is at the top.
const PIN_AT_TOP: f64 = 118.0;
/// How far a cam moves a rocker.
const TRAVEL: f64 = 15.0;
/// The clearance, drawn large: what it takes of that.
const GAP: f64 = PLAY * TRAVEL;
/// Where a rocker turns.
const PIVOT: f64 = 30.0;
/// How far a valve's stem is from the middle, its rocker's pivot, and its push rod.
const OUT: [f64; 3] = [20.0, 52.0, 84.0];
/// Where the cams are.
const CAMS: f64 = 212.0;

/// The engine at an angle of the crank, in degrees from top dead center of compression: piston, crank, cams, push rods, rockers and
/// valves, with the gap where a rocker has play. Of an engine whose card says that it is checked past the top, with compression release.
#[must_use]
pub fn cycle(degrees: f64, of: Taught<'_>) -> Figure {
    let at = Position::at(degrees, of.card.is_some_and(is_past_the_top));
    let mut figure = Figure::new(260.0, 296.0, at.words());
    figure.path(Part::Body, &[[88.0, 176.0], [88.0, 92.0], [172.0, 92.0], [172.0, 176.0]], false);
    let pin = [MIDDLE, PIN_AT_TOP + at.drop * 2.0 * RADIUS];
    let (sine, cosine) = at.degrees.to_radians().sin_cos();
    let shaft = PIN_AT_TOP + ROD + RADIUS;
    let journal = [MIDDLE + RADIUS * sine, shaft - RADIUS * cosine];
    figure.circle(Part::Body, [MIDDLE, shaft], RADIUS);
    figure.path(Part::Piston, &[[91.0, pin[1] - 18.0], [169.0, pin[1] - 18.0], [169.0, pin[1] + 12.0], [91.0, pin[1] + 12.0]], true);
    figure.line(Part::Piston, pin, journal);
    figure.circle(Part::Piston, journal, 5.0);
    for (side, lifts, lift, name) in [(-1.0, INTAKE, at.intake, "intake"), (1.0, EXHAUST, at.exhaust, "exhaust")] {
        valve(&mut figure, side, lift);
        cam(&mut figure, side, lifts, at.degrees);
        figure.text([MIDDLE + side * OUT[2], 14.0], Anchor::Middle, name);
    }
    figure.text([MIDDLE, 288.0], Anchor::Middle, &angle_words(if degrees.abs() <= CYCLE { degrees } else { at.degrees }));
    figure
}

/// Where the crank is, in a few words.
fn angle_words(degrees: f64) -> String {
    let from = degrees.round();
    if from.abs() < 0.5 {
        "top dead center, compression".to_owned()
    } else if from < 0.0 {
        format!("{}° before it", -from)
    } else {
        format!("{from}° after it")
    }
}

/// One valve with its rocker, push rod and gap; `side` is -1 on the left and 1 on the right.
fn valve(figure: &mut Figure, side: f64, lift: f64) {
    let [stem, pivot, rod] = OUT.map(|out| MIDDLE + side * out);
    // The rocker takes up the gap before it opens the valve.
    let travel = lift * TRAVEL;
    let open = (travel - GAP).max(0.0);
    let stem_top = PIVOT + 6.0 + GAP + open;
    figure.line(Part::Valve, [stem, stem_top], [stem, 90.0 + open]);
    figure.line(Part::Valve, [stem - 11.0, 92.0 + open], [stem + 11.0, 92.0 + open]);
    let tip = PIVOT + 6.0 + travel;
    let end = PIVOT + 2.0 - travel;
    figure.path(Part::Train, &[[stem, tip], [pivot, PIVOT - 4.0], [rod, end], [pivot, PIVOT + 4.0]], true);
    figure.circle(Part::Body, [pivot, PIVOT], 3.5);
    figure.line(Part::Train, [rod, end], [rod, CAMS - 12.0 - travel]);
    if travel < GAP {
        figure.line(Part::Gap, [stem - 8.0, f64::midpoint(tip, stem_top)], [stem + 8.0, f64::midpoint(tip, stem_top)]);
    }
}

/// The cam below a push rod: it turns half as fast as the crank, and its nose is up where the valve is fully open.
fn cam(figure: &mut Figure, side: f64, lifts: Lifts, degrees: f64) {
    let center = [MIDDLE + side * OUT[2], CAMS];
    figure.circle(Part::Train, center, 11.0);
    let turned = (degrees - lifts.middle()).to_radians() / 2.0;
    let on = |angle: f64, far: f64| [center[0] + far * angle.sin(), center[1] - far * angle.cos()];
    figure.path(Part::Train, &[on(turned - 0.9, 11.0), on(turned, 11.0 + TRAVEL * 0.8), on(turned + 0.9, 11.0)], false);
}

/// A leaf in the gap between rocker and stem.
#[must_use]
pub fn leaf() -> Figure {
    let mut figure = Figure::new(
        260.0,
        150.0,
        "A feeler leaf lies flat and straight between the rocker's face and the end of the valve's stem.".to_owned(),
    );
    figure.path(Part::Train, &[[150.0, 52.0], [120.0, 62.0], [96.0, 62.0], [40.0, 28.0], [52.0, 14.0], [110.0, 34.0], [150.0, 40.0]], true);
    figure.path(Part::Valve, &[[98.0, 72.0], [122.0, 72.0], [122.0, 140.0], [98.0, 140.0]], true);
    figure.path(Part::Leaf, &[[70.0, 65.0], [232.0, 65.0], [232.0, 69.0], [70.0, 69.0]], true);
    figure.path(Part::Tool, &[[214.0, 92.0], [190.0, 92.0], [198.0, 86.0], [190.0, 92.0], [198.0, 98.0]], false);
    figure.text([34.0, 52.0], Anchor::Middle, "rocker");
    figure.text([56.0, 112.0], Anchor::Start, "stem");
    figure.text([196.0, 58.0], Anchor::Middle, "leaf");
    figure.text([204.0, 112.0], Anchor::Middle, "flat, straight");
    figure
}

/// An adjuster held back while its nut is tightened, with the leaf left in the gap.
#[must_use]
pub fn lock_nut() -> Figure {
    let words = "One tool holds the adjuster still while a second one tightens the lock nut. The leaf stays in the gap.";
    let mut figure = Figure::new(260.0, 170.0, words.to_owned());
    // The nut from above, a hexagon, with the adjuster's slot in its middle.
    let hexagon: Vec<[f64; 2]> =
        (0..6).map(|n| f64::from(n) * std::f64::consts::FRAC_PI_3).map(|a| [70.0 + 30.0 * a.cos(), 84.0 + 30.0 * a.sin()]).collect();
    figure.path(Part::Train, &hexagon, true);
    figure.circle(Part::Body, [70.0, 84.0], 14.0);
    figure.line(Part::Tool, [60.0, 84.0], [80.0, 84.0]);
    // Which way the nut goes, and that the slot stays.
    let arc: Vec<[f64; 2]> =
        (0..=8).map(|n| -2.4 + f64::from(n) * 0.2).map(|a: f64| [70.0 + 44.0 * a.cos(), 84.0 + 44.0 * a.sin()]).collect();
    figure.path(Part::Tool, &arc, false);
    if let Some([x, y]) = arc.last().copied() {
        figure.path(Part::Tool, &[[x - 10.0, y - 2.0], [x, y], [x - 2.0, y - 10.0]], false);
    }
    figure.text([70.0, 22.0], Anchor::Middle, "the nut turns");
    figure.text([70.0, 148.0], Anchor::Middle, "the adjuster stays");
    // The same from the side.
    figure.path(Part::Train, &[[158.0, 70.0], [240.0, 84.0], [240.0, 96.0], [158.0, 84.0]], true);
    figure.path(Part::Train, &[[170.0, 54.0], [196.0, 54.0], [196.0, 70.0], [170.0, 70.0]], true);
    figure.path(Part::Body, &[[178.0, 36.0], [188.0, 36.0], [188.0, 54.0], [178.0, 54.0]], true);
    figure.path(Part::Valve, &[[222.0, 104.0], [236.0, 104.0], [236.0, 150.0], [222.0, 150.0]], true);
    figure.path(Part::Leaf, &[[196.0, 98.5], [258.0, 98.5], [258.0, 101.5], [196.0, 101.5]], true);
    figure.text([183.0, 28.0], Anchor::Middle, "hold");
    figure.text([204.0, 66.0], Anchor::Start, "nut");
    figure.text([190.0, 118.0], Anchor::Middle, "leaf in");
    figure
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Every point of a shape.
    fn points(figure: &Figure) -> Vec<[f64; 2]> {
        figure
            .shapes
            .iter()
            .flat_map(|shape| match shape {
                Shape::Path { points, .. } => points.clone(),
                Shape::Circle { center: [x, y], radius, .. } => vec![[x - radius, y - radius], [x + radius, y + radius]],
                Shape::Text { at, .. } => vec![*at],
            })
            .collect()
    }

    fn inside(figure: &Figure) -> bool {
        points(figure).iter().all(|[x, y]| (0.0..=figure.wide).contains(x) && (0.0..=figure.high).contains(y))
    }

    proptest! {
        /// Whatever the angle, all of it is on the drawing, the rod keeps its length and the crank its radius.
        #[test]
        fn all_is_on_the_drawing_and_no_part_changes_its_length(degrees in -2000.0..2000.0_f64) {
            let figure = cycle(degrees, Taught::default());
            prop_assert!(inside(&figure));
            let rods: Vec<f64> = figure.shapes.iter().filter_map(|shape| match shape {
                Shape::Path { part: Part::Piston, points, closed: false } => Some((points[0][0] - points[1][0]).hypot(points[0][1] - points[1][1])),
                _ => None,
            }).collect();
            prop_assert!(rods.len() == 1 && (rods[0] - ROD).abs() < 0.2, "{rods:?}");
        }

        /// A gap is drawn just where a rocker has play.
        #[test]
        fn a_gap_is_drawn_where_a_rocker_has_play(degrees in 0.0..720.0_f64) {
            let gaps = |figure: &Figure| figure.shapes.iter().filter(|shape| matches!(shape, Shape::Path { part: Part::Gap, .. })).count();
            let at = Position::at(degrees, false);
            let free = [at.intake, at.exhaust].into_iter().filter(|lift| *lift * TRAVEL < GAP).count();
            prop_assert_eq!(gaps(&cycle(degrees, Taught::default())), free);
            if at.both_shut() { prop_assert_eq!(free, 2); }
        }
    }

    #[test]
    fn the_other_drawings_are_whole() {
        for figure in [leaf(), lock_nut()] {
            assert!(inside(&figure) && !figure.words.is_empty());
        }
    }
}
