use proptest::prelude::*;

use super::*;
use crate::engine_card::{Duty, Interval, Source};
use crate::record::Stage;
use crate::valve::Side;

fn tenth(tenth_um: i64) -> Length {
    Length::from_tenth_um(tenth_um)
}

fn bracket(go: Option<i64>, no_go: Option<i64>) -> Bracket {
    Bracket::new(go.map(Length::from_thou), no_go.map(Length::from_thou)).unwrap()
}

/// 4 to 6 thou, aim 5: common practice, no source.
fn range() -> Range {
    Range { low: Length::from_thou(4), high: Length::from_thou(6), aim: Some(Length::from_thou(5)) }
}

const EDGE: Verdict = Verdict::NotSettled(Why::LeafEdge);

#[test]
fn both_edges_decide_and_half_open_is_respected() {
    for (go, no_go, verdict) in [
        (Some(4), Some(5), Verdict::InSpec),
        (Some(4), Some(6), Verdict::InSpec),
        (Some(5), Some(7), EDGE),
        (Some(6), Some(7), EDGE),
        (Some(7), Some(8), Verdict::Loose),
        (Some(3), Some(4), Verdict::Tight),
        (Some(3), Some(5), EDGE),
        (None, Some(4), Verdict::Tight),
        (None, Some(5), EDGE),
        (Some(7), None, Verdict::Loose),
        (Some(6), None, EDGE),
        (Some(5), None, EDGE),
    ] {
        assert_eq!(judge(&bracket(go, no_go), &range()), verdict, "{go:?} {no_go:?}");
    }
    // A no-go leaf one tenth of a µm over the range leaves room for a clearance outside it.
    let hair = Bracket::new(Some(tenth(1016)), Some(tenth(1525))).unwrap();
    assert_eq!(judge(&hair, &range()), EDGE);
    let crossed = Range { low: tenth(1524), high: tenth(1016), aim: None };
    assert_eq!(judge(&bracket(Some(4), Some(5)), &crossed), Verdict::NotSettled(Why::NoRange));
}

#[test]
fn a_card_without_source_and_a_warm_engine_settle_nothing() {
    let yearly = Interval { hours: Some(100), months: Some(12) };
    let mut card = EngineCard {
        source: Some(Source { manual: "Invented manual".to_owned(), page: "12".to_owned() }),
        commercial: yearly,
        homeowner: yearly,
        ..EngineCard::plain(
            "0195f2d0-0000-7000-8000-000000000001".parse().unwrap(),
            "twin, 4 to 6 thou",
            2,
            range(),
            Range { low: Length::from_thou(6), high: Length::from_thou(8), aim: None },
        )
    };
    assert_eq!(card.interval(Duty::Commercial), yearly);
    let mut reading = Clearance {
        valve: "2I".parse().unwrap(),
        stage: Stage::Found,
        go: Some(Length::from_thou(4)),
        no_go: Some(Length::from_thou(5)),
        leaves: Vec::new(),
        cold: true,
        engine_tenth_c: None,
        adjusted: false,
        visit: None,
    };
    assert_eq!(judge_on_card(&reading, &card), Verdict::InSpec);
    reading.valve = "2E".parse().unwrap();
    assert_eq!(reading.valve.side(), Side::Exhaust);
    assert_eq!(judge_on_card(&reading, &card), Verdict::Tight);
    reading.cold = false;
    assert_eq!(judge_on_card(&reading, &card), Verdict::NotSettled(Why::NotCold));
    reading.go = Some(tenth(50_000));
    reading.no_go = None;
    assert_eq!(judge_on_card(&reading, &card), Verdict::NotSettled(Why::LeafTooThick));
    // The thickest leaf itself is one.
    let thickest = Clearance { go: Some(THICKEST_LEAF), cold: true, ..reading.clone() };
    assert_eq!(judge_on_card(&thickest, &card), Verdict::Loose);
    reading.go = None;
    assert_eq!(judge_on_card(&reading, &card), Verdict::NotSettled(Why::NoReading));
    reading.valve = "3I".parse().unwrap();
    assert_eq!(judge_on_card(&reading, &card), Verdict::NotSettled(Why::NoSuchValve));
    card.source = Some(Source { manual: " ".to_owned(), page: "12".to_owned() });
    assert_eq!(judge_on_card(&reading, &card), Verdict::NotSettled(Why::NoSource));
    card.source = None;
    assert_eq!(judge_on_card(&reading, &card), Verdict::NotSettled(Why::NoSource));
}

#[test]
fn the_next_leaf_is_the_aim_then_one_beside_it_then_a_limit() {
    let set = LeafSet::inch();
    let next = |go, no_go| next_leaf(Some(&bracket(go, no_go)), &range(), &set, None).map(|n| (n.words(LengthUnit::Thou), n.settles));
    let first = next_leaf(None, &range(), &set, None).unwrap();
    assert_eq!(first.words(LengthUnit::Thou), "Try 5 thou next: still open either way.");
    assert_eq!(next(None, Some(5)), Some(("Try 4 thou next: in spec if it enters, tight if not.".to_owned(), true)));
    assert_eq!(next(Some(5), Some(7)).unwrap().0, "Try 6 thou next: still open if it enters, in spec if not.");
    assert_eq!(
        next(Some(6), Some(7)),
        Some(("Try 6.5 thou (2.5 and 4 thou stacked) next: loose if it enters, still open if not.".to_owned(), false))
    );
    // In spec from limit to limit: once more, for what is learned of it.
    assert_eq!(next(Some(4), Some(6)), Some(("Try 5 thou next: in spec either way.".to_owned(), true)));
    assert_eq!((next(Some(4), Some(5)), next(Some(5), Some(6)), next(Some(3), Some(4))), (None, None, None));
}

/// With the low end decided, a leaf between the ends tells nothing, and does not count as one left to try: so the single
/// leaf over the range is as good as the stack at its end, and handier.
#[test]
fn a_leaf_between_the_ends_is_no_reason_to_stack() {
    let set = LeafSet::new([2_000, 4_000, 5_000, 6_500].map(|milli| tenth(milli * 254 / 1_000)).to_vec()).unwrap();
    let next = settling(Some(&bracket(Some(4), None)), &range(), &set.stacks()).unwrap();
    assert_eq!(next.words(LengthUnit::Thou), "Try 6.5 thou next: loose if it enters, still open if not.");
}

#[test]
fn advice_is_plain() {
    let say = |go, no_go, set: &LeafSet| {
        let bracket = bracket(go, no_go);
        let next = next_leaf(Some(&bracket), &range(), set, None);
        advice(judge(&bracket, &range()), &bracket, &range(), next.as_ref(), LengthUnit::Thou)
    };
    let set = LeafSet::inch();
    assert_eq!(say(Some(4), Some(5), &set), "In spec: 4 to 5 thou lies inside 4 to 6 thou. Leave it alone.");
    assert_eq!(
        say(None, Some(4), &set),
        "Tight: under 4 thou, below 4 to 6 thou. Open it to 5 thou, lock it, turn the engine over twice and check again."
    );
    assert_eq!(
        say(Some(7), None, &set),
        "Loose: at least 7 thou, above 4 to 6 thou. Close it to 5 thou, lock it, turn the engine over twice and check again."
    );
    assert_eq!(
        say(Some(3), Some(5), &set),
        "Too close to call: 3 to 5 thou is not wholly inside or outside 4 to 6 thou. Try 4 thou next: in spec if it enters, tight if not."
    );
    let coarse = LeafSet::new(vec![Length::from_thou(3), Length::from_thou(7)]).unwrap();
    assert!(
        say(Some(3), Some(7), &coarse)
            .ends_with("No leaf or two-leaf stack of the set tells more; a leaf of 4 thou would. Until then it does not count as in spec.")
    );
    assert!(say(Some(6), Some(7), &coarse).contains("It is 6 thou or more, the end of the range"));
    assert_eq!(
        advice(Verdict::NotSettled(Why::NotCold), &bracket(Some(4), Some(5)), &range(), None, LengthUnit::Mm),
        "Not judged: nobody said that the engine was cold, and the range is for a cold engine. Let it cool, say so, and read again."
    );
}

#[test]
fn on_the_wire() {
    let text = |verdict: Verdict| serde_json::to_string(&verdict).unwrap();
    assert_eq!(text(Verdict::InSpec), r#"{"verdict":"in-spec"}"#);
    assert_eq!(text(EDGE), r#"{"verdict":"not-settled","why":"leaf-edge"}"#);
    for verdict in [Verdict::InSpec, Verdict::Tight, Verdict::Loose, EDGE] {
        assert_eq!(serde_json::from_str::<Verdict>(&text(verdict)).unwrap(), verdict);
    }
    assert_eq!(Verdict::InSpec.word(), "in spec");
    assert_eq!(EDGE.word(), "too close to call");
    assert_eq!(Verdict::NotSettled(Why::NotCold).word(), "not judged");
}

/// Ranges anywhere, and on whole thou or hundredths of a millimetre, where leaves meet their ends.
fn ranges() -> impl Strategy<Value = Range> {
    let step = prop_oneof![Just(1i64), Just(100), Just(254)];
    let steps = step.prop_flat_map(|step| (Just(step), 1..=3000 / step, 1..=2000 / step));
    steps.prop_map(|(step, low, width)| Range { low: tenth(low * step), high: tenth((low + width) * step), aim: None })
}

/// Ranges among few lengths, so that brackets often end exactly where they do.
fn small_ranges() -> impl Strategy<Value = Range> {
    (1i64..20, 1i64..20).prop_map(|(low, width)| Range { low: tenth(low), high: tenth(low + width), aim: None })
}

fn sets() -> impl Strategy<Value = LeafSet> {
    let any = prop::collection::btree_set(1i64..5000, 1..10).prop_map(|s| LeafSet::new(s.into_iter().map(tenth).collect()).unwrap());
    prop_oneof![any, Just(LeafSet::inch()), Just(LeafSet::metric())]
}

/// The narrowest bracket that the feelers can give for a clearance of `doubled / 2` tenths of a µm.
fn finest(feelers: &[Feeler], doubled: i64) -> Option<Bracket> {
    let enters = |f: &&Feeler| 2 * f.thickness.tenth_um() <= doubled;
    let go = feelers.iter().rev().find(enters).map(|f| f.thickness);
    Bracket::new(go, feelers.iter().find(|f| !enters(f)).map(|f| f.thickness)).ok()
}

proptest! {
    /// Learning more never turns a settled verdict into another one.
    #[test]
    fn narrowing_never_flips(range in small_ranges(), mut at in [1i64..45, 1i64..45, 1i64..45, 1i64..45], open in 0u8..3) {
        at.sort_unstable();
        let (outer_go, outer_no_go) = ((open & 1 == 0).then_some(tenth(at[0])), (open & 2 == 0).then_some(tenth(at[3])));
        prop_assume!(at[1] < at[2]);
        let outer = Bracket::new(outer_go, outer_no_go).unwrap();
        let inner = Bracket::new(Some(tenth(at[1])), Some(tenth(at[2]))).unwrap();
        let before = judge(&outer, &range);
        if before.is_settled() {
            prop_assert_eq!(judge(&inner, &range), before);
        }
        if open != 0 {
            prop_assert_ne!(before, Verdict::InSpec);
        }
    }

    /// A settled verdict is true of every clearance in the bracket, whole or half tenths of a µm alike.
    #[test]
    fn a_settled_verdict_is_true(range in small_ranges(), go in 1i64..45, width in 1i64..20, part in 0.0f64..1.0) {
        let bracket = Bracket::new(Some(tenth(go)), Some(tenth(go + width))).unwrap();
        #[expect(clippy::cast_precision_loss, reason = "small whole numbers")]
        let (clearance, low, high) =
            (go as f64 + part * width as f64, range.low.tenth_um() as f64, range.high.tenth_um() as f64);
        match judge(&bracket, &range) {
            Verdict::InSpec => prop_assert!(low <= clearance && clearance <= high),
            Verdict::Tight => prop_assert!(clearance < low),
            Verdict::Loose => prop_assert!(clearance > high),
            Verdict::NotSettled(_) => {}
        }
    }

    /// Following the advice ends settled whenever the whole set could settle it; by the limits alone within a binary search's tries.
    #[test]
    fn following_the_next_leaf_ends(range in ranges(), set in sets(), doubled in 1i64..12_000, aimed in any::<bool>()) {
        let feelers = set.stacks();
        let mut now: Option<Bracket> = None;
        let mut tries = 0u32;
        let mut expected = None;
        let count = useful(None, &range, &feelers).len();
        let following = |now: Option<&Bracket>| if aimed { next_leaf(now, &range, &set, None) } else { settling(now, &range, &feelers) };
        while let Some(next) = following(now.as_ref()) {
            let enters = 2 * next.feeler.thickness.tenth_um() <= doubled;
            now = after(now.as_ref(), next.feeler.thickness, enters);
            let verdict = judge(&now.unwrap(), &range);
            prop_assert_eq!(verdict, if enters { next.if_enters } else { next.if_refused });
            prop_assert!(!next.settles || verdict.is_settled());
            expected = Some(verdict);
            tries += 1;
            prop_assert!(tries <= 4);
        }
        prop_assert!(aimed || 2usize.pow(tries) < 2 * (count + 1), "{} tries for {} feelers", tries, count);
        let could = finest(&feelers, doubled).map(|b| judge(&b, &range));
        if let Some(could) = could {
            prop_assert_eq!(expected, Some(could));
        }
    }

    #[test]
    fn advice_never_panics(range in ranges(), set in sets(), go in prop::option::of(1i64..6000), width in prop::option::of(1i64..1000)) {
        let no_go = width.map(|w| tenth(go.unwrap_or(0) + w));
        if let Ok(bracket) = Bracket::new(go.map(tenth), no_go) {
            let next = next_leaf(Some(&bracket), &range, &set, None);
            let verdict = judge(&bracket, &range);
            prop_assert_eq!(next.is_some() && matches!(verdict, Verdict::Tight | Verdict::Loose), false);
            prop_assert!(advice(verdict, &bracket, &range, next.as_ref(), LengthUnit::Mm).ends_with('.'));
        }
    }
}
