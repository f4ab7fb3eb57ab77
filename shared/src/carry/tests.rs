#![expect(clippy::cast_possible_truncation, reason = "small numbers made up for tests")]

use proptest::prelude::*;

use super::*;
use crate::length::Length;

/// In tenths of a µm.
fn bracket(go: Option<i64>, no_go: Option<i64>) -> Bracket {
    Bracket::new(go.map(Length::from_tenth_um), no_go.map(Length::from_tenth_um)).unwrap()
}

/// Between two whole thou.
fn thou(set: i64, left: i64) -> CarryPair {
    let between = |go: i64| bracket(Some(254 * go), Some(254 * (go + 1)));
    CarryPair { set: between(set), left: between(left) }
}

#[test]
fn a_tendency_is_seen_and_said() {
    // Six of nine settings go down by a leaf, three stand still: two thirds of a thou.
    let pairs = [thou(5, 4), thou(5, 4), thou(5, 5), thou(6, 5), thou(5, 4), thou(5, 5), thou(5, 4), thou(6, 5), thou(5, 5)];
    let found = carry(&pairs).unwrap();
    assert_eq!((found.pairs, found.closed, found.opened, found.tends), (9, 6, 0, Tends::Tighter));
    assert!((found.p - 2.0 / 64.0).abs() < 1e-14, "{found:?}");
    assert_eq!((found.likely.map(f64::round), found.low, found.high), (Some(-169.0), Some(-508.0), Some(0.0)));
    let words = "Pia's lock nut closes the gap by about 0.7 thou; set that much wider, then check again after turning the engine over.";
    assert_eq!(found.words("Pia", LengthUnit::Thou), words);
    assert!(found.words("Pia", LengthUnit::Mm).contains("about 0.017 mm"), "{}", found.words("Pia", LengthUnit::Mm));
}

/// 0.6 thou, read exactly.
#[test]
fn six_tenths_of_a_thou() {
    let pairs = [152, 140, 160, 152, 152, 170]
        .map(|by| CarryPair { set: bracket(Some(1270), Some(1271)), left: bracket(Some(1270 - by), Some(1271 - by)) });
    let found = carry(&pairs).unwrap();
    // Each held to 151 to 153, the interval of the median: (151 + 3 · 152 + 2 · 153) / 6, by hand.
    assert!((found.likely.unwrap() + 913.0 / 6.0).abs() < 1e-9, "{found:?}");
    assert!(found.words("Pia", LengthUnit::Thou).starts_with("Pia's lock nut closes the gap by about 0.6 thou; set that much wider,"));
    // The other way round.
    let pairs = pairs.map(|pair| CarryPair { set: pair.left, left: pair.set });
    let found = carry(&pairs).unwrap();
    assert_eq!((found.tends, found.likely.map(f64::round)), (Tends::Looser, Some(152.0)));
    assert!(found.words("Pia", LengthUnit::Thou).starts_with("Pia's lock nut opens the gap by about 0.6 thou; set that much tighter,"));
}

#[test]
fn few_and_mixed_pairs_are_no_tendency() {
    let five = carry(&[thou(5, 4); 5]).unwrap();
    assert_eq!((five.tends, five.p), (Tends::NotKnown, 2.0 / 32.0));
    assert_eq!(
        five.words("Pia", LengthUnit::Thou),
        "What Pia's lock nut does is not known yet (closed in 5, opened in 0 of 5 pairs): too few settings tell."
    );
    let still = carry(&[thou(5, 5); 8]).unwrap();
    assert_eq!((still.tends, still.p, still.likely), (Tends::Neither, 1.0, Some(0.0)));
    assert_eq!(
        still.words("Pia", LengthUnit::Thou),
        "Pia's lock nut does not move the gap one way or the other (closed in 0, opened in 0 of 8 pairs)."
    );
    // Five that moved and one that did not may yet be a tendency.
    let mut pairs = vec![thou(5, 4); 5];
    pairs.push(thou(5, 5));
    assert_eq!(carry(&pairs).unwrap().tends, Tends::NotKnown);
    // Eight of ten: 2 · 56/1024, counted out.
    let mut pairs = vec![thou(5, 4); 8];
    pairs.extend([thou(4, 5); 2]);
    let found = carry(&pairs).unwrap();
    assert!((found.p - 0.109_375).abs() < 1e-14 && found.tends == Tends::Neither, "{found:?}");
}

#[test]
fn open_brackets_tell_one_side_or_nothing() {
    assert_eq!(carry(&[]), Err(CarryError::NoPairs));
    let open = CarryPair { set: bracket(Some(1270), None), left: bracket(Some(1270), None) };
    assert_eq!(carry(&[open]), Err(CarryError::AllOpen));
    // Left under the leaf that entered when set: closed, by how much is open.
    let closed = CarryPair { set: bracket(Some(1270), None), left: bracket(None, Some(1270)) };
    let found = carry(&[closed; 6]).unwrap();
    assert_eq!((found.likely, found.low, found.high), (None, None, Some(0.0)));
    assert_eq!((found.closed, found.tends), (6, Tends::Tighter));
    assert_eq!(
        found.words("Pia", LengthUnit::Thou),
        "Pia's lock nut closes the gap (closed in 6, opened in 0 of 6 pairs), by how much is not known; check again after turning the engine over."
    );
}

/// By the rule's words: six pairs at the least, and those that stood still the more where fewer than six moved.
#[test]
fn how_many_pairs_tell() {
    let tends = |closed: usize, opened: usize, still: usize| {
        let pairs = [vec![thou(5, 4); closed], vec![thou(5, 6); opened], vec![thou(5, 5); still]].concat();
        carry(&pairs).unwrap().tends
    };
    assert_eq!((tends(0, 0, 5), tends(0, 0, 6)), (Tends::NotKnown, Tends::Neither));
    assert_eq!((tends(4, 0, 4), tends(4, 0, 5)), (Tends::NotKnown, Tends::Neither));
    // Three that moved and two that did not are five, whichever way they moved.
    assert_eq!((tends(3, 0, 2), tends(0, 3, 2)), (Tends::NotKnown, Tends::NotKnown));
    assert_eq!((tends(3, 3, 0), tends(3, 2, 0)), (Tends::Neither, Tends::NotKnown));
    assert_eq!((tends(6, 0, 0), tends(0, 6, 0)), (Tends::Tighter, Tends::Looser));
}

#[test]
fn on_the_wire() {
    let pair = serde_json::to_string(&thou(5, 4)).unwrap();
    assert_eq!(pair, r#"{"set":{"go_tenth_um":1270,"no_go_tenth_um":1524},"left":{"go_tenth_um":1016,"no_go_tenth_um":1270}}"#);
    let found = carry(&[thou(5, 4); 5]).unwrap();
    let text = serde_json::to_string(&found).unwrap();
    assert_eq!(
        text,
        r#"{"likely_tenth_um":-254.0,"low_tenth_um":-508.0,"high_tenth_um":0.0,"pairs":5,"closed":5,"opened":0,"p":0.0625,"tends":"not-known"}"#
    );
    assert_eq!(serde_json::from_str::<Carry>(&text).unwrap(), found);
}

fn any_bracket() -> impl Strategy<Value = Bracket> {
    let leaf = prop::option::of(prop_oneof![1i64..3000, Just(i64::MAX), Just(1)].prop_map(Length::from_tenth_um));
    (leaf.clone(), leaf).prop_filter_map("no bracket", |(go, no_go)| Bracket::new(go, no_go).ok())
}

proptest! {
    /// Whatever the clearances were, the median of their changes is in the interval.
    #[test]
    fn the_interval_holds_the_true_median(changes in prop::collection::vec((1000i64..2000, -300i64..300, 1i64..200, 1i64..200, 0.0f64..1.0), 1..20)) {
        let pairs: Vec<CarryPair> = changes.iter().map(|(set, change, wide, wider, place)| {
            let around = |at: i64, width: i64| {
                let below = ((width as f64) * place) as i64;
                bracket(Some(at - below), Some(at - below + width.max(1)))
            };
            CarryPair { set: around(*set, *wide), left: around(set + change, *wider) }
        }).collect();
        let mut true_changes: Vec<i64> = changes.iter().map(|change| change.1).collect();
        true_changes.sort_unstable();
        let middle = true_changes.len() / 2;
        let median = if true_changes.len() % 2 == 1 { true_changes[middle] as f64 } else { (true_changes[middle - 1] + true_changes[middle]) as f64 / 2.0 };
        let found = carry(&pairs).unwrap();
        prop_assert!(found.low.unwrap() <= median && median <= found.high.unwrap(), "{found:?} {median}");
    }

    #[test]
    fn nothing_panics(pairs in prop::collection::vec((any_bracket(), any_bracket()), 0..20)) {
        let pairs: Vec<CarryPair> = pairs.into_iter().map(|(set, left)| CarryPair { set, left }).collect();
        if let Ok(found) = carry(&pairs) {
            prop_assert!(found.words("Pia", LengthUnit::Mm).ends_with('.'));
            prop_assert!((0.0..=1.0).contains(&found.p));
            if let (Some(low), Some(likely)) = (found.low, found.likely) { prop_assert!(low <= likely); }
            if let (Some(high), Some(likely)) = (found.high, found.likely) { prop_assert!(likely <= high); }
        }
    }
}
