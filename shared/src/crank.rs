//! The crank: how far the piston is down at an angle, at which angle it is so far down, and where top dead center is.
//!
//! Slider-crank with the piston on the crank's axis. With crank radius `r` (half the stroke), rod length `l` and angle
//! `t` from top dead center:
//!
//! `drop = r + l − (r cos t + √(l² − r² sin² t))`, and back `t = acos((r² + d² − l²)/(2 r d))`, `d = r + l − drop`.
//!
//! Heywood, eq. (2.5), and the usual handbooks: from memory; the same formula read in public answers. Nothing is cut
//! off a series: two terms are already 0.009 mm short at 30°. Both are computed here in forms that lose no digits near
//! the ends of the stroke. An offset piston pin is not counted: it moves top dead center itself by a fraction of a
//! degree and both equal heights alike.
//!
//! Angles are in degrees, lengths in tenths of a µm. Near top dead center the piston hardly moves (at a stroke of 70
//! mm, 0.01 mm in 1.2°), so its highest point cannot be felt: it is found halfway between two equal heights.

use crate::length::{Length, LengthUnit};

/// How far past top dead center engines with compression release are often checked: 1/4 in. Common practice, no source;
/// the engine card's own figure wins.
pub const COMMON_PAST_TDC: Length = Length::from_tenth_um(63_500);

/// The longest stroke or rod that is taken, 1 m: more is a slip of the unit.
pub const LONGEST: Length = Length::from_tenth_um(10_000_000);

/// A crank's stroke and rod.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Crank {
    stroke: Length,
    rod: Length,
}

/// One reading for top dead center: the crank's angle, and the piston's drop there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeightAt {
    /// The angle on whatever scale the flywheel carries, degrees, rising in the direction of running.
    pub degrees: f64,
    /// How far the piston is below its highest point, tenths of a µm.
    pub drop_tenth_um: f64,
}

/// Top dead center from two readings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TopDeadCenter {
    /// Where it is on the flywheel's scale, 0 to below 360 degrees.
    pub degrees: f64,
    /// How far apart the two readings place it, in degrees: zero where angles and heights fit together.
    pub apart_degrees: f64,
}

/// Where to put the piston of an engine with compression release.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PastTdc {
    /// The crank's angle past top dead center, degrees, 0 to 180.
    pub degrees: f64,
    /// The piston's drop there.
    pub drop: Length,
}

/// A crank that cannot turn, or a place that its piston does not reach.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CrankError {
    /// A stroke that is not above zero, or is over [`LONGEST`].
    #[error("a stroke of {:.2} mm cannot be: it is above zero and at most 1 m", stroke.mm())]
    Stroke {
        /// What was given.
        stroke: Length,
    },
    /// A rod that is not longer than the crank's radius, or is over [`LONGEST`].
    #[error("a rod of {:.2} mm cannot turn a crank of {:.2} mm stroke: it is longer than half the stroke, center to center, and at most 1 m", rod.mm(), stroke.mm())]
    Rod {
        /// What was given as rod.
        rod: Length,
        /// What was given as stroke.
        stroke: Length,
    },
    /// A drop below zero, over the stroke, or no number.
    #[error("the piston is never {:.2} mm down: with this stroke it goes from 0 to {:.2} mm", drop_tenth_um / 10_000.0, stroke.mm())]
    Drop {
        /// What was given, tenths of a µm.
        drop_tenth_um: f64,
        /// The stroke.
        stroke: Length,
    },
    /// An angle that is no finite number.
    #[error("the angle is not a finite number of degrees")]
    Angle,
    /// Two readings of one angle, or more than half a turn apart.
    #[error(
        "from {before}° to {after}° is no way over top dead center: read one angle before it and one after it, at most half a turn apart in the direction of running"
    )]
    NotAcross {
        /// The angle said to be before.
        before: f64,
        /// The angle said to be after.
        after: f64,
    },
}

impl Crank {
    /// The crank of a stroke and a rod length, both in tenths of a µm; the rod from center to center.
    ///
    /// # Errors
    /// [`CrankError`] where the stroke is not above zero, the rod is not longer than half of it, or one is over
    /// [`LONGEST`].
    pub fn new(stroke: Length, rod: Length) -> Result<Self, CrankError> {
        if stroke <= Length::ZERO || stroke > LONGEST {
            return Err(CrankError::Stroke { stroke });
        }
        if rod.plus(rod) <= stroke || rod > LONGEST {
            return Err(CrankError::Rod { rod, stroke });
        }
        Ok(Self { stroke, rod })
    }

    /// The stroke.
    #[must_use]
    pub const fn stroke(&self) -> Length {
        self.stroke
    }

    /// The rod, center to center.
    #[must_use]
    pub const fn rod(&self) -> Length {
        self.rod
    }

    /// How far the piston is below top dead center at an angle from it, in tenths of a µm: 0 to the stroke. Even in the
    /// angle, and the same after each full turn.
    ///
    /// # Errors
    /// [`CrankError::Angle`] where the angle is not finite.
    pub fn drop_at(&self, degrees: f64) -> Result<f64, CrankError> {
        if !degrees.is_finite() {
            return Err(CrankError::Angle);
        }
        let (radius, rod) = (tenths(self.stroke) / 2.0, tenths(self.rod));
        let half_angle = (degrees % 360.0).to_radians() / 2.0;
        let (sine, cosine) = half_angle.sin_cos();
        // r(1 − cos t) as 2r sin²(t/2), and l − √(l² − q²) as q²/(l + √(l² − q²)): no near-equal numbers are subtracted.
        let aside = 2.0 * radius * sine * cosine;
        let along = ((rod - aside) * (rod + aside)).sqrt();
        let drop = 2.0 * radius * sine * sine + aside * aside / (rod + along);
        Ok(drop.clamp(0.0, tenths(self.stroke)))
    }

    /// At which angle from top dead center the piston is so far down: degrees, 0 to 180. The same angle holds before
    /// top dead center and after it.
    ///
    /// # Errors
    /// [`CrankError::Drop`] where the drop is not a number from 0 to the stroke, in tenths of a µm.
    pub fn angle_for_drop(&self, drop_tenth_um: f64) -> Result<f64, CrankError> {
        let (stroke, rod) = (tenths(self.stroke), tenths(self.rod));
        if !(0.0..=stroke).contains(&drop_tenth_um) {
            return Err(CrankError::Drop { drop_tenth_um, stroke: self.stroke });
        }
        // The law of cosines by the half angle, tan²(t/2) = x(2l − x) / ((2r + 2l − x)(2r − x)): exact at both ends,
        // where the arc cosine loses half its digits.
        let above = drop_tenth_um * (2.0 * rod - drop_tenth_um);
        let below = (stroke + 2.0 * rod - drop_tenth_um) * (stroke - drop_tenth_um);
        Ok(2.0 * above.sqrt().atan2(below.sqrt()).to_degrees())
    }
}

impl PastTdc {
    /// What to do: "Turn the crank about 31° past top dead center of the compression stroke, in its direction of
    /// running, until the piston is .250 in down. ..." The figure of the engine's manual wins.
    #[must_use]
    pub fn words(&self, unit: LengthUnit) -> String {
        if self.drop <= Length::ZERO {
            return "Put the piston at top dead center of the compression stroke.".to_owned();
        }
        format!(
            "Turn the crank {} past top dead center of the compression stroke, in its direction of running, until the piston is {} \
             down. Measure the piston: the angle only says where to look. The engine's manual decides how far.",
            about(self.degrees),
            self.drop.show_way(unit)
        )
    }
}

impl TopDeadCenter {
    /// Where it is and how well the readings agree: "Top dead center is at 3.5° on your scale; the two readings place it
    /// 0.8° apart."
    #[must_use]
    pub fn words(&self) -> String {
        let at = format!("Top dead center is at {:.1}° on your scale", self.degrees);
        if self.apart_degrees < 0.05 {
            format!("{at}.")
        } else {
            format!("{at}; the two readings place it {:.1}° apart.", self.apart_degrees)
        }
    }
}

/// Top dead center as the middle between two angles at which the piston stands equally high, on whatever scale the
/// flywheel carries: 0 to below 360 degrees. Needs no stroke and no rod, because the drop is even in the angle.
///
/// The angles rise in the direction of running, `before` first; the way over 0 is understood. Common practice, no
/// source.
///
/// # Errors
/// [`CrankError`] where an angle is not finite, or the way from `before` to `after` is none or over half a turn: then
/// the two have most likely been exchanged, and their middle would be bottom dead center.
pub fn tdc_by_equal_drops(before: f64, after: f64) -> Result<f64, CrankError> {
    let way = way_across(before, after)?;
    Ok(full_turn(full_turn(before) + way / 2.0))
}

/// Top dead center from two readings of angle and drop that need not be equally far down.
///
/// Each places it by [`Crank::angle_for_drop`]; the answer is the middle of the two. With equal drops stroke, rod and
/// an error that both drops share cancel out, and the answer is that of [`tdc_by_equal_drops`]: so read them as nearly
/// equal as can be. Derived from the above.
///
/// # Errors
/// [`CrankError`] where an angle is not finite, a drop is not within the stroke, or the way from the first angle to the
/// second is none or over half a turn.
pub fn tdc_from_heights(crank: &Crank, before: HeightAt, after: HeightAt) -> Result<TopDeadCenter, CrankError> {
    let way = way_across(before.degrees, after.degrees)?;
    let from_before = crank.angle_for_drop(before.drop_tenth_um)?;
    let from_after = way - crank.angle_for_drop(after.drop_tenth_um)?;
    let middle = f64::midpoint(from_before, from_after);
    Ok(TopDeadCenter { degrees: full_turn(full_turn(before.degrees) + middle), apart_degrees: (from_after - from_before).abs() })
}

/// The crank's angle past top dead center at which the piston is `drop` down, for engines whose compression release
/// holds a valve open at top dead center; often [`COMMON_PAST_TDC`].
///
/// # Errors
/// [`CrankError`] where stroke and rod make no crank, or the drop is not within the stroke.
pub fn past_tdc(stroke: Length, rod: Length, drop: Length) -> Result<PastTdc, CrankError> {
    let degrees = Crank::new(stroke, rod)?.angle_for_drop(tenths(drop))?;
    Ok(PastTdc { degrees, drop })
}

/// The way from one angle forward to another, degrees: above 0, at most 180.
fn way_across(before: f64, after: f64) -> Result<f64, CrankError> {
    if !before.is_finite() || !after.is_finite() {
        return Err(CrankError::Angle);
    }
    let way = full_turn(full_turn(after) - full_turn(before));
    if way > 0.0 && way <= 180.0 { Ok(way) } else { Err(CrankError::NotAcross { before, after }) }
}

/// An angle on 0 to below 360 degrees.
fn full_turn(degrees: f64) -> f64 {
    let turned = degrees.rem_euclid(360.0);
    // A hair below zero rounds up to the full turn.
    if turned >= 360.0 { 0.0 } else { turned }
}

fn about(degrees: f64) -> String {
    if degrees <= 0.5 { "less than 1°".to_owned() } else { format!("about {degrees:.0}°") }
}

#[expect(clippy::cast_precision_loss, reason = "strokes, rods and drops are below 2^53 tenths, or refused")]
fn tenths(length: Length) -> f64 {
    length.tenth_um() as f64
}

#[cfg(test)]
mod tests;
