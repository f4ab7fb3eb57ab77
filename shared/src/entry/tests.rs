use proptest::prelude::*;

use super::*;
use crate::leaf::LeafSet;
use crate::sensible::{LEAF, PAST_TDC, STROKE};

fn tenths(text: &str, unit: LengthUnit) -> Result<i64, String> {
    any_length(text, unit).map(|read| read.length.tenth_um()).map_err(|error| error.to_string())
}

/// What technicians, manuals and leaves write, and what is meant by it.
#[test]
fn decimal_inches_are_inches_and_the_answer_says_so() {
    for (text, tenth_um, note) in [
        (".005", 1_270, Some("0.005 in., 5 thou")),
        ("0.005", 1_270, Some("0.005 in., 5 thou")),
        ("0,005", 1_270, Some("0.005 in., 5 thou")),
        (".0015", 381, Some("0.0015 in., 1.5 thou")),
        (".25", 63_500, Some("0.25 in., 250 thou")),
        ("0.005 in.", 1_270, None),
        (".005\"", 1_270, None),
        ("5", 1_270, None),
        ("1.5", 381, None),
        ("5 thou", 1_270, None),
        (".13 mm", 1_300, None),
        ("0,13 mm", 1_300, None),
        ("0.15mm", 1_500, None),
        (".5 thou", 127, None),
        ("0", 0, None),
    ] {
        let read = any_length(text, LengthUnit::Thou).unwrap();
        assert_eq!((read.length.tenth_um(), read.note().as_deref()), (tenth_um, note), "{text}");
    }
}

#[test]
fn what_could_be_either_is_refused_with_the_readings_named() {
    let refused = |text: &str, unit| tenths(text, unit).unwrap_err();
    let said = "\"0.15\" can be 0.15 thou, 0.15 in. or 0.15 mm: write its unit, as in 5thou, 0.005in or 0.13mm";
    assert_eq!(refused("0.15", LengthUnit::Thou), said);
    assert!(refused("0.5", LengthUnit::Thou).starts_with("\"0.5\" can be 0.5 thou, 0.5 in. or 0.5 mm:"));
    assert!(refused(".5", LengthUnit::Thou).starts_with("\".5\" can be 0.5 thou, 0.5 in. or 0.5 mm:"));
    assert!(refused("0015", LengthUnit::Thou).starts_with("\"0015\" can be 15 thou or 0.0015 in.:"));
    assert!(refused(".005", LengthUnit::Mm).starts_with("\".005\" can be 0.005 mm or 0.005 in.:"));
    assert_eq!(tenths("0.03", LengthUnit::Mm), Ok(300));
    // A field that names millimetres leaves no doubt.
    assert_eq!(labelled("0.005", LengthUnit::Mm, &ANY_LENGTH).unwrap().length.tenth_um(), 50);
    assert_eq!(labelled(".005", LengthUnit::Thou, &ANY_LENGTH).unwrap().length.tenth_um(), 1_270);
}

#[test]
fn pairs_and_ranges_go_through_the_same_reader() {
    let two = |text: &str, unit| pair(text, unit).map(|pair| (pair.go.map(Length::tenth_um), pair.no_go.map(Length::tenth_um)));
    for text in ["5/6", ".005/.006", "0.005 / 0.006", "5/.006", "5 thou/6", ".005in/.006in", "3+2/6", ".003+.002/.006"] {
        assert_eq!(two(text, LengthUnit::Thou), Ok((Some(1_270), Some(1_524))), "{text}");
    }
    assert_eq!(two("0.13/0.15 mm", LengthUnit::Thou), Ok((Some(1_300), Some(1_500))));
    assert_eq!(two("5/", LengthUnit::Thou), Ok((Some(1_270), None)));
    assert_eq!(pair(".005/6", LengthUnit::Thou).unwrap().notes, ["0.005 in., 5 thou"]);
    for bad in ["5", "0.15/0.2", "5//6", "5/6/7", "3+/6", "five/6", "500/600", "0/5"] {
        assert!(pair(bad, LengthUnit::Thou).is_err(), "{bad}");
    }
    let ends = |text: &str, unit| span(text, unit).map(|span| (span.low.tenth_um(), span.high.tenth_um()));
    for text in [
        "4-6",
        "4..6",
        "4 to 6",
        "4 – 6",
        ".004-.006",
        "0.004–0.006",
        "4-6 thou",
        "4 thou - 6 thou",
        "5 ± 1",
        "5+/-1",
        ".005 ± .001",
        "5 ± 1 thou",
    ] {
        assert_eq!(ends(text, LengthUnit::Thou), Ok((1_016, 1_524)), "{text}");
    }
    assert_eq!(ends("0.10-0.15mm", LengthUnit::Thou), Ok((1_000, 1_500)));
    let said = |text: &str, unit| span(text, unit).map(|span| (span.low.tenth_um(), span.middle.map(Length::tenth_um), span.said));
    assert_eq!(said("5 ± 1", LengthUnit::Thou), Ok((1_016, Some(1_270), Some(Said::Tolerance))));
    assert_eq!(said("4-6", LengthUnit::Thou), Ok((1_016, None, None)));
    // One figure: a leaf either side is ours.
    for text in ["5", " 5 thou", ".005", "0.005 in."] {
        assert_eq!(
            (said(text, LengthUnit::Thou), ends(text, LengthUnit::Thou).unwrap().1),
            (Ok((1_016, Some(1_270), Some(Said::Figure))), 1_524)
        );
    }
    assert_eq!(span(".005", LengthUnit::Thou).unwrap().notes, ["0.005 in., 5 thou"]);
    for (text, unit) in [("0.13mm", LengthUnit::Thou), ("130um", LengthUnit::Thou), ("0.13", LengthUnit::Mm)] {
        assert_eq!((said(text, unit), ends(text, unit).unwrap().1), (Ok((1_100, Some(1_300), Some(Said::Figure))), 1_500), "{text}");
    }
    for bad in ["", "1", "0.4", "-6", "4-", "a-b", "0.4-0.6", "4-600", ".4-.6", "0.1-0.2", "5 ±", "1 ± 1"] {
        assert!(ends(bad, LengthUnit::Thou).is_err(), "{bad}");
    }
}

#[test]
fn what_is_not_sensible_is_refused_with_the_reason_and_the_likely_unit() {
    let said = |text: &str, of| length(text, LengthUnit::Thou, of).unwrap_err().to_string();
    assert_eq!(
        said(".13", &RANGE_LIMIT),
        "0.13 in., 130 thou is not a limit of a clearance range: 1 thou to 59.055 thou is, since leaves read neither less nor more; \
         did you mean 0.13 mm?"
    );
    assert!(said("2.5", &STROKE).ends_with("; did you mean 2.5 in.?"));
    assert!(said("250thou", &STROKE).contains("engines of this trade have strokes of 20 to 200 mm"));
    assert!(leaf("600", LengthUnit::Thou).unwrap_err().to_string().contains("thicker than any feeler leaf"));
    assert_eq!(length(".25", LengthUnit::Thou, &PAST_TDC).unwrap().length.tenth_um(), 63_500);
    assert_eq!((degrees("12,5°"), degrees("-20")), (Ok(12.5), Ok(-20.0)));
    for bad in ["", "steep", "nan", "inf", "1e3", "°", "721"] {
        assert!(degrees(bad).is_err(), "{bad}");
    }
    let cold = &crate::sensible::ENGINE_TEMPERATURE;
    assert_eq!((tenth_c("18.5", cold), tenth_c("-4", cold)), (Ok(185), Ok(-40)));
    for bad in ["", "warm", "1.25", "99999", "-", ".", "400", "-61"] {
        assert!(tenth_c(bad, cold).is_err(), "{bad}");
    }
    assert_eq!(
        (thread("M6x1"), thread("m5x0.8"), thread("1/4-28")),
        (Ok(Thread::PitchUm(1000)), Ok(Thread::PitchUm(800)), Ok(Thread::PerInch(28)))
    );
    for own in [Thread::PitchUm(800), Thread::PerInch(24)] {
        assert_eq!(thread(&own.words()), Ok(own));
    }
    for bad in ["", "M6", "M6x", "28", "1/4-", "1/4-x", "M6x10", "1/4-280", "M6x0.1", "pitch 1"] {
        assert!(thread(bad).is_err(), "{bad}");
    }
    assert_eq!(ratio_milli("1,3"), Ok(1300));
    for bad in ["", "1.2345", "0", "13", "-1.3"] {
        assert!(ratio_milli(bad).is_err(), "{bad}");
    }
}

/// How one figure is written.
#[derive(Debug, Clone, Copy)]
enum Spelling {
    Bare,
    Thou,
    Inches,
    BareInches,
    PointInches,
    Mm,
    Um,
}

/// A length in hundredths of a thou or of a millimetre as somebody writes it.
fn written(hundredths: i64, spelling: Spelling, comma: bool) -> (String, i64) {
    let fixed = |value: i64, places: u32| {
        let scale = 10_i64.pow(places);
        let digits = format!("{}.{:0width$}", value / scale, value % scale, width = places as usize);
        digits.trim_end_matches('0').trim_end_matches('.').to_owned()
    };
    let text = match spelling {
        Spelling::Bare => fixed(hundredths, 2),
        Spelling::Thou => format!("{} thou", fixed(hundredths, 2)),
        Spelling::Inches => format!("{}in", fixed(hundredths, 5)),
        Spelling::BareInches => fixed(hundredths, 5),
        Spelling::PointInches => fixed(hundredths, 5).trim_start_matches('0').to_owned(),
        Spelling::Mm => format!("{}mm", fixed(hundredths, 2)),
        Spelling::Um => format!("{}um", hundredths * 10),
    };
    let meant = match spelling {
        Spelling::Mm | Spelling::Um => hundredths * 100,
        // A hundredth of a thou is 2.54 tenths of a µm.
        _ => (hundredths * 254 + 50) / 100,
    };
    (if comma { text.replace('.', ",") } else { text }, meant)
}

fn spelling() -> impl Strategy<Value = Spelling> {
    prop::sample::select(vec![
        Spelling::Bare,
        Spelling::Thou,
        Spelling::Inches,
        Spelling::BareInches,
        Spelling::PointInches,
        Spelling::Mm,
        Spelling::Um,
    ])
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    /// Whatever is meant and however it is written: the length that is meant, or a refusal; never another length. Of a person who
    /// goes by thou; a bare figure of theirs is in thou or in inches, as manuals write it.
    #[test]
    fn a_spelling_is_what_was_meant_or_refused(hundredths in 1i64..6_000, spelling in spelling(), comma in any::<bool>()) {
        // Nothing that is measured here is under half a thou, so that `0.05` is never 0.05 thou.
        prop_assume!(hundredths >= 50 || !matches!(spelling, Spelling::Bare));
        let (text, meant) = written(hundredths, spelling, comma);
        if let Ok(read) = leaf(&text, LengthUnit::Thou) {
            prop_assert_eq!(read.length.tenth_um(), meant, "{}", text);
        }
        if let Ok(read) = length(&text, LengthUnit::Thou, &RANGE_LIMIT) {
            prop_assert_eq!(read.length.tenth_um(), meant, "{}", text);
        }
        // With a unit it is always read; and so is what leaves are marked with.
        let marked = matches!(spelling, Spelling::BareInches | Spelling::PointInches) && hundredths < 5_000;
        if marked || matches!(spelling, Spelling::Thou | Spelling::Inches | Spelling::Mm | Spelling::Um) {
            prop_assert_eq!(tenths(&text, LengthUnit::Thou), Ok(meant), "{}", text);
        }
        if let (Ok(pair), false) = (pair(&format!("{text}/59"), LengthUnit::Thou), text.contains(|c: char| c.is_alphabetic())) {
            prop_assert_eq!(pair.go.map(Length::tenth_um), Some(meant), "{}", text);
        }
        if let Ok(set) = LeafSet::parse(&text, LengthUnit::Thou) {
            // A comma may stand between two leaves, where the text is not one number.
            prop_assert!(comma || set.leaves() == [Length::from_tenth_um(meant)], "{}", text);
        }
    }

    /// Of a person who goes by millimetres: bare figures are in mm or, as leaves are marked, in inches.
    #[test]
    fn millimetres_are_not_taken_for_inches(hundredths in 1i64..150, inches in any::<bool>(), comma in any::<bool>()) {
        let (text, meant) = if inches { written(hundredths, Spelling::PointInches, comma) } else { written(hundredths, Spelling::Mm, comma) };
        let bare = text.trim_end_matches("mm");
        if let Ok(read) = leaf(bare, LengthUnit::Mm) {
            prop_assert_eq!(read.length.tenth_um(), meant, "{}", bare);
        }
    }

    #[test]
    fn no_text_panics(text in "[0-9.,;/+±°\\- \"a-zµ–]{0,24}|.{0,24}", mm in any::<bool>()) {
        let unit = if mm { LengthUnit::Mm } else { LengthUnit::Thou };
        let _ = (any_length(&text, unit), pair(&text, unit), span(&text, unit), leaf(&text, unit), labelled(&text, unit, &LEAF));
        let _ = (degrees(&text), tenth_c(&text, &crate::sensible::WARMER), ratio_milli(&text), thread(&text));
    }
}

#[test]
fn decimals_have_so_many_places_at_most() {
    assert_eq!([decimal("18.5", 1), decimal("-4", 1), decimal("1,3", 3), decimal("0", 2)], [Some(185), Some(-40), Some(1300), Some(0)]);
    for bad in ["", "-", ".", "1.25", "99999", "--1", "1e2", "१", "+1", "nan"] {
        assert_eq!(decimal(bad, 1), None, "{bad}");
    }
}

/// By the definition of the inch 1/4 in. is 6.35 mm, and 1/64 in. 0.396875 mm, kept to the tenth of a µm.
#[test]
fn fractions_are_inches() {
    let of = |text: &str, unit| any_length(text, unit).map(|read| (read.length.tenth_um(), read.note()));
    for text in ["1/4 in.", "1/4in", "1/4\"", " 2/8 inch", "0 1/4 in"] {
        assert_eq!(of(text, LengthUnit::Mm), Ok((63_500, None)), "{text}");
    }
    assert_eq!(of("1 1/4 in", LengthUnit::Thou), Ok((317_500, None)));
    assert_eq!(of("1-1/4 in", LengthUnit::Thou), Ok((317_500, None)));
    assert_eq!(of("1/64 in", LengthUnit::Thou), Ok((3_969, None)));
    assert_eq!(of("3/32", LengthUnit::Thou), Ok((23_813, Some("0.09375 in., 93.75 thou".to_owned()))));
    assert_eq!(labelled("1/4", LengthUnit::Mm, &ANY_LENGTH).unwrap().note().as_deref(), Some("0.25 in., 250 thou"));
    for bad in
        ["1/4 mm", "1/4thou", "1/3 in", "4/4 in", "5/4 in", "1/0 in", "/4 in", "1/ in", "-1/4 in", "1/4/4 in", "1.5/4 in", "1234/8 in"]
    {
        assert!(of(bad, LengthUnit::Thou).is_err(), "{bad}");
    }
    // Two leaves with a stroke between them stay two leaves.
    assert_eq!(pair("3/4", LengthUnit::Thou).unwrap().go, Some(Length::from_thou(3)));
}
