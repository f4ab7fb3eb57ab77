use proptest::option;
use proptest::prelude::*;
use proptest::sample;

use super::*;
use crate::engine_card::{CardError, Rocker, Thread};

fn card(n: u8, name: &str) -> EngineCard {
    let range = |low, high| Range { low: Length::from_thou(low), high: Length::from_thou(high), aim: None };
    EngineCard {
        source: Some(Source { manual: "Invented manual".into(), page: "12".into() }),
        commercial: Interval { hours: Some(100), months: None },
        homeowner: Interval { hours: None, months: Some(12) },
        adjuster: Some(Adjuster { thread: Thread::PitchUm(1000), rocker: Rocker::RockerStudNut, ratio_milli: 1300 }),
        ..EngineCard::plain(CardId::from_bytes([n; 16]), name, 2, range(4, 6), range(5, 7))
    }
}

fn one(edit: impl FnOnce(&mut EngineCard)) -> CardFileError {
    let mut card = card(1, "Twin");
    edit(&mut card);
    read(write(&[card]).as_bytes()).unwrap_err()
}

fn said(text: &str) -> String {
    read(text.as_bytes()).unwrap_err().to_string()
}

/// The form is a promise: offices keep such files.
#[test]
fn the_form_of_the_file_does_not_change() {
    let text = r#"{
  "card_file": 1,
  "cards": [
    {
      "card": "01010101-0101-0101-0101-010101010101",
      "name": "Twin",
      "cylinders": 2,
      "intake": {
        "low_tenth_um": 1016,
        "high_tenth_um": 1524
      },
      "exhaust": {
        "low_tenth_um": 1270,
        "high_tenth_um": 1778
      },
      "source": {
        "manual": "Invented manual",
        "page": "12"
      },
      "commercial": {
        "hours": 100
      },
      "homeowner": {
        "months": 12
      },
      "adjuster": {
        "thread": {
          "pitch-um": 1000
        },
        "rocker": "rocker-stud-nut",
        "ratio_milli": 1300
      }
    }
  ]
}
"#;
    assert_eq!(write(&[card(1, "Twin")]), text);
    assert_eq!(read(text.as_bytes()), Ok(vec![card(1, "Twin").into()]));
}

#[test]
fn what_cannot_be_read_is_said_with_its_place() {
    let good = write(&[card(1, "Twin")]);
    for (text, sentence) in [
        (String::new(), "line 1, column 0: EOF while parsing a value"),
        (good.replace("\"cylinders\": 2", "\"cylinders\": 300"), "line 7, column 22: invalid value: integer `300`, expected u8"),
        (good.replace("      \"cylinders\": 2,\n", ""), "line 32, column 5: missing field `cylinders`"),
        (
            good.replace("low_tenth_um\": 1016", "low_tenth_um\": 4.5"),
            "line 9, column 27: invalid type: floating point `4.5`, expected i64",
        ),
        (
            good.replace("rocker-stud-nut", "elsewhere"),
            "line 30, column 29: unknown variant `elsewhere`, expected one of `rocker-stud-nut`",
        ),
        (good.replace("\"name\"", "\"nmae\""), "line 6, column 12: unknown field `nmae`, expected one of `card`, `name`"),
        (good.replace("\"name\": \"Twin\"", "\"name\": \"Twin\", \"name\": \"Twin\""), "line 6, column 28: duplicate field `name`"),
        (format!("{good}x"), "line 36, column 1: trailing characters"),
        ("[".repeat(100_000), "line 1, column 1: invalid type: sequence, expected u32"),
    ] {
        let error = said(&text);
        assert!(error.starts_with(sentence), "{error}");
    }
    assert!(matches!(read(b"{\"card_file\": 1, \"cards\": [{\"name\": \"\xff\"}]}"), Err(CardFileError::Unreadable { line: 1, .. })));
}

#[test]
fn size_version_and_count_are_bounded() {
    assert_eq!(read(&vec![b' '; LARGEST_FILE + 1]), Err(CardFileError::TooLarge));
    assert_eq!(read(br#"{"card_file": 2, "cards": []}"#), Err(CardFileError::Version { given: 2 }));
    assert_eq!(read(br#"{"card_file": 1, "cards": []}"#), Err(CardFileError::Count { given: 0 }));
    let many = |count: u16| -> Vec<EngineCard> {
        (0..count).map(|n| EngineCard { card: CardId(uuid::Uuid::from_u128(n.into())), ..card(0, &format!("Engine {n}")) }).collect()
    };
    assert_eq!(read(write(&many(500)).as_bytes()).map(|cards| cards.len()), Ok(MOST_CARDS));
    assert_eq!(read(write(&many(501)).as_bytes()), Err(CardFileError::Count { given: 501 }));
}

#[test]
fn a_card_that_cannot_be_is_named_with_its_field() {
    let error = one(|card| card.cylinders = 9);
    assert_eq!(error.to_string(), "card 1, \"Twin\": an engine card is for 1 to 4 cylinders, not 9");
    let error = one(|card| card.intake.as_mut().unwrap().high = Length::from_tenth_um(10_000_001));
    assert!(error.to_string().starts_with("card 1, \"Twin\": intake.high_tenth_um is not a length"), "{error}");
    assert!(matches!(
        one(|card| card.exhaust.as_mut().unwrap().low = Length::ZERO),
        CardFileError::Length { field: "exhaust.low_tenth_um", .. }
    ));
    assert!(matches!(one(|card| card.past_tdc = Some(Length::ZERO)), CardFileError::Length { field: "past_tdc_tenth_um", .. }));
    assert!(matches!(
        one(|card| card.intake.as_mut().unwrap().high = card.intake.unwrap().low),
        CardFileError::Card { why: CardError::Range { side: "intake" }, .. }
    ));
    assert_eq!(one(|card| card.name = "x".repeat(1_001)), CardFileError::Words { number: 1, field: "name" });
    assert_eq!(one(|card| card.name = "a\u{1b}[2J".into()), CardFileError::Control { number: 1, field: "name" });
    let sourced = |manual: &str, page: &str| Some(Source { manual: manual.into(), page: page.into() });
    assert_eq!(one(|card| card.source = sourced("m", &"9".repeat(1_001))), CardFileError::Words { number: 1, field: "page" });
    assert_eq!(one(|card| card.source = sourced("two\nlines", "9")), CardFileError::Control { number: 1, field: "manual" });
    assert!(matches!(one(|card| card.source = sourced("", "9")), CardFileError::Card { why: CardError::Source, .. }));
}

#[test]
fn one_card_is_in_a_file_once() {
    let twice = |cards: &[EngineCard]| read(write(cards).as_bytes());
    let (first, second) = (1, 2);
    assert_eq!(twice(&[card(1, "Twin"), card(2, " tWIN ")]), Err(CardFileError::Twice { first, second, name: "tWIN".into() }));
    assert_eq!(twice(&[card(1, "Twin"), card(1, "Single")]), Err(CardFileError::Twice { first, second, name: "Single".into() }));
}

#[test]
fn a_file_is_settled_among_the_cards_known() {
    let fresh = || CardId::from_bytes([9; 16]);
    let known = [card(1, "Twin"), card(2, "Single")];
    let changes = |listed: Vec<ListedCard>| {
        settle(listed, &known, fresh).map(|all| all.into_iter().map(|one| (one.card.card.as_bytes()[0], one.change)).collect::<Vec<_>>())
    };
    let by_name = |name| ListedCard::without_id(card(0, name));
    let restated = ListedCard { cylinders: 1, ..by_name("single") };
    assert_eq!(
        changes(vec![by_name("Twin"), restated, by_name("Third")]),
        Ok(vec![(1, Change::Same), (2, Change::Restated), (9, Change::New)])
    );
    assert_eq!(changes(vec![card(1, "Single").into()]), Err(CardFileError::NameTaken { number: 1, name: "Single".into() }));
    assert_eq!(changes(vec![card(3, "Twin").into()]), Err(CardFileError::NameTaken { number: 1, name: "Twin".into() }));
    let swapped = vec![card(1, "Single").into(), card(2, "Twin").into()];
    assert_eq!(changes(swapped), Ok(vec![(1, Change::Restated), (2, Change::Restated)]));
    let same_card = vec![card(1, "Other").into(), by_name("twin")];
    assert_eq!(changes(same_card), Err(CardFileError::Twice { first: 1, second: 2, name: "twin".into() }));
}

fn ranges() -> impl Strategy<Value = Range> {
    (254..15_000_i64, 1..=15_000_i64, option::of(0.0..=1.0_f64)).prop_map(|(low, more, aim)| {
        let high = low.saturating_add(more).min(15_000);
        #[expect(clippy::cast_possible_truncation, clippy::cast_precision_loss, reason = "below 1e7")]
        let aim = aim.map(|part| Length::from_tenth_um(low + ((high - low) as f64 * part) as i64));
        Range { low: Length::from_tenth_um(low), high: Length::from_tenth_um(high), aim }
    })
}

fn intervals() -> impl Strategy<Value = Interval> {
    (option::of(1..=10_000_u32), option::of(1..=120_u32))
        .prop_map(|(hours, months)| Interval { hours: hours.or(if months.is_none() { Some(1) } else { None }), months })
}

fn adjusters() -> impl Strategy<Value = Adjuster> {
    let thread = prop_oneof![(250..=2_500_u32).prop_map(Thread::PitchUm), (10..=80_u32).prop_map(Thread::PerInch)];
    let rocker = prop_oneof![Just(Rocker::RockerStudNut), Just(Rocker::PushRodEndScrew), Just(Rocker::ValveEndScrew)];
    (thread, rocker, 300..=3_000_u32).prop_map(|(thread, rocker, ratio_milli)| Adjuster { thread, rocker, ratio_milli })
}

prop_compose! {
    fn cards()(
        id in any::<[u8; 16]>(), words in "\\PC{0,40}", cylinders in 1..=4_u8, intake in ranges(), exhaust in ranges(),
        source in option::of(("[^\\s\\p{Cc}]\\PC{0,20}", "[^\\s\\p{Cc}]{1,5}")), commercial in intervals(), homeowner in intervals(),
        adjuster in option::of(adjusters()), past_tdc in option::of(1_000..=250_000_i64),
        ignition in option::of(sample::select(&Ignition::ALL[..])), far_tenths in option::of(5..=100_u32),
    ) -> EngineCard {
        let source = source.map(|(manual, page)| Source { manual, page });
        let past_tdc = past_tdc.map(Length::from_tenth_um);
        EngineCard {
            card: CardId::from_bytes(id), name: format!("n{words}"), cylinders, intake: Some(intake), exhaust: Some(exhaust), source, commercial, homeowner, adjuster, past_tdc,
            ignition, hydraulic: false, intake_said: None, exhaust_said: None, past_tdc_tenth_deg: None, firing: None, far_tenths,
        }
    }
}

proptest! {
    #[test]
    fn what_is_written_is_read_back(card in cards(), variant in 0..4_u32) {
        let card = crate::record::any::varied(card, variant);
        let text = write(std::slice::from_ref(&card));
        let listed = read(text.as_bytes()).unwrap();
        prop_assert_eq!(&listed, &[ListedCard::from(card.clone())]);
        let settled = settle(listed, std::slice::from_ref(&card), || unreachable!("the file names the id")).unwrap();
        prop_assert_eq!(settled, vec![Settled { card, change: Change::Same }]);
    }

    #[test]
    fn no_bytes_panic(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        prop_assert!(read(&bytes).is_err());
    }
}
