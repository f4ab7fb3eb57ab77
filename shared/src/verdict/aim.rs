//! The aim leaf: what a valve is set with, and tried first; then one leaf to the side on which the clearance lies.
//!
//! Leaves at the limits alone call every good valve "low to high": nothing is learned of drift, carry or agreement, and a
//! reading that reaches from limit to limit proves least. No source: it follows from what a bracket is.

use super::{Verdict, inside, judge};
use crate::bracket::Bracket;
use crate::conformance::{Decision, Spread, decide};
use crate::engine_card::Range;
use crate::leaf::{Feeler, LeafSet};
use crate::length::{Length, LengthUnit};
use crate::record::ShopCard;

/// What a shop asks of a reading beyond its verdict: the probability with which it is to lie in its range.
#[derive(Debug, Clone, PartialEq)]
pub struct Proof {
    /// What the leaves may be off by.
    pub spread: Spread,
    /// How sure is sure enough, 0.5 to below 1.
    pub level: f64,
}

impl Proof {
    /// What a shop asks for; `None` where it states neither leaf tolerance nor feel, so that no probability can be given.
    ///
    /// The tolerance is a half-width with nothing known of where in it a leaf lies: its standard uncertainty is t/√3
    /// (JCGM 100:2008 4.3.7, from memory). The feel is stated as one already.
    #[must_use]
    pub fn of(shop: &ShopCard) -> Option<Self> {
        let (tolerance, feel) = (f64::from(shop.leaf_tolerance_tenth_um), f64::from(shop.feel_tenth_um));
        let source = "as the shop's settings say".to_owned();
        let spread = Spread { leaf_tenth_um: tolerance / 3f64.sqrt(), feel_tenth_um: feel, source };
        (tolerance > 0.0 || feel > 0.0).then(|| Self { spread, level: shop.conformance_level() })
    }

    /// Whether a reading is proven to lie in its range (JCGM 106). An open bracket proves nothing.
    #[must_use]
    pub fn met(&self, bracket: &Bracket, range: &Range) -> bool {
        decide(bracket, range, &self.spread, self.level).is_ok_and(|decided| decided.decision == Decision::Accept)
    }

    /// What to say of a reading that is in spec and not proven; `None` where it is proven, or not in spec.
    #[must_use]
    pub fn lacking(&self, bracket: &Bracket, range: &Range, unit: LengthUnit) -> Option<String> {
        let decided = decide(bracket, range, &self.spread, self.level).ok()?;
        let short = judge(bracket, range) == Verdict::InSpec && decided.decision != Decision::Accept;
        short.then(|| decided.words(unit))
    }
}

/// The feeler to set a valve with: of those within the range the nearest to the aim, or to the middle where no aim is named.
/// Of two as near, a single leaf before a stack, then the thinner. `None` where none lies in the range, or it is no range.
#[must_use]
pub fn aim_leaf(range: &Range, set: &LeafSet) -> Option<Feeler> {
    nearest_to_aim(range, &set.stacks()).cloned()
}

/// What to set a valve with, in a sentence; says so where no leaf of the set can.
#[must_use]
pub fn setting_words(range: &Range, set: &LeafSet, unit: LengthUnit) -> String {
    match aim_leaf(range, set) {
        // Common practice, no source.
        Some(leaf) => format!("Set it with {}: it goes with a light drag.", leaf.words(unit)),
        None => format!(
            "No leaf or two-leaf stack of the set lies in {} to {}: it cannot be set with these.",
            range.low.show_bare(unit),
            range.high.show(unit)
        ),
    }
}

/// The feeler to try for the sake of the aim: the aim leaf itself, then one to the side on which the clearance lies.
///
/// To that side the single leaf nearest to the aim that proves the reading if it ends there; else the stack farthest from the
/// aim that does; else, where nothing within the range proves it, the nearest single leaf. `None` once the reading is in spec and
/// proven, or where none of these is left: then the limits decide.
pub(super) fn for_the_aim<'f>(
    bracket: Option<&Bracket>,
    range: &Range,
    feelers: &'f [Feeler],
    proof: Option<&Proof>,
) -> Option<&'f Feeler> {
    let aim = nearest_to_aim(range, feelers)?;
    if inside(bracket, aim.thickness) {
        return Some(aim);
    }
    let bracket = bracket?;
    let goes = bracket.go() == Some(aim.thickness);
    if !goes && bracket.no_go() != Some(aim.thickness) {
        return None;
    }
    let proves = |bracket: &Bracket| judge(bracket, range) == Verdict::InSpec && proof.is_none_or(|proof| proof.met(bracket, range));
    if proves(bracket) {
        return None;
    }
    let ends_there = |feeler: &Feeler| {
        let (go, no_go) = if goes { (aim.thickness, feeler.thickness) } else { (feeler.thickness, aim.thickness) };
        Bracket::new(Some(go), Some(no_go)).is_ok_and(|bracket| proves(&bracket))
    };
    let mut beside: Vec<&Feeler> = feelers.iter().filter(|f| within(range, f) && inside(Some(bracket), f.thickness)).collect();
    beside.sort_by_key(|feeler| feeler.thickness.minus(aim.thickness).tenth_um().abs());
    let single = |feeler: &&&Feeler| feeler.leaves.len() == 1;
    let nearest = beside.iter().filter(single).find(|feeler| ends_there(feeler));
    let farthest = || beside.iter().rev().find(|feeler| ends_there(feeler));
    let open = judge(bracket, range) != Verdict::InSpec;
    let any = || beside.iter().find(single).filter(|_| open);
    nearest.or_else(farthest).or_else(any).copied()
}

fn nearest_to_aim<'f>(range: &Range, feelers: &'f [Feeler]) -> Option<&'f Feeler> {
    if range.low <= Length::ZERO || range.low >= range.high {
        return None;
    }
    let doubled = range.aim.map_or_else(|| range.low.plus(range.high), |aim| aim.plus(aim));
    let off = |feeler: &&Feeler| {
        let off = feeler.thickness.plus(feeler.thickness).minus(doubled).tenth_um().saturating_abs();
        (off, feeler.leaves.len(), feeler.thickness)
    };
    feelers.iter().filter(|feeler| within(range, feeler)).min_by_key(off)
}

fn within(range: &Range, feeler: &Feeler) -> bool {
    range.low <= feeler.thickness && feeler.thickness <= range.high
}

#[cfg(test)]
mod tests {
    use super::super::next_leaf;
    use super::*;

    fn thou(thou: i64) -> Length {
        Length::from_thou(thou)
    }

    fn range(low: i64, high: i64, aim: Option<i64>) -> Range {
        Range { low: thou(low), high: thou(high), aim: aim.map(thou) }
    }

    fn proof(leaf_tenth_um: f64) -> Proof {
        Proof { spread: Spread { leaf_tenth_um, feel_tenth_um: 0.0, source: "invented".to_owned() }, level: 0.95 }
    }

    /// The leaves tried on a gap of so many hundredths of a thou, and the bracket that they leave.
    fn tried(gap: i64, range: &Range, set: &LeafSet, proof: Option<&Proof>) -> (Vec<String>, String) {
        let (mut bracket, mut tried) = (None, Vec::new());
        while let Some(next) = next_leaf(bracket.as_ref(), range, set, proof) {
            let goes = 100 * next.feeler.thickness.tenth_um() <= gap * 254;
            bracket = super::super::after(bracket.as_ref(), next.feeler.thickness, goes);
            tried.push(next.feeler.thickness.show_bare(LengthUnit::Thou));
            assert!(tried.len() < 9, "{tried:?}");
        }
        (tried, bracket.unwrap().show(LengthUnit::Thou))
    }

    #[test]
    fn the_aim_comes_first_and_then_one_leaf_to_its_side() {
        let (set, four_to_six) = (LeafSet::inch(), range(4, 6, Some(5)));
        let of = |gap| tried(gap, &four_to_six, &set, None);
        assert_eq!(of(530), (vec!["5".into(), "6".into()], "5 to 6 thou".into()));
        assert_eq!(of(460), (vec!["5".into(), "4".into()], "4 to 5 thou".into()));
        assert_eq!(of(390), (vec!["5".into(), "4".into()], "under 4 thou".into()));
        assert_eq!(of(700), (vec!["5".into(), "6".into(), "6.5".into()], "at least 6.5 thou".into()));
        // A wide range: the neighbour of the aim, and not the limit.
        assert_eq!(tried(530, &range(4, 8, None), &set, None), (vec!["6".into(), "5".into()], "5 to 6 thou".into()));
        // Known already to lie within the limits, the aim is one more try.
        let limits = Bracket::new(Some(thou(4)), Some(thou(6))).unwrap();
        assert_eq!(next_leaf(Some(&limits), &four_to_six, &set, None).unwrap().feeler.thickness, thou(5));
    }

    #[test]
    fn the_leaf_beside_the_aim_is_one_that_proves_what_the_shop_asks_for() {
        let (set, four_to_six) = (LeafSet::inch(), range(4, 6, Some(5)));
        // A bracket of a thou that ends at the limit lies outside with 0.3989 s: 0.1 thou is proven, 0.2 thou is not.
        assert_eq!(tried(530, &four_to_six, &set, Some(&proof(25.4))).0, ["5", "6"]);
        let doubtful = proof(50.8);
        assert_eq!(tried(530, &four_to_six, &set, Some(&doubtful)), (vec!["5".into(), "5.5".into()], "5 to 5.5 thou".into()));
        assert_eq!(tried(470, &four_to_six, &set, Some(&doubtful)), (vec!["5".into(), "4.5".into()], "4.5 to 5 thou".into()));
        // Where the leaves do not allow it, it is said: so near to the limit, and with leaves a thou apart.
        let near = tried(580, &four_to_six, &set, Some(&doubtful));
        assert_eq!(near, (vec!["5".into(), "5.5".into(), "6".into()], "5.5 to 6 thou".into()));
        // Where nothing proves it, the single leaf beside the aim, and not the limit.
        let (never, four_to_eight) = (proof(2_540.0), range(4, 8, None));
        assert_eq!(tried(650, &four_to_eight, &set, Some(&never)).0, ["6", "7"]);
        assert_eq!(tried(550, &four_to_eight, &set, Some(&never)).0, ["6", "5"]);
        let said = |go, no_go, proof: &Proof| {
            let bracket = Bracket::new(Some(Length::from_tenth_um(go)), Some(Length::from_tenth_um(no_go))).unwrap();
            proof.lacking(&bracket, &four_to_six, LengthUnit::Thou)
        };
        let lacking = said(1397, 1524, &doubtful).unwrap();
        // 1 − 0.4 · (G(0) − G(−2.5)) = 1 − 0.4 · (0.398942 − 0.002004), by hand.
        assert!(lacking.starts_with("Not proven either way:") && lacking.contains("with 84.1 % probability"), "{lacking}");
        assert_eq!((said(1270, 1397, &doubtful), said(1778, 2032, &doubtful)), (None, None));
        let whole = LeafSet::new((3..10).map(thou).collect()).unwrap();
        assert_eq!(tried(530, &four_to_six, &whole, Some(&doubtful)).1, "5 to 6 thou");
    }

    #[test]
    fn a_valve_is_set_with_the_leaf_nearest_to_the_aim() {
        let words = |range: &Range, set: &LeafSet| setting_words(range, set, LengthUnit::Thou);
        assert_eq!(words(&range(4, 6, Some(5)), &LeafSet::inch()), "Set it with 5 thou: it goes with a light drag.");
        let few = LeafSet::new([2, 3, 9].map(thou).to_vec()).unwrap();
        assert_eq!(words(&range(4, 6, None), &few), "Set it with 5 thou (2 and 3 thou stacked): it goes with a light drag.");
        let thick = LeafSet::new(vec![thou(9)]).unwrap();
        assert_eq!(
            words(&range(4, 6, None), &thick),
            "No leaf or two-leaf stack of the set lies in 4 to 6 thou: it cannot be set with these."
        );
        assert_eq!(aim_leaf(&range(6, 4, None), &LeafSet::inch()), None);
    }

    #[test]
    fn what_a_shop_asks_for_is_its_level_at_its_tolerance() {
        let shop = ShopCard { leaf_tolerance_tenth_um: 30, conformance_milli: 990, ..ShopCard::usual("Shop", "UTC") };
        let asked = Proof::of(&shop).unwrap();
        // 30/√3, by hand.
        assert!((asked.spread.leaf_tenth_um - 17.320_508).abs() < 1e-6 && (asked.level - 0.99).abs() < 1e-12);
        let felt = Proof::of(&ShopCard { feel_tenth_um: 38, ..ShopCard::usual("Shop", "UTC") }).unwrap();
        assert_eq!((felt.spread.leaf_tenth_um, felt.spread.feel_tenth_um, felt.level), (0.0, 38.0, 0.95));
        assert_eq!(Proof::of(&ShopCard::usual("Shop", "UTC")), None);
    }
}
