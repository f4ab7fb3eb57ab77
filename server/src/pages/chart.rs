//! Small charts as SVG: a bracket against its range, and a valve's clearance over engine hours.
//!
//! The mapping from quantities to pixels is here alone. Every chart has a title and a description in words, and stands
//! beside a table with the same facts. Marks differ in shape, never in colour alone.

use maud::{Markup, html};
use shared::bracket::Bracket;
use shared::engine_card::Range;
use shared::length::{Length, LengthUnit};
use shared::record::Stage;
use shared::text::count;
use sync_core::queries::reckon::{CoursePoint, LashCourse};

/// Part of what is shown that is left free at either end, in percent.
const MARGIN_PERCENT: i64 = 12;

/// A straight mapping from a quantity to pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Scale {
    from: i64,
    to: i64,
    start_px: f64,
    end_px: f64,
}

impl Scale {
    /// The scale that shows all of these with some room beside them; `None` where there are none.
    fn over(values: impl IntoIterator<Item = i64>, start_px: f64, end_px: f64) -> Option<Self> {
        let (mut least, mut most) = (i64::MAX, i64::MIN);
        for value in values {
            (least, most) = (least.min(value), most.max(value));
        }
        if least > most {
            return None;
        }
        let room = (most.saturating_sub(least) / 100).saturating_mul(MARGIN_PERCENT).max(10);
        Some(Self { from: least.saturating_sub(room), to: most.saturating_add(room), start_px, end_px })
    }

    /// Where a quantity is drawn: at the edge where it lies beyond it.
    #[expect(clippy::cast_precision_loss, reason = "what is drawn is far below 2^52, and a pixel is coarser still")]
    fn px(self, value: i64) -> f64 {
        let part = (value.saturating_sub(self.from)) as f64 / (self.to.saturating_sub(self.from)).max(1) as f64;
        self.start_px + part.clamp(0.0, 1.0) * (self.end_px - self.start_px)
    }
}

/// A pixel as SVG writes it: a tenth is finer than any screen.
fn at(px: f64) -> String {
    format!("{px:.1}")
}

fn edges(bracket: &Bracket) -> impl Iterator<Item = i64> {
    [bracket.go(), bracket.no_go()].into_iter().flatten().map(Length::tenth_um)
}

fn range_words(range: &Range, unit: LengthUnit) -> String {
    format!("range {} to {}", range.low.show_bare(unit), range.high.show(unit))
}

/// The scale that shows a slot's readings on one line each, so that they can be compared by eye.
#[derive(Debug, Clone, Copy)]
pub(super) struct BracketScale(Scale);

const BAR_WIDE: f64 = 320.0;

impl BracketScale {
    /// A scale over these brackets and their range.
    pub(super) fn over<'a>(brackets: impl IntoIterator<Item = &'a Bracket>, range: Option<&Range>) -> Option<Self> {
        let of_range = range.into_iter().flat_map(|r| [r.low.tenth_um(), r.high.tenth_um()]);
        let values: Vec<i64> = brackets.into_iter().flat_map(edges).chain(of_range).collect();
        Scale::over(values, 8.0, BAR_WIDE - 8.0).map(Self)
    }

    /// One bracket on it. `name` is unique on the page.
    pub(super) fn bar(self, name: &str, bracket: &Bracket, range: Option<&Range>, unit: LengthUnit) -> Markup {
        let scale = self.0;
        let x1 = bracket.go().map_or(scale.start_px, |go| scale.px(go.tenth_um()));
        let x2 = bracket.no_go().map_or(scale.end_px, |no_go| scale.px(no_go.tenth_um()));
        let beside = range.map_or_else(|| "no range to hold it against".to_owned(), |range| range_words(range, unit));
        html! {
            svg.bar viewBox="0 0 320 46" role="img" aria-labelledby={ (name) "-t " (name) "-d" } {
                title id={ (name) "-t" } { "Bracket " (bracket.show(unit)) }
                desc id={ (name) "-d" } { "The bracket " (bracket.show(unit)) " drawn on a line of length; " (beside) "." }
                @if let Some(range) = range {
                    @let (low, high) = (scale.px(range.low.tenth_um()), scale.px(range.high.tenth_um()));
                    rect.band x=(at(low)) y="6" width=(at(high - low)) height="22" {}
                    line.edge x1=(at(low)) x2=(at(low)) y1="4" y2="30" {}
                    line.edge x1=(at(high)) x2=(at(high)) y1="4" y2="30" {}
                    text x=(at(low)) y="43" text-anchor="middle" { (range.low.show_bare(unit)) }
                    text x=(at(high)) y="43" text-anchor="middle" { (range.high.show_bare(unit)) }
                }
                line.axis x1=(at(scale.start_px)) x2=(at(scale.end_px)) y1="30" y2="30" {}
                line.reading x1=(at(x1)) x2=(at(x2)) y1="17" y2="17" {}
                @if bracket.go().is_some() { line.reading x1=(at(x1)) x2=(at(x1)) y1="10" y2="24" {} }
                @else { path.reading d={ "M" (at(x1 + 7.0)) " 10 L" (at(x1)) " 17 L" (at(x1 + 7.0)) " 24" } {} }
                @if bracket.no_go().is_some() { line.reading x1=(at(x2)) x2=(at(x2)) y1="10" y2="24" {} }
                @else { path.reading d={ "M" (at(x2 - 7.0)) " 10 L" (at(x2)) " 17 L" (at(x2 - 7.0)) " 24" } {} }
            }
        }
    }
}

const COURSE_LEFT: f64 = 36.0;
const COURSE_RIGHT: f64 = 312.0;
const COURSE_TOP: f64 = 8.0;
const COURSE_BOTTOM: f64 = 136.0;

/// A valve's clearance over engine hours, against its range. `None` where no reading has engine hours.
pub(super) fn course(name: &str, course: &LashCourse, unit: LengthUnit) -> Option<Markup> {
    let placed: Vec<(&CoursePoint, i64)> = course.points.iter().filter_map(|p| Some((p, p.engine?.tenths()))).collect();
    let range = course.range.as_ref();
    let across = Scale::over(placed.iter().map(|(_, hours)| *hours), COURSE_LEFT, COURSE_RIGHT)?;
    let of_range = range.into_iter().flat_map(|r| [r.low.tenth_um(), r.high.tenth_um()]);
    let up = Scale::over(placed.iter().flat_map(|(p, _)| edges(&p.bracket)).chain(of_range), COURSE_BOTTOM, COURSE_TOP)?;
    let (first, last) = (placed.first()?.0.engine?, placed.last()?.0.engine?);
    let beside = range.map_or_else(|| "no range to hold them against".to_owned(), |range| range_words(range, unit));
    Some(html! {
        svg.course viewBox="0 0 320 156" role="img" aria-labelledby={ (name) "-t " (name) "-d" } {
            title id={ (name) "-t" } { "Clearance of " (course.valve) " over engine hours" }
            desc id={ (name) "-d" } {
                (count(placed.len(), "reading", "readings")) " between " (first) " and " (last)
                " engine hours, each drawn as its bracket; " (beside) ". The table below has the same readings."
            }
            @if let Some(range) = range {
                @let (low, high) = (up.px(range.low.tenth_um()), up.px(range.high.tenth_um()));
                rect.band x=(at(COURSE_LEFT)) y=(at(high)) width=(at(COURSE_RIGHT - COURSE_LEFT)) height=(at(low - high)) {}
                @for (edge, length) in [(low, range.low), (high, range.high)] {
                    line.edge x1=(at(COURSE_LEFT)) x2=(at(COURSE_RIGHT)) y1=(at(edge)) y2=(at(edge)) {}
                    text x=(at(COURSE_LEFT - 6.0)) y=(at(edge + 4.0)) text-anchor="end" { (length.show_bare(unit)) }
                }
            }
            line.axis x1=(at(COURSE_LEFT)) x2=(at(COURSE_RIGHT)) y1=(at(COURSE_BOTTOM)) y2=(at(COURSE_BOTTOM)) {}
            line.axis x1=(at(COURSE_LEFT)) x2=(at(COURSE_LEFT)) y1=(at(COURSE_TOP)) y2=(at(COURSE_BOTTOM)) {}
            @for (point, hours) in &placed { (mark(point, across.px(*hours), up)) }
            text x=(at(across.px(first.tenths()))) y="152" text-anchor="middle" { (first) }
            @if last != first { text x=(at(across.px(last.tenths()))) y="152" text-anchor="middle" { (last) } }
        }
        p.soft { "Across: engine hours; up: " (unit.name()) ". ○ found, △ set, ● left; the band is the range." }
    })
}

/// One reading: its bracket as an upright line, and in the middle a mark whose shape says the stage.
fn mark(point: &CoursePoint, x: f64, up: Scale) -> Markup {
    let low = point.bracket.go().map_or(up.start_px, |go| up.px(go.tenth_um()));
    let high = point.bracket.no_go().map_or(up.end_px, |no_go| up.px(no_go.tenth_um()));
    let middle = f64::midpoint(low, high);
    html! {
        line.reading x1=(at(x)) x2=(at(x)) y1=(at(low)) y2=(at(high)) {}
        @match point.stage {
            Stage::Found => { circle.found cx=(at(x)) cy=(at(middle)) r="4.5" {} }
            Stage::Set => {
                polygon.found points={
                    (at(x)) "," (at(middle - 5.0)) " " (at(x + 5.0)) "," (at(middle + 4.0)) " " (at(x - 5.0)) "," (at(middle + 4.0))
                } {}
            }
            Stage::Left => { circle.left cx=(at(x)) cy=(at(middle)) r="4.5" {} }
        }
    }
}

#[cfg(test)]
mod tests {
    use shared::hours::Hours;

    use super::*;

    fn near(a: f64, b: f64) -> bool {
        (a - b).abs() < 1e-9
    }

    fn thou(go: Option<i64>, no_go: Option<i64>) -> Bracket {
        Bracket::new(go.map(Length::from_thou), no_go.map(Length::from_thou)).unwrap()
    }

    const RANGE: Range = Range { low: Length::from_thou(4), high: Length::from_thou(6), aim: None };

    #[test]
    fn the_ends_the_middle_and_what_lies_beyond() {
        let scale = Scale::over([1000, 2000], 10.0, 110.0).unwrap();
        // 12 percent of the span is free at either end.
        assert_eq!((scale.from, scale.to), (880, 2120));
        assert!(near(scale.px(880), 10.0) && near(scale.px(2120), 110.0) && near(scale.px(1500), 60.0));
        assert!(near(scale.px(i64::MIN), 10.0) && near(scale.px(i64::MAX), 110.0));
        let upright = Scale::over([1000, 2000], 150.0, 10.0).unwrap();
        assert!(upright.px(2000) < upright.px(1000));
        assert_eq!(Scale::over([], 0.0, 1.0), None);
        // One value alone has room about it, and no division by nothing.
        assert!(near(Scale::over([5], 0.0, 100.0).unwrap().px(5), 50.0));
        assert!(Scale::over([i64::MIN, i64::MAX], 0.0, 100.0).unwrap().px(0).is_finite());
    }

    #[test]
    fn a_bracket_inside_its_range_is_drawn_inside_it() {
        let bracket = thou(Some(4), Some(5));
        let scale = BracketScale::over([&bracket], Some(&RANGE)).unwrap();
        let px = |thou| scale.0.px(Length::from_thou(thou).tenth_um());
        let drawn = scale.bar("b", &bracket, Some(&RANGE), LengthUnit::Thou).into_string();
        assert!(drawn.contains(&format!("<rect class=\"band\" x=\"{}\"", at(px(4)))), "{drawn}");
        assert!(drawn.contains(&format!("<line class=\"reading\" x1=\"{}\" x2=\"{}\"", at(px(4)), at(px(5)))), "{drawn}");
        assert!(px(4) < px(5) && px(5) < px(6));
        assert!(drawn.contains("4 to 5 thou") && drawn.contains("range 4 to 6 thou"), "{drawn}");
    }

    #[test]
    fn an_open_edge_is_an_arrow_to_the_end_of_the_line() {
        let bracket = thou(None, Some(5));
        let scale = BracketScale::over([&bracket], Some(&RANGE)).unwrap();
        let drawn = scale.bar("b", &bracket, Some(&RANGE), LengthUnit::Thou).into_string();
        assert!(drawn.contains("<path class=\"reading\" d=\"M15.0 10 L8.0 17 L15.0 24\""), "{drawn}");
        assert!(drawn.contains("under 5 thou"), "{drawn}");
        assert!(BracketScale::over([], None).is_none());
    }

    #[test]
    fn a_course_has_a_mark_for_each_reading_with_hours_and_says_so() {
        let point = |tenths: Option<i64>, stage| CoursePoint {
            at_ms: 0,
            when: String::new(),
            engine: tenths.map(Hours::from_tenths),
            stage,
            bracket: thou(Some(4), Some(5)),
            words: String::new(),
            by: String::new(),
        };
        let points =
            vec![point(Some(9000), Stage::Found), point(Some(9000), Stage::Set), point(Some(9900), Stage::Left), point(None, Stage::Found)];
        let mut valve = LashCourse { valve: "1I".parse().unwrap(), range: Some(RANGE), points, earlier: 0, drift: Vec::new() };
        let drawn = course("c", &valve, LengthUnit::Thou).unwrap().into_string();
        assert_eq!(drawn.matches("<line class=\"reading\"").count(), 3, "{drawn}");
        assert_eq!((drawn.matches("class=\"found\"").count(), drawn.matches("class=\"left\"").count()), (2, 1));
        assert!(drawn.contains("3 readings between 900.0 and 990.0 engine hours") && drawn.contains("range 4 to 6 thou"), "{drawn}");
        valve.points.retain(|p| p.engine.is_none());
        assert!(course("c", &valve, LengthUnit::Thou).is_none());
    }
}
