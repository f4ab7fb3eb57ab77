//! A reading so far off that something else is more likely wrong than the lash: it is asked about before anything is turned.
//!
//! On the wrong stroke, with a bent or unseated push rod or a loose stud, a leaf says nothing of the valve; to turn the adjuster
//! on such a reading can bend or burn what was sound. What is asked is common practice of the trade, no source.

use serde::{Deserialize, Serialize};

use super::{Verdict, judge, judge_on_card};
use crate::bracket::Bracket;
use crate::engine_card::{EngineCard, Range};
use crate::length::Length;
use crate::record::Clearance;
use crate::valve::Valve;

/// How far beyond an end of the range is far, in tenths of the range's width, where the card does not say. Common practice, no source.
pub const FAR_TENTHS: u32 = 20;

/// A gap that not even this leaf enters is taken for none at all: 2 thou, about the thinnest of common sets. Common practice, no source.
const THINNEST: Length = Length::from_thou(2);

/// Why a reading is asked about first. On the wire its name, as in `"far-loose"`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Gross {
    /// Far above the range.
    FarLoose,
    /// Far below the range, with a leaf that goes.
    FarTight,
    /// Not even the thinnest leaf goes: no lash at all.
    NothingGoes,
    /// Tight, and no leaf has gone in: there may be no lash at all.
    NoneWent,
}

/// Whether a bracket is so far from a range that it is asked about first; `far_tenths` is how far that is, in tenths of the range's
/// width beyond its end. No rounding anywhere.
#[must_use]
pub fn gross(bracket: &Bracket, range: &Range, far_tenths: u32) -> Option<Gross> {
    let far = |beyond: Length| {
        let width = range.high.minus(range.low).tenth_um();
        i128::from(beyond.tenth_um()) * 10 > i128::from(width) * i128::from(far_tenths)
    };
    match (judge(bracket, range), bracket.go(), bracket.no_go()) {
        (Verdict::Loose, Some(go), _) if far(go.minus(range.high)) => Some(Gross::FarLoose),
        (Verdict::Tight, None, Some(no_go)) if no_go <= THINNEST => Some(Gross::NothingGoes),
        (Verdict::Tight, None, Some(_)) => Some(Gross::NoneWent),
        (Verdict::Tight, Some(_), Some(no_go)) if far(range.low.minus(no_go)) => Some(Gross::FarTight),
        _ => None,
    }
}

/// The same for a reading against the card of its engine; `None` where it is not judged.
#[must_use]
pub fn gross_on_card(clearance: &Clearance, card: &EngineCard) -> Option<Gross> {
    if !judge_on_card(clearance, card).is_settled() {
        return None;
    }
    gross(&clearance.bracket().ok()?, &card.range(clearance.valve.side())?, card.far_tenths.unwrap_or(FAR_TENTHS))
}

impl Gross {
    /// What is looked at before anything is turned, one sentence each.
    #[must_use]
    pub const fn asks(self) -> &'static [&'static str] {
        match self {
            Self::FarLoose | Self::FarTight => &[
                "Far outside the range: do not turn the adjuster yet.",
                "Is this the compression stroke? One turn off, the cam holds a valve.",
                "Are both rockers of this cylinder free?",
                "Is the push rod straight, and seated at both ends?",
                "Is the rocker stud tight?",
                "Put right what is not, and read again.",
            ],
            Self::NothingGoes => &[
                "Nothing goes, not even the thinnest leaf: do not turn the adjuster yet.",
                "Is this the compression stroke, and off the bump of the compression release? Either can hold the valve.",
                "If it is, the valve may have receded into its seat, or be burnt.",
                "Then a leak-down or compression test tells. Put the machine on hold until it has.",
                "Read again once stroke and release are right.",
            ],
            Self::NoneWent => &[
                "No leaf has gone in, so how tight it is is not known: do not turn the adjuster yet.",
                "Try your thinnest leaf, and read again.",
            ],
        }
    }

    /// What stays to be said where it was looked at, and the next reading is as far off.
    #[must_use]
    pub const fn still(self) -> &'static [&'static str] {
        match self {
            Self::FarLoose | Self::FarTight => &["Still far outside, and looked at: it may be set now. See afterwards why it went so far."],
            Self::NothingGoes | Self::NoneWent => &[
                "Still nothing goes. Leak-down or compression test before it runs: a valve that has receded or is burnt is not mended by lash.",
                "Put the machine on hold until that is known. Where the test is good, it is set as any tight valve is.",
            ],
        }
    }

    /// Whether, once looked at and still so, which way and how far to turn is said: not where a test comes first.
    #[must_use]
    pub const fn turns(self) -> bool {
        matches!(self, Self::FarLoose | Self::FarTight)
    }

    /// What a hold on the machine says of it, where a test comes before it runs; `None` where it is turned.
    #[must_use]
    pub fn hold(self, valve: Valve) -> Option<String> {
        (!self.turns()).then(|| format!("{valve}: nothing goes; leak-down or compression test before it runs"))
    }

    /// What to confirm before it is read again; empty where there is nothing to.
    #[must_use]
    pub const fn to_confirm(self) -> &'static str {
        match self {
            Self::FarLoose | Self::FarTight => "compression stroke, both rockers free, push rod straight and seated, rocker stud tight?",
            Self::NothingGoes => "compression stroke, and off the bump of the compression release?",
            Self::NoneWent => "",
        }
    }

    /// In a word or two, beside a verdict.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::FarLoose | Self::FarTight => "far off",
            Self::NothingGoes => "nothing goes",
            Self::NoneWent => "no leaf went",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine_card::Source;
    use crate::ids::CardId;
    use crate::record::Stage;

    fn of(go: Option<i64>, no_go: Option<i64>) -> Option<Gross> {
        within((4, 6), go, no_go, FAR_TENTHS)
    }

    fn within((low, high): (i64, i64), go: Option<i64>, no_go: Option<i64>, far: u32) -> Option<Gross> {
        let range = Range { low: Length::from_thou(low), high: Length::from_thou(high), aim: None };
        gross(&Bracket::new(go.map(Length::from_thou), no_go.map(Length::from_thou)).unwrap(), &range, far)
    }

    #[test]
    fn what_is_far_off_is_asked_about() {
        assert_eq!([of(Some(20), Some(25)), of(Some(40), None)], [Some(Gross::FarLoose); 2]);
        // The widths count from the range's end: 6 + 2 * 2 is the last that is not far.
        assert_eq!([of(Some(10), Some(11)), of(Some(11), Some(12)), of(Some(8), None)], [None, Some(Gross::FarLoose), None]);
        assert_eq!([within((8, 10), Some(3), Some(4), 20), within((8, 10), Some(2), Some(3), 20)], [None, Some(Gross::FarTight)]);
        // The card may say otherwise.
        assert_eq!([within((4, 6), Some(20), Some(25), 80), within((4, 6), Some(7), Some(8), 4)], [None, Some(Gross::FarLoose)]);
    }

    #[test]
    fn no_lash_at_all_is_asked_about() {
        assert_eq!([of(None, Some(1)), of(None, Some(2))], [Some(Gross::NothingGoes); 2]);
        assert_eq!([of(None, Some(3)), of(None, Some(4))], [Some(Gross::NoneWent); 2]);
        // Not tight for sure.
        assert_eq!([of(None, Some(5)), of(None, Some(7))], [None, None]);
    }

    #[test]
    fn what_is_near_the_range_is_not() {
        for (go, no_go) in [(2, 3), (3, 4), (4, 6), (5, 6), (6, 7), (7, 8)] {
            assert_eq!(of(Some(go), Some(no_go)), None, "{go}/{no_go}");
        }
    }

    /// 11 to 12 thou on the intake side of 4 to 6, and on the exhaust side of 8 to 10.
    fn on_card(valve: &str, change: impl FnOnce(&mut EngineCard, &mut Clearance)) -> Option<Gross> {
        let range = |low, high| Range { low: Length::from_thou(low), high: Length::from_thou(high), aim: None };
        let mut card = EngineCard::plain(CardId::from_bytes([1; 16]), "Invented single", 1, range(4, 6), range(8, 10));
        card.source = Some(Source { manual: "Invented manual".to_owned(), page: "1".to_owned() });
        let mut reading = Clearance {
            valve: valve.parse().unwrap(),
            stage: Stage::Found,
            go: Some(Length::from_thou(11)),
            no_go: Some(Length::from_thou(12)),
            leaves: vec![],
            cold: true,
            engine_tenth_c: None,
            adjusted: false,
            visit: None,
        };
        change(&mut card, &mut reading);
        gross_on_card(&reading, &card)
    }

    #[test]
    fn a_card_says_how_far_is_far_and_what_is_not_judged_is_not_asked_about() {
        assert_eq!([on_card("1I", |_, _| ()), on_card("1E", |_, _| ())], [Some(Gross::FarLoose), None]);
        // Five thou beyond a range of two: two and a half widths.
        assert_eq!([24, 25].map(|far| on_card("1I", |card, _| card.far_tenths = Some(far))), [Some(Gross::FarLoose), None]);
        assert_eq!(on_card("1I", |_, reading| reading.cold = false), None);
        assert_eq!(on_card("1I", |card, _| card.source = None), None);
        assert_eq!(on_card("1I", |card, _| (card.intake, card.exhaust, card.hydraulic) = (None, None, true)), None);
    }

    /// What is confirmed, held and turned is what was asked: common practice, no source.
    #[test]
    fn what_follows_each_is_its_own() {
        let all = [Gross::FarLoose, Gross::FarTight, Gross::NothingGoes, Gross::NoneWent];
        assert_eq!(all.map(Gross::turns), [true, true, false, false]);
        assert_eq!(all.map(Gross::word), ["far off", "far off", "nothing goes", "no leaf went"]);
        let [far, tight, nothing, none] = all.map(Gross::to_confirm);
        assert!(far == tight && far.contains("compression stroke") && far.contains("push rod straight") && far.contains("stud tight"));
        assert!(nothing.contains("compression stroke") && nothing.contains("bump of the compression release"));
        assert_eq!(none, "");
        let held = |gross: Gross| gross.hold("2E".parse().unwrap());
        assert_eq!(all[..2].iter().map(|one| held(*one)).collect::<Vec<_>>(), [None, None]);
        for gross in &all[2..] {
            assert_eq!(held(*gross).as_deref(), Some("2E: nothing goes; leak-down or compression test before it runs"));
            assert!(gross.still().concat().contains("on hold") && !gross.still().concat().contains("may be set now"));
        }
        assert!(Gross::FarLoose.still().concat().contains("may be set now"));
    }

    #[test]
    fn nothing_that_is_asked_first_says_which_way_to_turn() {
        for gross in [Gross::FarLoose, Gross::FarTight, Gross::NothingGoes, Gross::NoneWent] {
            let asked = gross.asks().concat().to_lowercase();
            assert!(asked.contains("do not turn the adjuster yet") && asked.contains("read again"), "{gross:?}");
            assert!(!asked.contains("open it") && !asked.contains("close it") && !asked.contains("clockwise"), "{gross:?}");
        }
        let [asked, still] = [Gross::NothingGoes.asks(), Gross::NothingGoes.still()].map(<[_]>::concat);
        assert!(asked.contains("eak-down or compression test") && still.contains("eak-down or compression test"));
        assert!(asked.contains("hold") && still.contains("hold"));
    }
}
