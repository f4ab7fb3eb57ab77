//! The bracket: the interval of clearance that a go and a no-go leaf leave. At least go, less than no-go.

use serde::{Deserialize, Serialize};

use crate::length::{Length, LengthUnit};

/// What two leaves say of a clearance: `go <= clearance < no_go`. Either edge may be missing (an open bracket).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Bracket {
    /// The largest leaf that entered.
    #[serde(rename = "go_tenth_um", default, skip_serializing_if = "Option::is_none")]
    go: Option<Length>,
    /// The smallest leaf that did not.
    #[serde(rename = "no_go_tenth_um", default, skip_serializing_if = "Option::is_none")]
    no_go: Option<Length>,
}

/// Two leaves that say nothing, or contradict each other.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BracketError {
    /// Neither leaf was given.
    #[error("a reading needs at least one leaf: the largest that entered (go) or the smallest that did not (no-go)")]
    Empty,
    /// The go leaf is not thinner than the no-go leaf.
    #[error("the go leaf ({} tenths of a µm) is not thinner than the no-go leaf ({} tenths of a µm): a leaf that enters cannot be as thick as one that does not", go.tenth_um(), no_go.tenth_um())]
    Crossed {
        /// The leaf said to enter.
        go: Length,
        /// The leaf said not to.
        no_go: Length,
    },
    /// A leaf of zero or negative thickness.
    #[error("a leaf has a thickness above zero")]
    NotPositive,
}

impl BracketError {
    /// The same sentence in the person's own unit.
    #[must_use]
    pub fn in_unit(&self, unit: LengthUnit) -> String {
        match self {
            Self::Crossed { go, no_go } => format!(
                "The go leaf ({}) is not thinner than the no-go leaf ({}): a leaf that enters cannot be as thick as one that does not.",
                go.show(unit),
                no_go.show(unit)
            ),
            other => format!("{other}."),
        }
    }
}

impl Bracket {
    /// The bracket of these leaves.
    ///
    /// # Errors
    /// [`BracketError`] where both are missing, one is not above zero, or go is not less than no-go.
    pub fn new(go: Option<Length>, no_go: Option<Length>) -> Result<Self, BracketError> {
        if go.is_some_and(|l| l <= Length::ZERO) || no_go.is_some_and(|l| l <= Length::ZERO) {
            return Err(BracketError::NotPositive);
        }
        match (go, no_go) {
            (None, None) => Err(BracketError::Empty),
            (Some(go), Some(no_go)) if go >= no_go => Err(BracketError::Crossed { go, no_go }),
            _ => Ok(Self { go, no_go }),
        }
    }

    /// The largest leaf that entered.
    #[must_use]
    pub const fn go(&self) -> Option<Length> {
        self.go
    }

    /// The smallest leaf that did not enter.
    #[must_use]
    pub const fn no_go(&self) -> Option<Length> {
        self.no_go
    }

    /// Whether some clearance fits both, when every leaf may be off by `tolerance` (each edge widened by it).
    #[must_use]
    pub fn overlaps(&self, other: &Self, tolerance: Length) -> bool {
        let below = |go: Option<Length>, no_go: Option<Length>| match (go, no_go) {
            (Some(go), Some(no_go)) => go.minus(tolerance) < no_go.plus(tolerance),
            _ => true,
        };
        below(self.go, other.no_go) && below(other.go, self.no_go)
    }

    /// What both say together, or `None` where no clearance fits both exactly.
    #[must_use]
    pub fn intersection(&self, other: &Self) -> Option<Self> {
        let go = self.go.max(other.go);
        let no_go = match (self.no_go, other.no_go) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        };
        Self::new(go, no_go).ok()
    }

    /// The bracket in words: "5 to 6 thou", "at least 5 thou", "under 6 thou".
    #[must_use]
    pub fn show(&self, unit: LengthUnit) -> String {
        match (self.go, self.no_go) {
            (Some(go), Some(no_go)) => format!("{} to {}", go.show_bare(unit), no_go.show(unit)),
            (Some(go), None) => format!("at least {}", go.show(unit)),
            (None, Some(no_go)) => format!("under {}", no_go.show(unit)),
            (None, None) => "nothing known".to_owned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn thou(go: Option<i64>, no_go: Option<i64>) -> Bracket {
        Bracket::new(go.map(Length::from_thou), no_go.map(Length::from_thou)).unwrap()
    }

    #[test]
    fn touching_brackets_do_not_overlap_unless_widened() {
        let (low, high) = (thou(Some(4), Some(5)), thou(Some(5), Some(6)));
        assert!(!low.overlaps(&high, Length::ZERO));
        assert!(low.overlaps(&high, Length::from_tenth_um(1)));
        assert_eq!(low.intersection(&high), None);
        assert_eq!(thou(Some(4), Some(6)).intersection(&high), Some(high));
        assert_eq!(thou(Some(3), Some(5)).intersection(&thou(Some(4), Some(6))), Some(low));
        assert_eq!(thou(Some(4), None).intersection(&thou(None, Some(6))), Some(thou(Some(4), Some(6))));
    }

    #[test]
    fn contradictions_are_refused_in_words() {
        let crossed = Bracket::new(Some(Length::from_thou(6)), Some(Length::from_thou(5))).unwrap_err();
        assert!(crossed.in_unit(LengthUnit::Thou).starts_with("The go leaf (6 thou) is not thinner than the no-go leaf (5 thou)"));
        assert_eq!(Bracket::new(None, None), Err(BracketError::Empty));
        assert_eq!(Bracket::new(Some(Length::ZERO), None), Err(BracketError::NotPositive));
        assert_eq!(Bracket::new(None, Some(Length::ZERO)), Err(BracketError::NotPositive));
        let five = Length::from_thou(5);
        assert_eq!(Bracket::new(Some(five), Some(five)), Err(BracketError::Crossed { go: five, no_go: five }));
        assert_eq!(BracketError::Empty.in_unit(LengthUnit::Mm), format!("{}.", BracketError::Empty));
    }

    #[test]
    fn shown_as_people_say_it() {
        assert_eq!(thou(Some(5), Some(6)).show(LengthUnit::Thou), "5 to 6 thou");
        assert_eq!(thou(Some(5), None).show(LengthUnit::Thou), "at least 5 thou");
        assert_eq!(thou(None, Some(6)).show(LengthUnit::Mm), "under 0.1524 mm");
    }
}
