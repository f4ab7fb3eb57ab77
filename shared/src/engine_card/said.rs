//! What a card says in words, as its manual says it: ranges, hydraulic lash, and where the piston must be.

use serde::{Deserialize, Serialize};

use super::{Adjuster, EngineCard, Range};
use crate::length::{Length, LengthUnit};
use crate::valve::Side;

/// How a manual says a range, where it does not name both ends. The figure is the middle of the range.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Said {
    /// One figure without a tolerance, as in 5: the range about it is ours.
    Figure,
    /// A figure with its tolerance, as in 5 ± 1.
    Tolerance,
}

/// What is taken either side of a single figure in thou or inches: one leaf of common sets. Common practice, no source.
pub(crate) const EITHER_SIDE_THOU: Length = Length::from_thou(1);
/// The same of a single figure in millimetres: 0.02 mm. Common practice, no source.
pub(crate) const EITHER_SIDE_MM: Length = Length::from_tenth_um(200);

/// How an engine with hydraulic lash is checked, and what a visit to it leaves open until its sign-off says what was heard. Common
/// practice, no source.
pub const LISTEN: [&str; 4] = [
    "Hydraulic lash: nothing is set and no leaf is tried. The check is due by hours and months like any other.",
    "Listen to it run: outdoors, everything put back, guards on, PTO off, hands and clothes clear. A tick in the first seconds is common.",
    "Where it goes on ticking once warm: oil level and oil pressure first, then a leak-down test. Note what you find as a finding.",
    "Say in the remark, when you finish, what was heard and what was tested.",
];

impl Range {
    /// The middle of the range: the figure, where the manual says one.
    #[must_use]
    pub const fn middle(&self) -> Length {
        Length::from_tenth_um(self.low.plus(self.high).tenth_um() / 2)
    }

    /// How far its ends lie from its middle.
    #[must_use]
    pub const fn either_side(&self) -> Length {
        self.high.minus(self.middle())
    }

    /// The range as its manual says it, so that it is read again as it is: a single figure in the kind of unit that it was written in.
    #[must_use]
    pub fn written(&self, said: Said) -> String {
        let metric = self.either_side() == EITHER_SIDE_MM;
        self.as_said(Some(said), if metric { LengthUnit::Mm } else { LengthUnit::Thou })
    }

    /// The range as its manual says it: "4 to 6 thou", "5 thou", "5 ± 1 thou".
    #[must_use]
    pub fn as_said(&self, said: Option<Said>, unit: LengthUnit) -> String {
        match said {
            None => format!("{} to {}", self.low.show_bare(unit), self.high.show(unit)),
            Some(Said::Figure) => self.middle().show(unit),
            Some(Said::Tolerance) => {
                format!("{} ± {}", self.middle().show_bare(unit), self.either_side().show(unit))
            }
        }
    }
}

impl Adjuster {
    /// The ratio as people write it: 1.300.
    #[must_use]
    pub fn ratio_words(&self) -> String {
        format!("{}.{:03}", self.ratio_milli / 1000, self.ratio_milli % 1000)
    }
}

impl EngineCard {
    /// How the manual says the range of one side, where it does not name both ends.
    #[must_use]
    pub const fn said(&self, side: Side) -> Option<Said> {
        match side {
            Side::Intake => self.intake_said,
            Side::Exhaust => self.exhaust_said,
        }
    }

    /// The range of one side in words: as the manual says it, what it is taken as, and what is set.
    #[must_use]
    pub fn range_words(&self, side: Side, unit: LengthUnit) -> String {
        let Some(range) = self.range(side) else { return "hydraulic lash, nothing to set".to_owned() };
        let said = self.said(side);
        let ends = format!("{} to {}", range.low.show_bare(unit), range.high.show(unit));
        let taken = match said {
            None => String::new(),
            Some(Said::Tolerance) => format!(" ({ends})"),
            Some(Said::Figure) => {
                format!(" (the manual names no tolerance: taken as {ends}, common practice without a source)")
            }
        };
        let aim = range.aim.filter(|aim| said.is_none() || *aim != range.middle());
        let aim = aim.map_or_else(String::new, |aim| format!(", aim {}", aim.show_bare(unit)));
        format!("{}{taken}{aim}", range.as_said(said, unit))
    }

    /// The card in a few sentences: ranges, and where they were read.
    #[must_use]
    pub fn words(&self, unit: LengthUnit) -> String {
        let source = match &self.source {
            Some(source) => format!("Read in {}, {}.", source.manual, source.page),
            None => "It names no manual and page, so nothing is judged against it.".to_owned(),
        };
        let [intake, exhaust] = [Side::Intake, Side::Exhaust].map(|side| self.range_words(side, unit));
        let lash = if self.hydraulic { intake } else { format!("intake {intake}; exhaust {exhaust}; engine cold") };
        format!("Engine card {}: {lash}. {source}", self.name)
    }

    /// How far past top dead center the piston is when a valve is checked, in words; `None` where the card does not say.
    #[must_use]
    pub fn past_tdc_words(&self, unit: LengthUnit) -> Option<String> {
        let down = self.past_tdc.map(|past| format!("the piston down {}", past.show_way(unit)));
        let turned = self.past_tdc_tenth_deg.map(|tenths| format!("{}° of the crank", tenth_words(tenths)));
        match (turned, down) {
            (Some(turned), Some(down)) => Some(format!("{turned} past it, {down}")),
            (Some(turned), None) => Some(format!("{turned} past it")),
            (None, down) => down.map(|down| format!("{down} past it")),
        }
    }
}

/// Where the piston of a cylinder must be before its leaves are tried.
///
/// An engine with compression release may hold a valve off its seat at top dead center, on the cam's bump: both rockers are loose
/// only past it. Common practice, no source.
#[must_use]
pub fn piston(cylinder: u8, card: Option<&EngineCard>, unit: LengthUnit) -> String {
    let mut said = format!("Cylinder {cylinder}: piston at top dead center of its compression stroke, ");
    match card.and_then(|card| card.past_tdc_words(unit)) {
        None => said += "both rockers loose.",
        Some(past) => {
            said += &format!(
                "then turned on in the running direction: {past}, as the engine card says. There both rockers are loose. At top dead \
                 center itself one may not be: the bump of the compression release can hold its valve open."
            );
        }
    }
    for sentence in card.and_then(|card| card.firing.as_ref()).map(|firing| firing.words(cylinder)).unwrap_or_default() {
        said += " ";
        said += &sentence;
    }
    said
}

/// Tenths as people write them: 100 are 10, 125 are 12.5.
#[must_use]
pub fn tenth_words(tenths: u32) -> String {
    if tenths.is_multiple_of(10) { (tenths / 10).to_string() } else { format!("{}.{}", tenths / 10, tenths % 10) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ids::CardId;

    /// The aim is named unless it is the very figure that the manual says.
    #[test]
    fn a_range_names_its_aim_where_the_manual_does_not() {
        let thou = Length::from_thou;
        let range = |aim: Option<i64>| Range { low: thou(4), high: thou(6), aim: aim.map(thou) };
        let words = |aim, said| {
            let mut card = EngineCard::plain(CardId::from_bytes([1; 16]), "Invented twin", 2, range(aim), range(None));
            card.intake_said = said;
            card.range_words(Side::Intake, LengthUnit::Thou)
        };
        assert_eq!(words(Some(5), None), "4 to 6 thou, aim 5");
        assert_eq!(words(Some(4), None), "4 to 6 thou, aim 4");
        assert_eq!(words(Some(5), Some(Said::Tolerance)), "5 ± 1 thou (4 to 6 thou)");
        assert_eq!(words(Some(4), Some(Said::Tolerance)), "5 ± 1 thou (4 to 6 thou), aim 4");
        assert_eq!(words(None, None), "4 to 6 thou");
    }
}
