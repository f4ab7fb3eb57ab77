//! Finding in lists: every page with a list has the form, the rule is the same over HTTP, and a list of 2,000 machines is a page that is
//! small and there at once.

use std::io::Write;
use std::time::Instant;

use flate2::Compression;
use flate2::write::GzEncoder;
use serde_json::Value;
use shared::ids::PropertyId;
use shared::problem::Code;
use shared::record::{MachineCard, PropertyCard};

use crate::browser::Browser;
use crate::pages_shown::Day;
use crate::support::World;

/// Each page with a list, words that find something on it, and what they find.
const LISTS: [(&str, &str, &str); 6] = [
    ("/office/tags", "a12 court", "A-12"),
    ("/office/due", "a12 court invented", "A-12"),
    ("/office/properties", "ALDER lane", "A-12 court"),
    ("/office/cards", "page 7", "Invented single"),
    ("/office/people", "tech a12", "Ben"),
    ("/office/days", "ana monday", "Monday 2026-06-01"),
];

#[tokio::test]
async fn every_list_is_found_in() {
    let mut day = Day::of("A-12").await;
    day.browser.post(&day.world, "/office/days/close", &[("day", "2026-06-01"), ("left_open", "for tomorrow")]).await.to();
    for (at, words, finds) in LISTS {
        let query = words.replace(' ', "+");
        let page = day.browser.page(&day.world, &format!("{at}?find={query}")).await;
        assert!(
            page.html.contains(&format!("<form class=\"find no-print\" method=\"get\" action=\"{at}\">")),
            "{at} has no form to find in it"
        );
        let found = page.html.split("id=\"found\"").nth(1).unwrap_or_else(|| panic!("{at} has no list")).to_owned();
        assert!(found.contains(finds), "{at} finds {finds} by {words}: {}", page.words());
        assert!(page.html.contains(&format!("value=\"{words}\"")), "{at} keeps what was sought");
        let none = day.browser.page(&day.world, &format!("{at}?find=nothing-like-it")).await;
        assert!(none.words().contains("Nothing is found by that."), "{at}: {}", none.words());
    }
    // Whatever else is a list of the book's own things has the form as well.
    for at in day.pages().await {
        let page = day.browser.page(&day.world, &at).await;
        let long = page.html.contains("data-label=\"Looks after\"") || page.html.contains("data-label=\"Next check\"");
        let of_property = at.starts_with("/office/properties/");
        assert!(!long || of_property || page.html.contains("form class=\"find"), "{at} has a list and no form to find in it");
    }
}

#[tokio::test]
async fn machines_are_cut_down_and_ordered_alike_over_http() {
    let mut day = Day::of("A-12").await;
    day.office.log_in(&day.world).await;
    let mut other = day.office.fresh_doc(&day.world);
    for tag in ["B-1", "A-1"] {
        let card = MachineCard {
            tag: tag.to_owned(),
            description: "edger".to_owned(),
            property: day.property,
            engine_card: None,
            cylinders: None,
            duty: shared::engine_card::Duty::Homeowner,
            hours_per_week: None,
            provisional: false,
        };
        day.office.state(&day.world, other, vec![card.into()]);
        other = day.office.fresh_doc(&day.world);
    }
    day.office.level(&day.world).await;
    let token = day.office.token.clone();
    for (query, tags) in [
        // On hold, and so first in every order.
        ("", ["A-12", "A-1", "B-1"].as_slice()),
        ("order=tag", &["A-12", "A-1", "B-1"]),
        ("order=hours", &["A-12", "A-1", "B-1"]),
        ("find=edger", &["A-1", "B-1"]),
        ("find=b1+court", &["B-1"]),
        ("only=held", &["A-12"]),
        ("only=contested", &["A-12"]),
        ("only=visited", &["A-12"]),
        ("only=due", &["A-12"]),
        ("engine=invented+SINGLE", &["A-12"]),
        ("engine=another", &[]),
    ] {
        let told: Vec<Value> = day.world.get(&format!("/v1/due?{query}"), &token).await.json();
        let told: Vec<&str> = told.iter().map(|line| line["tag"].as_str().unwrap()).collect();
        assert_eq!(told, tags, "{query}");
        let page = day.browser.page(&day.world, &format!("/office/due?{query}")).await;
        let rows = page.html.split("<tbody").nth(1).unwrap_or_default();
        let mut at = 0;
        for tag in tags {
            let place = rows[at..].find(&format!(">{tag}</a>")).unwrap_or_else(|| panic!("{query}: {tag} is not next in {}", page.words()));
            at += place;
        }
    }
    for query in ["only=hold", "order=up", "find=x&sort=y"] {
        day.world.get(&format!("/v1/due?{query}"), &token).await.problem(400, Code::Unreadable);
    }
    for (path, finds) in [
        ("people", "Ben"),
        ("devices", "Ben's phone"),
        ("properties", "A-12 court"),
        ("machines", "A-12"),
        ("engine-cards", "Invented single"),
    ] {
        let word = finds.split(' ').next().unwrap();
        let told: Value = day.world.get(&format!("/v1/{path}?find={word}"), &token).await.json();
        assert!(told["items"].as_array().unwrap().iter().any(|line| line["name"] == finds || line["tag"] == finds), "{path}: {told}");
        let told: Value = day.world.get(&format!("/v1/{path}?find=nothing-like-it"), &token).await.json();
        assert_eq!(told["items"], serde_json::json!([]), "{path}");
    }
}

/// The most that the due page of a fleet may be, gzipped, in bytes; and uncompressed, as it goes where nobody compresses it.
const SMALL: (usize, usize) = (60_000, 120_000);

#[tokio::test]
async fn a_fleet_of_two_thousand_is_a_small_page_at_once() {
    let world = World::new();
    let mut office = world.office().await;
    let place = PropertyId(office.fresh_doc(&world).0);
    office.state(
        &world,
        place.doc(),
        vec![PropertyCard { name: "Alder Court".to_owned(), address: String::new(), access: String::new(), season: None }.into()],
    );
    for n in 0..2_000 {
        let doc = office.fresh_doc(&world);
        let card = MachineCard {
            tag: format!("F-{n:04}"),
            description: "Ride-on mower, twin, invented".to_owned(),
            property: place,
            engine_card: None,
            cylinders: Some(2),
            duty: shared::engine_card::Duty::Commercial,
            hours_per_week: None,
            provisional: false,
        };
        office.state(&world, doc, vec![card.into()]);
        if n % 250 == 249 {
            office.log_in(&world).await;
            office.level(&world).await;
        }
    }
    office.log_in(&world).await;
    office.level(&world).await;
    let mut browser = Browser::of(&world, &office, &office).await;
    for (query, all) in [("", "2000 machines"), ("?find=f1&order=tag", "1000 machines found"), ("?find=alder+F-1234", "1 machine found")] {
        let begun = Instant::now();
        let page = browser.page(&world, &format!("/office/due{query}")).await;
        let took = begun.elapsed();
        let mut packed = GzEncoder::new(Vec::new(), Compression::default());
        packed.write_all(page.html.as_bytes()).unwrap();
        let packed = packed.finish().unwrap().len();
        println!("due{query}: {packed} bytes gzipped, {} as they are, {} ms", page.html.len(), took.as_millis());
        assert!(packed < SMALL.0 && page.html.len() < SMALL.1, "{query}: {packed} bytes gzipped, {} as they are", page.html.len());
        assert!(page.words().contains(all), "{query}: {}", &page.words()[..600]);
        assert!(page.html.matches("<tr role=\"row\">").count() <= 101, "{query}: a page has 100 lines");
    }
    let next = browser.page(&world, "/office/due?order=tag").await.link("/office/due?order=tag&amp;from=100");
    assert!(browser.page(&world, &next).await.html.contains(">F-0100</a>"));
}
