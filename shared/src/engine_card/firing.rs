//! The firing order, and the angle from one cylinder to the next: where the next cylinder's top dead center is.
//!
//! A four-stroke engine fires each cylinder once in two turns of the crank, so the angles add up to 720 degrees (Heywood, chapter 1:
//! from memory). Where two cylinders fire 360 degrees apart, the one is between exhaust and intake while the other is at the end of
//! its compression: its two valves are then both a little open, in overlap. That finds top dead center without a plug hole, as on a
//! diesel. Common practice, no source; how exactly depends on the cam, so the place is checked on the valves themselves.

use serde::{Deserialize, Serialize};

/// A whole cycle of a four-stroke engine, in degrees of the crank.
const CYCLE: u32 = 720;

/// In which order an engine's cylinders fire, and how far apart.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Firing {
    /// The cylinders, each once, in the order in which they fire.
    pub order: Vec<u8>,
    /// From each of them to the next, degrees of the crank; the last to the first. Together 720.
    pub degrees: Vec<u16>,
}

/// A firing order that cannot be. A sentence without its full stop.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum FiringError {
    /// Not every cylinder once.
    #[error("a firing order names each of the engine's cylinders once, as in 1-3-4-2")]
    Order,
    /// Not 720 degrees in all.
    #[error("the angles from each cylinder to the next add up to 720 degrees, two turns of the crank: write 180, or 270-450")]
    Degrees,
}

impl Firing {
    /// Reads an order as in `1-3-4-2` and its angles as in `270-450`; one angle holds between all.
    ///
    /// # Errors
    /// [`FiringError`] where they cannot be read, or cannot be.
    pub fn read(order: &str, degrees: &str) -> Result<Self, FiringError> {
        fn list<T: std::str::FromStr>(text: &str) -> Option<Vec<T>> {
            text.split(['-', ',', ' ']).filter(|part| !part.is_empty()).map(|part| part.trim_end_matches('°').parse().ok()).collect()
        }
        let order: Vec<u8> = list(order).ok_or(FiringError::Order)?;
        let mut degrees: Vec<u16> = list(degrees).ok_or(FiringError::Degrees)?;
        if let [all] = *degrees {
            degrees = vec![all; order.len()];
        }
        let firing = Self { order, degrees };
        firing.check(u8::try_from(firing.order.len()).map_err(|_| FiringError::Order)?)?;
        Ok(firing)
    }

    /// Whether it can be the order of so many cylinders.
    ///
    /// # Errors
    /// [`FiringError`] where it cannot.
    pub fn check(&self, cylinders: u8) -> Result<(), FiringError> {
        let mut sorted = self.order.clone();
        sorted.sort_unstable();
        if sorted.is_empty() || sorted != (1..=cylinders).collect::<Vec<u8>>() {
            return Err(FiringError::Order);
        }
        let sum: u32 = self.degrees.iter().copied().map(u32::from).sum();
        if self.degrees.len() != self.order.len() || self.degrees.contains(&0) || sum != CYCLE {
            return Err(FiringError::Degrees);
        }
        Ok(())
    }

    /// The order as it is read: `1-3-4-2`.
    #[must_use]
    pub fn order_text(&self) -> String {
        self.order.iter().map(ToString::to_string).collect::<Vec<_>>().join("-")
    }

    /// The angles as they are read: `180`, `270-450`.
    #[must_use]
    pub fn degrees_text(&self) -> String {
        let all: Vec<String> = self.degrees.iter().map(ToString::to_string).collect();
        if all.windows(2).all(|two| two[0] == two[1]) { all.first().cloned().unwrap_or_default() } else { all.join("-") }
    }

    /// From the top dead center at which one cylinder fires on to another's, degrees above 0 and up to 720; `None` for a cylinder
    /// that the order does not name.
    #[must_use]
    pub fn between(&self, from: u8, to: u8) -> Option<u32> {
        let at = |cylinder: u8| {
            let place = self.order.iter().position(|one| *one == cylinder)?;
            Some(self.degrees.iter().take(place).copied().map(u32::from).sum::<u32>())
        };
        let way = (at(to)? + CYCLE - at(from)?) % CYCLE;
        Some(if way == 0 { CYCLE } else { way })
    }

    /// The cylinder whose valves are in overlap while this one is at the end of its compression.
    #[must_use]
    pub fn in_overlap(&self, cylinder: u8) -> Option<u8> {
        self.order.iter().copied().find(|other| self.between(cylinder, *other) == Some(CYCLE / 2))
    }

    /// How a cylinder's top dead center is found from the one that fires before it, and by the overlap of another's valves, a
    /// sentence each; none of an engine with one cylinder.
    #[must_use]
    pub fn words(&self, cylinder: u8) -> Vec<String> {
        let place = self.order.iter().position(|one| *one == cylinder).filter(|_| self.order.len() > 1);
        let before = place.and_then(|place| self.order.get((place + self.order.len() - 1) % self.order.len())).copied();
        let angle = before.and_then(|before| {
            let way = self.between(before, cylinder)?;
            Some(format!("It fires {way}° of the crank after cylinder {before} (firing order {}).", self.order_text()))
        });
        let overlap = self.in_overlap(cylinder).map(|other| {
            format!(
                "There the valves of cylinder {other} are in overlap: its exhaust valve is closing while its intake valve begins to open."
            )
        });
        angle.into_iter().chain(overlap).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked out by hand from the definition: an even four fires every 180°, a 90° V-twin at 270° and 450°, a parallel twin with both
    /// pistons up together every 360°.
    #[test]
    fn the_next_cylinder_and_the_one_in_overlap() {
        let four = Firing::read("1-3-4-2", "180").unwrap();
        assert_eq!([four.between(1, 3), four.between(1, 2), four.between(2, 1), four.between(1, 1)], [180, 540, 180, 720].map(Some));
        assert_eq!([1, 2, 3, 4].map(|cylinder| four.in_overlap(cylinder)), [4, 3, 2, 1].map(Some));
        let vee = Firing::read("1, 2", "270° 450°").unwrap();
        assert_eq!([vee.between(1, 2), vee.between(2, 1)], [270, 450].map(Some));
        assert_eq!((vee.in_overlap(1), vee.between(1, 3)), (None, None));
        let twin = Firing::read("1-2", "360").unwrap();
        assert_eq!((twin.in_overlap(1), twin.order_text(), twin.degrees_text()), (Some(2), "1-2".to_owned(), "360".to_owned()));
        assert_eq!(vee.degrees_text(), "270-450");
        assert_eq!(vee.words(1), ["It fires 450° of the crank after cylinder 2 (firing order 1-2)."]);
        assert_eq!(
            four.words(3),
            [
                "It fires 180° of the crank after cylinder 1 (firing order 1-3-4-2).",
                "There the valves of cylinder 2 are in overlap: its exhaust valve is closing while its intake valve begins to open."
            ]
        );
        assert!(Firing::read("1", "720").unwrap().words(1).is_empty());
    }

    #[test]
    fn an_order_has_each_cylinder_once_and_two_turns() {
        for (order, degrees, why) in [
            ("", "", FiringError::Order),
            ("1-1", "360", FiringError::Order),
            ("1-3", "360", FiringError::Order),
            ("0-1", "360", FiringError::Order),
            ("1-two", "360", FiringError::Order),
            ("1-2", "", FiringError::Degrees),
            ("1-2", "180", FiringError::Degrees),
            ("1-2", "270-450-0", FiringError::Degrees),
            ("1-2", "0-720", FiringError::Degrees),
            ("1-2", "270-451", FiringError::Degrees),
            ("1-2", "99999", FiringError::Degrees),
        ] {
            assert_eq!(Firing::read(order, degrees), Err(why), "{order} {degrees}");
        }
        assert_eq!(Firing::read("1-2", "360").unwrap().check(3), Err(FiringError::Order));
    }
}
