//! Each of the trade's questions in one command, on the demonstration's data.

use fixtures::demo::{Options, play};
use serde_json::Value;

/// 2026-06-08 22:00 UTC: five o'clock five hours west of Greenwich.
const FIVE: i64 = 1_780_956_000_000;

#[test]
fn every_question_is_one_command() {
    let stage = play(&Options { folder: None, five_o_clock_ms: Some(FIVE) }, &mut std::io::sink()).unwrap();
    let ask = |question: &str, expected: &[&str]| {
        let args: Vec<&str> = question.split(' ').map(|word| if word == "PIA" { "Pia Larkin" } else { word }).collect();
        let ran = stage.tappet("office", 0, &args);
        assert_eq!(ran.code, 0, "{question}: {}{}", ran.out, ran.err);
        let text = ran.out.split_whitespace().collect::<Vec<_>>().join(" ");
        for words in expected {
            assert!(text.contains(words), "{question} lacks \"{words}\": {text}");
        }
        assert!(ran.out.lines().all(|line| line.chars().count() <= 80), "{question}: {}", ran.out);
        let json = stage.tappet("office", 0, &[&["--json"], args.as_slice()].concat());
        let facts: Value = serde_json::from_str(&json.out).unwrap();
        assert!(!facts["facts"].is_null() && facts["words"].is_array(), "{question}: {facts}");
        facts
    };
    ask("reckon sure Q-101 1E left --leaf-u 0.1thou --feel-u 0.2thou --source stated", &["probability"]);
    ask("reckon leaves Q-101 1E", &["tries", "enters", "in spec"]);
    ask("reckon turn Q-101 1E found", &["Turn the adjuster", "The lock nut may"]);
    ask("reckon crank --stroke 70mm --rod 110mm --drop 0.25in", &["31°", "compression stroke"]);
    ask("reckon tdc --before -20 --after 23.5", &["1.8°"]);
    let warm = "reckon warm Q-106 1I found --barrel 120mm --rod 120mm --barrel-material aluminium-356 --rod-material steel-1020 \
                --barrel-warmer 30 --rod-warmer 30 --stem 90mm --stem-material steel-4140 --stem-warmer 30";
    ask(warm, &["Not judged"]);
    ask("reckon meter Q-104", &["1523.4 entered as 15234"]);
    let usage = ask("reckon usage Q-101", &["day"]);
    let per_day = usage["facts"]["tenth_hours_per_day"].as_f64().unwrap();
    // 260.0 to 412.6 h in 210 days, by readings that lie near one line.
    assert!((per_day - 7.27).abs() < 1.0, "{per_day}");
    ask("reckon due Q-101", &["2026"]);
    let drift = ask("reckon drift Q-101 1E", &["100"]);
    assert!(drift["facts"]["drift"]["tenth_um_per_100h"].as_f64().unwrap() > 0.0, "{drift}");
    ask("reckon carry PIA", &["Pia Larkin"]);
    let agreement = ask("reckon agreement", &["%"]);
    let people: Vec<&str> = agreement["facts"]["people"].as_array().unwrap().iter().filter_map(Value::as_str).collect();
    assert_eq!(
        (people.len(), agreement["facts"]["parts"].as_array().unwrap().len(), agreement["facts"]["trials"].as_u64()),
        (3, 5, Some(2))
    );
    ask("reckon round", &["Alder Court", "min"]);
    stage.close();
}
