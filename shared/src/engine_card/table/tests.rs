use proptest::prelude::*;

use super::*;
use crate::engine_card::{Ignition, Thread, piston};
use crate::record::any::varied;

/// The table as a program would write it.
fn written(cards: &[EngineCard]) -> Vec<u8> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(COLUMNS.iter().chain([&ID_COLUMN])).unwrap();
    for card in cards {
        writer.write_record(row(card)).unwrap();
    }
    writer.into_inner().unwrap()
}

fn cards() -> impl Strategy<Value = EngineCard> {
    let range = (254i64..3_000, 1i64..3_000, any::<bool>()).prop_map(|(low, width, aimed)| {
        let of = Length::from_tenth_um;
        Range { low: of(low), high: of(low + width), aim: aimed.then(|| of(low + width / 2)) }
    });
    let interval = (1u32..5_000, prop::option::of(1u32..60)).prop_map(|(hours, months)| Interval { hours: Some(hours), months });
    let thread = prop_oneof![(250u32..=2_500).prop_map(Thread::PitchUm), (10u32..=80).prop_map(Thread::PerInch)];
    let adjuster = (thread, 0usize..3, 300u32..=3_000).prop_map(|(thread, rocker, ratio_milli)| Adjuster {
        thread,
        rocker: Rocker::ALL[rocker],
        ratio_milli,
    });
    let words = "[=+@\"', a-zA-Z0-9é-]{0,20}[a-z]";
    let source = (words, words).prop_map(|(manual, page)| Source { manual: manual.trim().to_owned(), page: page.trim().to_owned() });
    let name = words.prop_map(|name: String| name.trim().to_owned());
    (name, 1u8..=4, range.clone(), range, interval.clone(), interval, prop::option::of(adjuster), prop::option::of(source), 0i64..200_000)
        .prop_map(|(name, cylinders, intake, exhaust, commercial, homeowner, adjuster, source, past)| EngineCard {
            source,
            commercial,
            homeowner,
            adjuster,
            past_tdc: (past >= 1_000).then(|| Length::from_tenth_um(past)),
            ignition: if past % 2 == 0 { None } else { Some(if past % 3 == 0 { Ignition::Compression } else { Ignition::Spark }) },
            far_tenths: (past >= 5_000).then(|| 5 + u32::try_from(past % 96).unwrap()),
            ..EngineCard::plain(CardId::from_bytes([7; 16]), name, cylinders, intake, exhaust)
        })
}

proptest! {
    /// What is written is read back, to the tenth of a micrometre, whatever the name begins with.
    #[test]
    fn a_table_comes_back_as_it_went(card in cards(), variant in 0u32..4) {
        let card = varied(card, variant);
        prop_assume!(card.check().is_ok());
        let read = read(&written(std::slice::from_ref(&card))).unwrap();
        prop_assert_eq!(read, vec![ListedCard::from(card)]);
    }

    #[test]
    fn any_bytes_are_a_table_or_none(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        let _ = read(&bytes);
    }
}

const LEAST: &str = "name,cylinders,intake_low_thou,intake_high_thou,exhaust_low_mm,exhaust_high_mm,commercial_h,homeowner_months\n";

#[test]
fn a_table_made_by_hand_is_read() {
    let table = format!("\u{feff}{LEAST}\"Twin, old\",2,4,6,0.13,0.18,100,12\r\n");
    let read = read(table.as_bytes()).unwrap();
    assert_eq!((read[0].name.as_str(), read[0].card, read[0].source.clone()), ("Twin, old", None, None));
    assert_eq!((read[0].intake.unwrap().low.tenth_um(), read[0].exhaust.unwrap().high.tenth_um()), (1_016, 1_800));
}

/// Manuals say inches, and spreadsheets add the nought: neither is a thousandth of a thou.
#[test]
fn decimal_inches_in_a_column_of_thou_are_inches_and_said_to_be() {
    let (cards, notes) = read_noted(format!("{LEAST}A,2,.004,0.006,0.13,0.18,100,12").as_bytes()).unwrap();
    assert_eq!((cards[0].intake.unwrap().low, cards[0].intake.unwrap().high), (Length::from_thou(4), Length::from_thou(6)));
    assert_eq!(notes, ["line 2, intake_low_thou: 0.004 in., 4 thou", "line 2, intake_high_thou: 0.006 in., 6 thou"]);
    let said = |rows: &str| read(format!("{LEAST}{rows}").as_bytes()).unwrap_err().to_string();
    assert!(said("A,2,0.4,6,0.13,0.18,100,12").contains("column intake_low_thou: \"0.4\" can be 0.4 thou, 0.4 in. or 0.4 mm"));
    assert!(said("A,2,4,600,0.13,0.18,100,12").contains("600 thou is not a limit of a clearance range"));
    assert!(said("A,2,4,6,.005,0.18,100,12").contains("0.005 mm is not a limit of a clearance range"));
    assert!(said("A,2,4,6,0.13,0.18,100,1200").contains("1200 is not a number of months between checks: 1 to 120 is"));
}

#[test]
fn what_is_wrong_is_named_by_line_and_column() {
    let said = |rows: &str| read(format!("{LEAST}{rows}").as_bytes()).unwrap_err().to_string();
    assert_eq!(
        said("A,2,4,six,0.13,0.18,100,12"),
        "line 2, column intake_high_thou: \"six\" is not a length: write 5 (in your own unit), 5thou, 0.005in, 0.13mm or 130um"
    );
    assert_eq!(said("A,,4,6,0.13,0.18,100,12"), "line 2, column cylinders: it is empty, and a card needs it");
    assert_eq!(said("A,2,4,6,0.13,,100,12"), "line 2, column exhaust_high_thou: it is empty, and a card needs it");
    assert!(said("A,2,4,6,0.13,0.18,100").starts_with("line 2, column any: "), "a row that is too short");
    assert!(said("").contains("1 to 500 engine cards"), "a table without a row");
    assert!(said("A,2,6,4,0.13,0.18,100,12").starts_with("card 1, \"A\": "), "a range that is none");
    let headed = |heading: &str| read(heading.as_bytes()).unwrap_err().to_string();
    assert_eq!(headed("name,colour\nA,red"), "line 1, column colour: there is no such column in a table of engine cards");
    assert_eq!(headed("name,name\nA,B"), "line 1, column name: the column comes twice");
    let both = "name,cylinders,intake_low_thou,intake_low_mm,intake_high_thou,exhaust_low_thou,exhaust_high_thou,commercial_h\nA,1,4,0.2,6,5,7,100";
    assert_eq!(headed(both), "line 2, column intake_low_mm: it says another length than the column in thou");
}

/// A card as rows say it, with some cells more.
fn with(columns: &str, cells: &str) -> Result<EngineCard, String> {
    let table = format!("name,cylinders,commercial_h,homeowner_h,manual,page,{columns}\nA,2,100,200,M,3,{cells}\n");
    let read = read(table.as_bytes()).map_err(|error| error.to_string())?;
    Ok(read[0].clone().with_id(CardId::from_bytes([7; 16])))
}

#[test]
fn a_range_as_its_manual_says_it_is_kept_so() {
    for exhaust in ["6 ± 1", "6 +/- 1", "5-7 "] {
        let card = with("intake,exhaust", &format!("5,{exhaust}")).unwrap();
        let (intake, exhaust) = (card.intake.unwrap(), card.exhaust.unwrap());
        assert_eq!((intake.low, intake.high, intake.aim), (Length::from_thou(4), Length::from_thou(6), Some(Length::from_thou(5))));
        assert_eq!((exhaust.low, exhaust.high), (Length::from_thou(5), Length::from_thou(7)));
        assert_eq!(card.intake_said, Some(Said::Figure));
        assert_eq!(card.exhaust_said.is_some(), exhaust.aim.is_some());
    }
    let metric = with("intake,exhaust", "0.13mm,0.15mm ± 0.03").unwrap();
    assert_eq!(metric.intake.unwrap().low.tenth_um(), 1_100);
    let words = [Side::Intake, Side::Exhaust].map(|side| metric.range_words(side, LengthUnit::Mm));
    assert_eq!(
        words,
        [
            "0.13 mm (the manual names no tolerance: taken as 0.11 to 0.15 mm, common practice without a source)",
            "0.15 ± 0.03 mm (0.12 to 0.18 mm)"
        ]
    );
    let both = with("intake,intake_low_thou,exhaust", "5 ± 1,3,6 ± 1").unwrap_err();
    assert_eq!(both, "line 2, column intake: it says another range than its least and greatest: leave one of the two empty");
    assert!(with("intake,exhaust", "1,6").unwrap_err().contains("0 thou is not a limit of a clearance range"));
}

#[test]
fn hydraulic_lash_has_no_range() {
    let card = with("lash", "hydraulic").unwrap();
    assert!(card.hydraulic && card.intake.is_none() && card.check().is_ok());
    assert_eq!(card.words(LengthUnit::Thou), "Engine card A: hydraulic lash, nothing to set. Read in M, 3.");
    assert!(with("lash,intake", "hydraulic,5").unwrap_err().contains("hydraulic lash has no range"));
    assert!(with("lash", "adjusted").unwrap_err().contains("column intake_low_thou: it is empty"), "none by mistake");
    assert!(with("lash", "none").unwrap_err().contains("lash is one of adjusted, hydraulic"));
    assert!(with("lash,past_tdc_degrees", "hydraulic,10").unwrap_err().contains("neither range, adjuster nor place"));
}

#[test]
fn a_release_may_be_said_as_piston_drop_or_in_degrees() {
    let of = |columns: &str, cells: &str| with(&format!("intake,exhaust,{columns}"), &format!("5 ± 1,6 ± 1,{cells}"));
    let down = of("past_tdc_thou", "1/4 in.").unwrap();
    let said = piston(2, Some(&down), LengthUnit::Thou);
    assert!(said.contains("the piston down .250 in past it, as the engine card says. There both rockers are loose. At top dead"), "{said}");
    assert!(said.contains("the bump of the compression release can hold its valve open"), "{said}");
    let turned = of("past_tdc_degrees", "12.5°").unwrap();
    assert!(piston(1, Some(&turned), LengthUnit::Mm).contains("12.5° of the crank past it, as the engine card says"));
    assert!(of("past_tdc_degrees", "95").unwrap_err().contains("950 is not an angle past top dead center"));
    let plain = piston(1, None, LengthUnit::Thou);
    assert_eq!(plain, "Cylinder 1: piston at top dead center of its compression stroke, both rockers loose.");
}

#[test]
fn a_firing_order_says_where_the_next_cylinder_is() {
    let card = with("intake,exhaust,firing_order,firing_degrees", "5 ± 1,6 ± 1,1-2,360").unwrap();
    let said = piston(2, Some(&card), LengthUnit::Thou);
    assert!(said.contains("It fires 360° of the crank after cylinder 1") && said.contains("valves of cylinder 1 are in overlap"), "{said}");
    let bad = |cells: &str| with("intake,exhaust,firing_order,firing_degrees", &format!("5 ± 1,6 ± 1,{cells}")).unwrap_err();
    assert!(bad("1-2,").contains("column firing_degrees: it is empty"));
    assert!(bad("1-3,360").contains("each of the engine's cylinders once") && bad("1-2,100").contains("add up to 720"));
    assert!(bad("1-2-3,240").contains("each of the engine's cylinders once"), "the card has two");
}

/// A form and a table say the same of a card; what cannot be is named by its field.
#[test]
fn a_form_has_what_a_table_has() {
    let filled = |field: &str| {
        Some(match field {
            "name" => "'=A",
            "cylinders" => "2",
            "intake" => "0.13 ± 0.02",
            "exhaust_low" => ".20",
            "exhaust_high" => "0.25",
            "commercial_h" => "100",
            "homeowner_months" => "12",
            "past_tdc" => "1/4 in",
            "lash" => "adjusted",
            _ => return None,
        })
    };
    let (card, notes) = of_form(LengthUnit::Mm, filled).unwrap();
    assert_eq!((card.name.as_str(), card.intake_said, card.exhaust.unwrap().low.tenth_um()), ("'=A", Some(Said::Tolerance), 2_000));
    assert_eq!((card.past_tdc.unwrap().tenth_um(), notes.len()), (63_500, 0));
    let none = |field: &str| if field == "exhaust_low" { None } else { filled(field) };
    assert_eq!(of_form(LengthUnit::Mm, none).unwrap_err().to_string(), "exhaust low: it is empty, and a card needs it");
    // Every column is a field, and each once.
    assert!(COLUMNS.iter().all(|column| fields().iter().any(|field| column.starts_with(field))));
    assert_eq!(fields().len(), 26);
}
