//! A short way round: great-circle distances, nearest neighbour, then two-edge exchanges.
//!
//! As the crow flies: roads, gates and rivers are the crew's knowledge.

use std::cmp::Ordering;

use serde::{Deserialize, Serialize};

/// The earth's mean radius in metres, 6371.0 km: the sphere of the haversine formula. The earth is no sphere; distances
/// are within about 0.5 % (from memory), which no order of stops turns on.
pub const EARTH_RADIUS_M: f64 = 6_371_000.0;

/// The most stops that are put in an order: the table of distances grows with their square.
pub const MOST_ROUTED: usize = 400;

/// A shorter way counts only if it is shorter by a millimetre, so that rounding never goes round in circles.
const WORTH_M: f64 = 1e-3;

/// A place on the earth, in degrees.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(try_from = "PlaceWire", into = "PlaceWire")]
pub struct Place {
    latitude_deg: f64,
    longitude_deg: f64,
}

/// Two numbers that are no place.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error(
    "{latitude_deg}, {longitude_deg} is no place: write the latitude from -90 to 90 degrees, then the longitude from -180 to 180, south and west below zero"
)]
pub struct PlaceError {
    /// The latitude that was given.
    pub latitude_deg: f64,
    /// The longitude that was given.
    pub longitude_deg: f64,
}

/// A place as it travels.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct PlaceWire {
    latitude_deg: f64,
    longitude_deg: f64,
}

/// A way from a start through every place once and back.
#[derive(Debug, Clone, PartialEq)]
pub struct Tour {
    /// Positions in the given places, in the order of the way.
    pub order: Vec<usize>,
    /// Its length in metres, back to the start.
    pub metres: f64,
}

impl Place {
    /// The place at a latitude and longitude in degrees, north and east above zero.
    ///
    /// # Errors
    /// [`PlaceError`] where either is not finite, the latitude is beyond ±90 or the longitude beyond ±180.
    pub fn new(latitude_deg: f64, longitude_deg: f64) -> Result<Self, PlaceError> {
        // Comparisons with what is not a number are false, so it is refused here too.
        if latitude_deg.abs() <= 90.0 && longitude_deg.abs() <= 180.0 {
            Ok(Self { latitude_deg, longitude_deg })
        } else {
            Err(PlaceError { latitude_deg, longitude_deg })
        }
    }

    /// Degrees north of the equator.
    #[must_use]
    pub const fn latitude_deg(self) -> f64 {
        self.latitude_deg
    }

    /// Degrees east of the zero meridian.
    #[must_use]
    pub const fn longitude_deg(self) -> f64 {
        self.longitude_deg
    }

    /// A total order with no meaning, for answers that must not turn on the order of what was given.
    pub(super) fn cmp_of(a: Option<Self>, b: Option<Self>) -> Ordering {
        let key = |place: Option<Self>| place.map_or((f64::NAN, f64::NAN), |p| (p.latitude_deg, p.longitude_deg));
        let (a, b) = (key(a), key(b));
        a.0.total_cmp(&b.0).then_with(|| a.1.total_cmp(&b.1))
    }
}

impl TryFrom<PlaceWire> for Place {
    type Error = PlaceError;
    fn try_from(wire: PlaceWire) -> Result<Self, PlaceError> {
        Self::new(wire.latitude_deg, wire.longitude_deg)
    }
}

impl From<Place> for PlaceWire {
    fn from(place: Place) -> Self {
        Self { latitude_deg: place.latitude_deg, longitude_deg: place.longitude_deg }
    }
}

impl Tour {
    /// Its length in whole metres.
    #[must_use]
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "at most 401 legs of half the earth's girth, never below zero"
    )]
    pub fn whole_metres(&self) -> u64 {
        self.metres.round() as u64
    }
}

/// The great-circle distance of two places in metres: 2 R asin √(sin²(Δφ/2) + cos φ₁ cos φ₂ sin²(Δλ/2)).
///
/// The haversine formula on a sphere of [`EARTH_RADIUS_M`] (read on public pages). 0 to half the sphere's girth; no
/// errors, a [`Place`] is always a place.
#[must_use]
pub fn distance_m(a: Place, b: Place) -> f64 {
    let (phi_a, phi_b) = (a.latitude_deg.to_radians(), b.latitude_deg.to_radians());
    let half = |degrees: f64| (degrees.to_radians() / 2.0).sin().powi(2);
    let h = half(b.latitude_deg - a.latitude_deg) + phi_a.cos() * phi_b.cos() * half(b.longitude_deg - a.longitude_deg);
    // Rounding may carry opposite places a hair over 1, where the arc sine is not a number.
    2.0 * EARTH_RADIUS_M * h.clamp(0.0, 1.0).sqrt().asin()
}

/// A short way from a start through every place and back: always on to the nearest place not yet met, then
/// [`shortened`]. Not proven shortest. Of equally near places the earlier given is taken.
///
/// More than [`MOST_ROUTED`] places are left in the order given. No errors.
#[must_use]
pub fn tour(start: Place, places: &[Place]) -> Tour {
    let table = table(start, places);
    shortened_by(&table, nearest_neighbour(&table, places.len()))
}

/// A given way, shortened by two-edge exchanges: as long as turning a stretch of it round makes it shorter, the best
/// such turn is made. Never longer than what was given. Common practice, no source.
///
/// An order that does not name every place once is answered with the places as given, and more than [`MOST_ROUTED`]
/// places are only measured.
#[must_use]
pub fn shortened(start: Place, places: &[Place], order: &[usize]) -> Tour {
    let mut named = order.to_vec();
    named.sort_unstable();
    let complete = named.iter().copied().eq(0..places.len());
    shortened_by(&table(start, places), if complete { order.to_vec() } else { (0..places.len()).collect() })
}

/// All distances; the start is number 0, place `i` is number `i + 1`. Beyond [`MOST_ROUTED`], only how to measure.
struct Table {
    points: Vec<Place>,
    metres: Vec<f64>,
}

fn table(start: Place, places: &[Place]) -> Table {
    let points: Vec<Place> = std::iter::once(start).chain(places.iter().copied()).collect();
    let metres = if places.len() > MOST_ROUTED {
        Vec::new()
    } else {
        points.iter().flat_map(|a| points.iter().map(|b| distance_m(*a, *b))).collect()
    };
    Table { points, metres }
}

impl Table {
    fn metres(&self, a: usize, b: usize) -> f64 {
        match (self.metres.get(a * self.points.len() + b), self.points.get(a), self.points.get(b)) {
            (Some(metres), ..) => *metres,
            (None, Some(a), Some(b)) => distance_m(*a, *b),
            _ => 0.0,
        }
    }

    /// The length of a way that begins and ends at the start.
    fn length(&self, way: &[usize]) -> f64 {
        let from = std::iter::once(0).chain(way.iter().copied());
        let to = way.iter().copied().chain(std::iter::once(0));
        from.zip(to).map(|(a, b)| self.metres(a, b)).sum()
    }
}

fn nearest_neighbour(table: &Table, count: usize) -> Vec<usize> {
    if table.metres.is_empty() {
        return (0..count).collect();
    }
    let mut open: Vec<usize> = (1..=count).collect();
    let mut order = Vec::with_capacity(count);
    let mut here = 0;
    while let Some((at, _)) =
        open.iter().enumerate().min_by(|(_, a), (_, b)| table.metres(here, **a).total_cmp(&table.metres(here, **b)).then(a.cmp(b)))
    {
        here = open.remove(at);
        order.push(here - 1);
    }
    order
}

fn shortened_by(table: &Table, order: Vec<usize>) -> Tour {
    let mut way: Vec<usize> = order.into_iter().map(|at| at + 1).collect();
    if !table.metres.is_empty() {
        while let Some((from, to)) = best_turn(table, &way) {
            way[from..=to].reverse();
        }
    }
    Tour { metres: table.length(&way), order: way.into_iter().map(|at| at - 1).collect() }
}

/// The stretch whose turning round saves most, if any saves more than [`WORTH_M`]. Every turn shortens the way by at
/// least that much, so turns come to an end.
fn best_turn(table: &Table, way: &[usize]) -> Option<(usize, usize)> {
    let mut best = None;
    let mut most = WORTH_M;
    for from in 0..way.len() {
        let before = if from == 0 { 0 } else { way[from - 1] };
        for to in from + 1..way.len() {
            let beyond = way.get(to + 1).copied().unwrap_or(0);
            let now = table.metres(before, way[from]) + table.metres(way[to], beyond);
            let saved = now - table.metres(before, way[to]) - table.metres(way[from], beyond);
            if saved > most {
                (best, most) = (Some((from, to)), saved);
            }
        }
    }
    best
}
