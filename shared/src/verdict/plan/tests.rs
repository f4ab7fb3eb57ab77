use proptest::prelude::*;

use super::super::{Why, inside, settling, useful};
use super::*;
use crate::conformance::Spread;

fn tenth(tenth_um: i64) -> Length {
    Length::from_tenth_um(tenth_um)
}

fn thou(low: i64, high: i64) -> Range {
    Range { low: Length::from_thou(low), high: Length::from_thou(high), aim: None }
}

/// Where a true clearance of `doubled / 2` tenths of a µm ends, and after how many tries.
fn walk(plan: &Plan, doubled: i64) -> (usize, Option<Bracket>, Verdict) {
    let (mut step, mut tries) = (&plan.first, 0);
    loop {
        match step {
            Step::Try { feeler, .. } => {
                step = step.answered(2 * feeler.thickness.tenth_um() <= doubled).unwrap();
                tries += 1;
            }
            Step::End { bracket, verdict, .. } => return (tries, *bracket, *verdict),
        }
    }
}

/// The fewest tries at worst, over every order of every feeler that says anything new.
fn fewest(bracket: Option<&Bracket>, range: &Range, feelers: &[Feeler]) -> usize {
    if useful(bracket, range, feelers).is_empty() {
        return 0;
    }
    let tries = |thickness: Length| {
        let worse = [true, false].map(|enters| fewest(after(bracket, thickness, enters).as_ref(), range, feelers));
        1 + worse[0].max(worse[1])
    };
    feelers.iter().filter(|f| inside(bracket, f.thickness)).map(|f| tries(f.thickness)).min().unwrap_or(0)
}

/// The tries at worst by the limits alone.
fn tries_to_settle(bracket: Option<&Bracket>, range: &Range, feelers: &[Feeler]) -> usize {
    settling(bracket, range, feelers).map_or(0, |next| {
        let following = [true, false].map(|enters| tries_to_settle(after(bracket, next.feeler.thickness, enters).as_ref(), range, feelers));
        1 + following[0].max(following[1])
    })
}

#[test]
fn the_plan_for_four_to_six_thou_reads_as_a_tree() {
    // The aim, then a leaf to the side on which the clearance lies; over 6, the stack of 2.5 and 4.
    let plan = leaf_plan(&thou(4, 6), &LeafSet::inch(), None);
    assert_eq!(plan.worst_case(), 3);
    assert_eq!(
        plan.lines(LengthUnit::Thou),
        [
            "For 4 to 6 thou, at most 3 tries:",
            "try 5 thou",
            "  enters: try 6 thou",
            "    enters: try 6.5 thou (2.5 and 4 thou stacked)",
            "      enters: loose",
            "      refused: too close to call",
            "        a leaf a little over 6 thou would tell more",
            "    refused: in spec",
            "  refused: try 4 thou",
            "    enters: in spec",
            "    refused: tight",
        ]
    );
}

/// Where the leaves cannot give the proof that the shop asks for, the plan says so of what ends in spec, and of nothing else.
#[test]
fn what_ends_in_spec_without_the_proof_asked_for_says_so() {
    let ends = |leaf_tenth_um: f64| {
        let spread = Spread { leaf_tenth_um, feel_tenth_um: 0.0, source: "invented".to_owned() };
        let plan = leaf_plan(&thou(4, 6), &LeafSet::inch(), Some(&Proof { spread, level: 0.95 }));
        let ends = plan.lines(LengthUnit::Thou).into_iter().filter(|line| !line.contains("try") && !line.contains("would tell"));
        let ends: Vec<String> = ends.map(|line| line.rsplit(": ").next().unwrap_or_default().to_owned()).collect();
        let of = |word: &str| ends.iter().filter(|end| *end == word).count();
        (of("in spec"), of("in spec, not proven"), ends.iter().filter(|end| end.contains("not proven")).count())
    };
    // 3 mm and a hundredth of a micrometre: nothing is proven, everything is.
    let (proven, unproven, said) = ends(30_000.0);
    assert!(proven == 0 && unproven > 0 && said == unproven, "{proven} {unproven} {said}");
    let (proven, unproven, said) = ends(0.1);
    assert!(proven > 0 && unproven == 0 && said == 0, "{proven} {unproven} {said}");
}

#[test]
fn a_set_that_reaches_nothing_and_a_range_that_is_none_are_said() {
    let thick = LeafSet::new(vec![Length::from_thou(30)]).unwrap();
    let plan = leaf_plan(&thou(4, 6), &thick, None);
    assert_eq!(plan.worst_case(), 1);
    assert_eq!(
        plan.lines(LengthUnit::Thou),
        [
            "For 4 to 6 thou, at most 1 try:",
            "try 30 thou",
            "  enters: loose",
            "  refused: too close to call",
            "    a leaf of 4 thou would tell more"
        ]
    );
    let from_nothing = leaf_plan(&thou(0, 4), &LeafSet::inch(), None);
    assert_eq!(from_nothing.first, Step::End { bracket: None, verdict: Verdict::NotSettled(Why::NoRange), unproven: false });
    let none = leaf_plan(&thou(6, 4), &LeafSet::inch(), None);
    assert_eq!(none.first, Step::End { bracket: None, verdict: Verdict::NotSettled(Why::NoRange), unproven: false });
    assert_eq!(
        none.lines(LengthUnit::Thou),
        ["For 6 to 4 thou, at most 0 tries:", "not judged", "  the card's range is no range; ask the office"]
    );
}

#[test]
fn on_the_wire() {
    let set = LeafSet::new(vec![Length::from_thou(30)]).unwrap();
    assert_eq!(
        serde_json::to_string(&leaf_plan(&thou(4, 6), &set, None).first).unwrap(),
        concat!(
            r#"{"step":"try","feeler":{"thickness_tenth_um":7620,"leaves_tenth_um":[7620]},"#,
            r#""if_enters":{"step":"end","bracket":{"go_tenth_um":7620},"verdict":"loose"},"#,
            r#""if_refused":{"step":"end","bracket":{"no_go_tenth_um":7620},"verdict":"not-settled","why":"leaf-edge"}}"#
        )
    );
}

fn ranges() -> impl Strategy<Value = Range> {
    let step = prop_oneof![Just(1i64), Just(100), Just(254)];
    let steps = step.prop_flat_map(|step| (Just(step), 1..=3000 / step, 1..=2000 / step));
    steps.prop_map(|(step, low, width)| Range { low: tenth(low * step), high: tenth((low + width) * step), aim: None })
}

fn sets() -> impl Strategy<Value = LeafSet> {
    let any = prop::collection::btree_set(1i64..5000, 1..10).prop_map(|s| LeafSet::new(s.into_iter().map(tenth).collect()).unwrap());
    prop_oneof![any, Just(LeafSet::inch()), Just(LeafSet::metric())]
}

proptest! {
    /// Every true clearance walks to what the whole set could say of it, in at most four tries.
    #[test]
    fn every_clearance_walks_to_its_verdict(range in ranges(), set in sets(), doubled in 1i64..12_000) {
        let plan = leaf_plan(&range, &set, None);
        let (tries, bracket, verdict) = walk(&plan, doubled);
        let feelers = set.stacks();
        let enters = |f: &&Feeler| 2 * f.thickness.tenth_um() <= doubled;
        let go = feelers.iter().rev().find(enters).map(|f| f.thickness);
        let no_go = feelers.iter().find(|f| !enters(f)).map(|f| f.thickness);
        let finest = Bracket::new(go, no_go).unwrap();
        prop_assert_eq!(verdict, judge(&finest, &range));
        prop_assert_eq!(bracket.map(|b| judge(&b, &range)), Some(verdict));

        prop_assert!(tries <= plan.worst_case() && plan.worst_case() <= 4, "{} tries", plan.worst_case());
    }

    /// No order of the set's feelers would settle a verdict in fewer tries at worst than the limits alone do.
    #[test]
    fn no_order_is_shorter(low in 1i64..12, width in 1i64..12, leaves in prop::collection::btree_set(1i64..16, 1..5)) {
        let range = Range { low: tenth(low), high: tenth(low + width), aim: None };
        let feelers = LeafSet::new(leaves.into_iter().map(tenth).collect()).unwrap().stacks();
        prop_assert_eq!(tries_to_settle(None, &range, &feelers), fewest(None, &range, &feelers));
    }

    /// Any range of any integers gives lines of at most 80 columns.
    #[test]
    fn lines_fit_a_screen(low in any::<i64>(), high in any::<i64>(), set in sets(), small in ranges(), mm in any::<bool>()) {
        let unit = if mm { LengthUnit::Mm } else { LengthUnit::Thou };
        for range in [small, Range { low: tenth(low), high: tenth(high), aim: None }] {
            for line in leaf_plan(&range, &set, None).lines(unit) {
                prop_assert!(line.chars().count() <= 80, "{}", line);
            }
        }
    }
}
