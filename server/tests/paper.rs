//! The service record on paper: what is on it, that it fits, and that no text breaks it. Read back by another library (lopdf).

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "../../shared/tests/slips.rs"]
mod slips;

use jiff::civil::date;
use lopdf::Document;
use proptest::prelude::*;
use server::pdf::{Paper, season_record, service_record};
use shared::ids::RecordId;
use sync_core::queries::{SeasonRecord, ServiceRecord, ServiceValve};

fn record() -> ServiceRecord {
    let valve = |valve: &str, range: &str, found: &str, left: &str, verdict: &str| ServiceValve {
        valve: valve.parse().unwrap(),
        range: range.into(),
        found: found.into(),
        left: left.into(),
        verdict: verdict.into(),
    };
    ServiceRecord {
        shop: "Green End Mowers".into(),
        visit: RecordId::from_bytes([1; 16]),
        tag: "Q-102".into(),
        description: "ride-on, 48 in deck, twin".into(),
        property: "Reed Court".into(),
        when: "2026-06-08 10:12".into(),
        by: "Zoë Kranz-Ōta".into(),
        meter: Some("988.3".parse().unwrap()),
        card: "Invented twin of 2026-03-01, record 9c4e5464".into(),
        source: "Invented twin, service manual, page 12".into(),
        valves: vec![
            valve("1I", "4 to 6 thou", "2 to 3 thou", "5 to 6 thou", "in spec"),
            valve("1E", "5 to 7 thou", "8 to 9 thou", "5 to 6 thou", "in spec"),
            valve("2I", "4 to 6 thou", "4 to 5 thou", "4 to 5 thou", "in spec"),
            valve("2E", "5 to 7 thou", "not read", "not read", "not judged"),
        ],
        findings: vec!["Belt worn: order one.".into(), "DO NOT RUN: rocker stud of cylinder 2 is loose.".into()],
        more_findings: 0,
        hold: true,
        next_due: "due between 2026-09-02 and 2026-10-11, by hours".into(),
        finished: true,
        made: date(2026, 6, 8),
    }
}

fn season(visits: usize) -> SeasonRecord {
    let one = record();
    SeasonRecord {
        shop: one.shop.clone(),
        tag: one.tag.clone(),
        description: one.description.clone(),
        property: one.property.clone(),
        from: date(2026, 3, 1),
        until: date(2026, 10, 31),
        hold: false,
        next_due: one.next_due.clone(),
        visits: (0..visits).map(|n| ServiceRecord { when: format!("2026-06-{:02} 10:12", n + 1), ..one.clone() }).collect(),
        earlier: 0,
        made: one.made,
    }
}

/// The file, and its text as another library reads it, line ends and spaces made one.
fn read(pdf: &[u8]) -> (Document, String) {
    let document = Document::load_mem(pdf).unwrap();
    let pages: Vec<u32> = document.get_pages().keys().copied().collect();
    let text = document.extract_text(&pages).unwrap();
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    // Whatever is printed in any test: one thing is one.
    assert_eq!(slips::slips(&text), Vec::<String>::new(), "{text}");
    (document, text)
}

/// Kept for people and other tools to look at: tests/outside/pdf.
fn keep(name: &str, pdf: &[u8]) {
    let folder = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join("paper");
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::write(folder.join(name), pdf).unwrap();
}

#[test]
fn one_visit_is_one_sheet_with_every_fact_on_it() {
    for (paper, name) in [(Paper::A4, "visit-a4.pdf"), (Paper::Letter, "visit-letter.pdf")] {
        let pdf = service_record(&record(), paper).unwrap();
        keep(name, &pdf);
        let (document, text) = read(&pdf);
        assert_eq!(document.get_pages().len(), 1, "{name}");
        for fact in [
            "Green End Mowers",
            "Service record",
            "Reed Court",
            "Q-102, ride-on, 48 in deck, twin",
            "2026-06-08 10:12",
            "Zoë Kranz-Ōta",
            "988.3 h",
            "DO NOT RUN THIS MACHINE",
            "Cylinder 1 intake",
            "2 to 3 thou",
            "In spec",
            "Not judged",
            "Judged by the engine card Invented twin of 2026-03-01, record 9c4e5464.",
            "Ranges read in Invented twin, service manual, page 12.",
            "Belt worn: order one.",
            "Due between 2026-09-02 and 2026-10-11, by hours.",
            "For the client",
            "manual decides",
            "Page 1 of 1",
        ] {
            assert!(text.contains(fact), "{name} lacks {fact:?}: {text}");
        }
        let catalog = document.catalog().unwrap();
        assert_eq!(catalog.get(b"Lang").unwrap().as_str().unwrap(), b"en");
        assert!(catalog.has(b"StructTreeRoot") && catalog.has(b"MarkInfo"), "tagged for screen readers");
    }
}

#[test]
fn the_same_facts_give_the_same_bytes() {
    assert_eq!(service_record(&record(), Paper::A4).unwrap(), service_record(&record(), Paper::A4).unwrap());
    let later = ServiceRecord { made: date(2026, 6, 9), ..record() };
    assert_ne!(service_record(&record(), Paper::A4).unwrap(), service_record(&later, Paper::A4).unwrap(), "the day is in the file");
}

#[test]
fn a_season_goes_on_over_the_page_with_its_head_again() {
    let pdf = season_record(&season(9), Paper::Letter).unwrap();
    keep("season-letter.pdf", &pdf);
    let (document, text) = read(&pdf);
    let pages = document.get_pages().len();
    assert!((3..=5).contains(&pages), "{pages} pages");
    for n in 2..=u32::try_from(pages).unwrap() {
        let page = document.extract_text(&[n]).unwrap();
        assert!(page.contains("Green End Mowers: service record, Q-102, 2026-03-01 to 2026-10-31"), "page {n}: {page}");
    }
    // Each visit names the revision that it was judged by.
    assert_eq!(text.matches("Judged by the engine card Invented twin of 2026-03-01, record 9c4e5464.").count(), 9);
    assert!(text.contains("2026-06-09 10:12, Zoë") && text.contains(&format!("Page {pages} of {pages}")));
    let (document, text) = read(&season_record(&season(0), Paper::A4).unwrap());
    assert_eq!(document.get_pages().len(), 1);
    assert!(text.contains("No finished visit in these days."), "{text}");
}

/// A table of more rows than a page takes: its head comes again, and no row is lost.
#[test]
fn long_texts_wrap_and_go_on_and_lose_nothing() {
    let long = "word ".repeat(790);
    let unbroken = "x".repeat(3_999);
    let findings = vec![long.clone(), unbroken.clone()];
    let everywhere = ServiceRecord {
        shop: "A shop with a name that no letterhead was ever made for, and then some more of it ".repeat(3),
        property: unbroken.clone(),
        description: long,
        findings,
        ..record()
    };
    let pdf = service_record(&everywhere, Paper::A4).unwrap();
    keep("long-a4.pdf", &pdf);
    let (document, text) = read(&pdf);
    assert!(document.get_pages().len() > 1);
    // Letter by letter, whatever the lines: the running head repeats nothing of these, "exhaust" twice and "next" have theirs.
    assert_eq!(text.matches("word").count(), 2 * 790);
    assert_eq!(text.matches('x').count(), 2 * 3_999 + 3);
}

#[test]
fn no_text_breaks_a_page() {
    let texts = [
        "",
        " ",
        "\u{0}\u{7}\u{1b}[31m",
        "a\nb\r\nc\td",
        "\u{202e}desrever\u{202c}",
        "\u{200b}\u{feff}\u{ad}",
        "工程 \u{1f69c}\u{200d}\u{1f468}",
        "\u{e000}\u{f8ff}\u{fffd}\u{10ffff}",
        "e\u{301}\u{301}\u{301}\u{301}\u{301}",
        "\u{301}lone",
        "ffi fl ﬁ",
        "(\\) <</Type/Catalog>> endstream endobj %%EOF",
        "<script>alert(1)</script>",
        "שלום עולם",
        "مرحبا",
        "नमस्ते",
        "Ǆ ẞ ŉ İ ı",
        "½ ⅞ × ≤ ± µm °C № ™ €",
        "...................................................................",
        "\u{2028}\u{2029}\u{85}",
        "ᄀ\u{1161}\u{11a8}",
        "👩‍🔧🏽",
    ];
    for text in texts {
        let text = text.to_owned();
        let hostile = ServiceRecord {
            shop: text.clone(),
            tag: text.clone(),
            description: text.clone(),
            property: text.clone(),
            when: text.clone(),
            by: text.clone(),
            source: text.clone(),
            findings: vec![text.clone(), text.repeat(40)],
            next_due: text.clone(),
            ..record()
        };
        for paper in [Paper::A4, Paper::Letter] {
            let pdf = service_record(&hostile, paper).unwrap_or_else(|error| panic!("{text:?}: {error}"));
            read(&pdf);
        }
        let days = SeasonRecord { shop: text.clone(), tag: text.clone(), property: text.clone(), visits: vec![hostile], ..season(0) };
        season_record(&days, Paper::Letter).unwrap_or_else(|error| panic!("{text:?}: {error}"));
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn nor_does_any_other_text(what in any::<String>(), marks in "[\\p{L}\\p{M}\\p{S}]{0,60}", tag in "\\PC{0,80}") {
        let hostile = ServiceRecord { tag, property: marks.clone(), by: what.clone(), findings: vec![what, marks], ..record() };
        let pdf = service_record(&hostile, Paper::A4);
        prop_assert!(pdf.is_ok(), "{:?}", pdf);
    }
}

#[test]
fn a_day_before_our_era_is_left_out() {
    for made in [jiff::civil::Date::MIN, jiff::civil::Date::MAX] {
        read(&service_record(&ServiceRecord { made, ..record() }, Paper::A4).unwrap());
    }
}
