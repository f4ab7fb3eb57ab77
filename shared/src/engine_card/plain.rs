//! The plainest engine card, for others to start from.

use super::{EngineCard, Interval, Range};
use crate::ids::CardId;

impl EngineCard {
    /// A card that says two ranges and nothing else. Without a source nothing is judged against it, and without an interval it is not
    /// yet one that [`EngineCard::check`] takes.
    #[must_use]
    pub fn plain(card: CardId, name: impl Into<String>, cylinders: u8, intake: Range, exhaust: Range) -> Self {
        Self {
            card,
            name: name.into(),
            cylinders,
            hydraulic: false,
            intake: Some(intake),
            exhaust: Some(exhaust),
            intake_said: None,
            exhaust_said: None,
            source: None,
            commercial: Interval::NONE,
            homeowner: Interval::NONE,
            adjuster: None,
            past_tdc: None,
            past_tdc_tenth_deg: None,
            firing: None,
            ignition: None,
            far_tenths: None,
        }
    }
}
