use proptest::prelude::*;

use super::*;

fn thou(values: &[i64]) -> Vec<Length> {
    values.iter().map(|v| Length::from_thou(*v)).collect()
}

#[test]
fn lists_and_ranges_are_read() {
    let read = |text: &str, unit| LeafSet::parse(text, unit).unwrap().leaves().to_vec();
    assert_eq!(read("7, 2, 3;4 5 6 7", LengthUnit::Thou), thou(&[2, 3, 4, 5, 6, 7]));
    assert_eq!(read("2-12", LengthUnit::Thou), thou(&[2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12]));
    assert_eq!(read("2 – 4 thou", LengthUnit::Mm), thou(&[2, 3, 4]));
    for one_blank in ["2 -4", "2- 4", "2   -4", "2-   4"] {
        assert_eq!(read(one_blank, LengthUnit::Thou), thou(&[2, 3, 4]), "{one_blank}");
    }
    assert_eq!(read("0.002in-0.004in 1.5thou", LengthUnit::Mm), [381, 508, 762, 1016].map(Length::from_tenth_um));
    assert_eq!(read("0.05mm,0.10mm", LengthUnit::Thou), [500, 1000].map(Length::from_tenth_um));
    assert_eq!(read("0.05-0.08 0.10", LengthUnit::Mm), [500, 600, 700, 800, 1000].map(Length::from_tenth_um));
    assert_eq!(read("0.05 mm 0.1", LengthUnit::Mm), [500, 1000].map(Length::from_tenth_um));
    // Leaves as they are marked, in inches; and a decimal comma where it can be nothing else.
    assert_eq!(read(".004,.005,.006", LengthUnit::Thou), thou(&[4, 5, 6]));
    assert_eq!(read(".0015 0.004-0.006", LengthUnit::Thou), [381, 1016, 1270, 1524].map(Length::from_tenth_um));
    assert_eq!(read("0,05;0,10 mm", LengthUnit::Mm), [500, 1000].map(Length::from_tenth_um));
}

#[test]
fn what_is_no_set_is_said() {
    let said = |text: &str, unit| LeafSet::parse(text, unit).unwrap_err().in_unit(unit);
    assert_eq!(said("5", LengthUnit::Mm), "5 mm is thicker than any feeler leaf (at most 1.5 mm): did you mean 0.5 mm?");
    assert_eq!(said("60", LengthUnit::Thou), "60 thou is thicker than any feeler leaf (at most 59 thou, 1.5 mm): did you mean 6 thou?");
    assert_eq!(said("20", LengthUnit::Mm), "20 mm is thicker than any feeler leaf (at most 1.5 mm).");
    assert_eq!(said("0", LengthUnit::Thou), "0 thou is no leaf: a leaf has a thickness above zero.");
    assert_eq!(said("-5", LengthUnit::Thou), "-5 thou is no leaf: a leaf has a thickness above zero.");
    assert_eq!(said(" , ", LengthUnit::Mm), "A leaf set has at least one leaf: write their thicknesses, as in 2,3,4,5,6 or 2-12.");
    assert!(said("1,5 2,5", LengthUnit::Thou).contains("a comma can be a decimal comma or stand between two leaves"));
    assert!(said(",0015,2", LengthUnit::Thou).contains("decimal comma"));
    assert!(said(".5,1", LengthUnit::Thou).starts_with("\".5\" can be 0.5 thou, 0.5 in. or 0.5 mm: write its unit"));
    assert!(said("0.01", LengthUnit::Mm).starts_with("\"0.01\" can be 0.01 mm or 0.01 in."));
    assert!(said("0.01mm", LengthUnit::Mm).starts_with("0.01 mm is thinner than any feeler leaf"));
    assert!(said("12-2", LengthUnit::Thou).starts_with("\"12-2\" is not a range of leaves: write the thinnest first"));
    assert!(said("1.5-4", LengthUnit::Thou).contains("is not a range"));
    assert!(said("thick", LengthUnit::Mm).starts_with("\"thick\" is not a length"));
    assert_eq!(
        LeafSet::parse("0.05mm-5mm", LengthUnit::Mm).unwrap_err().to_string(),
        "5 mm is thicker than any feeler leaf (at most 1.5 mm): did you mean 0.5 mm?"
    );
    let many = (1..=300).map(Length::from_tenth_um).collect();
    assert_eq!(LeafSet::new(many), Err(LeafError::TooMany { given: 300 }));
}

#[test]
fn leaves_at_their_edges() {
    let read = |text: &str, unit| LeafSet::parse(text, unit).map(|set| set.leaves().to_vec());
    assert_eq!(read("1.5", LengthUnit::Mm), Ok(vec![THICKEST_LEAF]));
    assert_eq!(read("3-3", LengthUnit::Thou), Ok(thou(&[3])));
    assert!(read("2-3.5", LengthUnit::Thou).unwrap_err().to_string().contains("is not a range"));
    let most = (1..).map(Length::from_tenth_um).take(MOST_LEAVES).collect();
    assert_eq!(LeafSet::new(most).map(|set| set.leaves().len()), Ok(MOST_LEAVES));
    // A tenth of it is no whole tenth of a µm, so no slip of the point is guessed.
    let odd = check_leaf(Length::from_tenth_um(15_001)).unwrap_err();
    assert_eq!(odd.in_unit(LengthUnit::Mm), "1.5001 mm is thicker than any feeler leaf (at most 1.5 mm).");
    // No leaf is stacked with itself; two may reach the thickest.
    let stacks = |values: &[i64]| LeafSet::new(values.iter().map(|v| Length::from_tenth_um(*v)).collect()).unwrap().stacks().len();
    assert_eq!((stacks(&[400]), stacks(&[7000, 8000]), stacks(&[7000, 8001])), (1, 3, 2));
}

#[test]
fn plain_sets_are_sets() {
    for (set, count, thinnest, thickest) in [(LeafSet::inch(), 26, 381, 6350), (LeafSet::metric(), 19, 300, 10_000)] {
        assert_eq!(LeafSet::new(set.leaves().to_vec()), Ok(set.clone()));
        assert_eq!(set.leaves().len(), count);
        assert_eq!(set.leaves()[0].tenth_um(), thinnest);
        assert_eq!(set.leaves()[count - 1].tenth_um(), thickest);
    }
}

/// Stacks computed outside this crate by brute force: 0.35 mm from the 13-leaf set by three pairs, 0.45 by three, and
/// 0.0045 in from the inch set, exactly (here 2 + 2.5 thou, there 1.5 + 3).
#[test]
fn stacks_prefer_single_leaves_then_stout_ones() {
    let thirteen = LeafSet::parse("0.05,0.10,0.15,0.20,0.25,0.30,0.40,0.50,0.60,0.70,0.80,0.90,1.00", LengthUnit::Mm).unwrap();
    let made = |set: &LeafSet, tenth_um: i64| {
        let found = set.stacks().into_iter().find(|f| f.thickness.tenth_um() == tenth_um);
        found.map(|f| f.leaves.iter().map(|l| l.tenth_um()).collect::<Vec<_>>())
    };
    assert_eq!(made(&thirteen, 3500), Some(vec![1500, 2000]));
    assert_eq!(made(&thirteen, 4500), Some(vec![2000, 2500]));
    assert_eq!(made(&thirteen, 3000), Some(vec![3000]));
    assert_eq!(made(&thirteen, 11_500), Some(vec![2500, 9000]));
    assert_eq!(made(&thirteen, 1300), None);
    assert_eq!(made(&thirteen, 19_000), None);
    assert_eq!(made(&LeafSet::inch(), 1143), Some(vec![508, 635]));
    let feeler = LeafSet::inch().stacks().into_iter().find(|f| f.thickness.tenth_um() == 1651).unwrap();
    assert_eq!(feeler.words(LengthUnit::Thou), "6.5 thou (2.5 and 4 thou stacked)");
}

#[test]
fn on_the_wire() {
    let set = LeafSet::new(thou(&[5, 4])).unwrap();
    let text = serde_json::to_string(&set).unwrap();
    assert_eq!(text, r#"{"leaves_tenth_um":[1016,1270]}"#);
    assert_eq!(serde_json::from_str::<LeafSet>(&text).unwrap(), set);
    assert!(serde_json::from_str::<LeafSet>(r#"{"leaves_tenth_um":[]}"#).is_err());
    assert_eq!(serde_json::to_string(&set.stacks()[0]).unwrap(), r#"{"thickness_tenth_um":1016,"leaves_tenth_um":[1016]}"#);
}

proptest! {
    #[test]
    fn no_text_panics(text in "[0-9.,;\\- \"a-zµ–]{0,24}|.{0,16}", mm in any::<bool>()) {
        let unit = if mm { LengthUnit::Mm } else { LengthUnit::Thou };
        if let Err(refused) = LeafSet::parse(&text, unit) {
            prop_assert!(!refused.in_unit(unit).is_empty());
        }
    }

    #[test]
    fn stacks_are_sorted_once_each_and_add_up(leaves in prop::collection::btree_set(1i64..15_000, 1..12)) {
        let set = LeafSet::new(leaves.into_iter().map(Length::from_tenth_um).collect()).unwrap();
        let stacks = set.stacks();
        prop_assert!(stacks.windows(2).all(|w| w[0].thickness < w[1].thickness));
        for feeler in &stacks {
            let sum = feeler.leaves.iter().fold(Length::ZERO, |sum, leaf| sum.plus(*leaf));
            prop_assert_eq!(sum, feeler.thickness);
            prop_assert_eq!(feeler.leaves.len() == 1, set.leaves().contains(&feeler.thickness));
        }
    }
}
