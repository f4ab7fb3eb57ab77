//! Every page: with a day's data, with an empty book, and with text that would like to be markup.

use axum::http::StatusCode;
use server::Clock;
use shared::engine_card::{EngineCard, Interval, Range, Source};
use shared::hours::Hours;
use shared::ids::{CardId, DocId, PropertyId};
use shared::length::Length;
use shared::record::{Body as Stated, Clearance, Finding, FindingKind, HourReading, MachineCard, Note, PropertyCard, Stage, Visit};
use shared::role::Role;
use sync_core::book::Draft;
use sync_core::sys::rng::fresh_uuid;

use crate::browser::Browser;
use crate::support::{Device, World, chance};

/// A shop with one machine, an engine card with a source, a contested valve, a hold, an hour reading that cannot be, and a
/// visit that nobody finished.
pub(crate) struct Day {
    pub(crate) world: World,
    pub(crate) office: Device,
    pub(crate) lead: Device,
    pub(crate) tech: Device,
    pub(crate) browser: Browser,
    pub(crate) property: PropertyId,
    pub(crate) machine: DocId,
    pub(crate) visit: shared::ids::RecordId,
}

const THOU: fn(i64) -> Length = Length::from_thou;

fn clearance(valve: &str, stage: Stage, go: i64, no_go: i64) -> Clearance {
    Clearance {
        valve: valve.parse().unwrap(),
        stage,
        go: Some(THOU(go)),
        no_go: Some(THOU(no_go)),
        leaves: Vec::new(),
        cold: true,
        engine_tenth_c: None,
        adjusted: false,
        visit: None,
    }
}

impl Day {
    /// The day, on a machine with this tag.
    pub(crate) async fn of(tag: &str) -> Self {
        let world = World::new();
        let mut office = world.office().await;
        let property = PropertyId(office.fresh_doc(&world).0);
        let machine = office.fresh_doc(&world);
        let card = CardId(fresh_uuid(&world.clock.now(), &mut chance));
        let engines = office.book.identity().unwrap().root.shop.engines();
        let range = |low, high, aim| Range { low: THOU(low), high: THOU(high), aim: Some(THOU(aim)) };
        let interval = Interval { hours: Some(100), months: Some(12) };
        let source = Some(Source { manual: format!("Manual of {tag}"), page: "page 7".to_owned() });
        let (intake, exhaust) = (range(4, 6, 5), range(5, 7, 6));
        let name = "Invented single".to_owned();
        let engine = EngineCard { source, commercial: interval, homeowner: interval, ..EngineCard::plain(card, name, 1, intake, exhaust) };
        office.state(&world, engines, vec![engine.into()]);
        let place =
            PropertyCard { name: format!("{tag} court"), address: "1 Alder Lane".to_owned(), access: "gate".to_owned(), season: None };
        office.state(&world, property.doc(), vec![place.into()]);
        let of_machine = MachineCard {
            tag: tag.to_owned(),
            description: "walk-behind".to_owned(),
            property,
            engine_card: Some(card),
            cylinders: Some(1),
            duty: shared::engine_card::Duty::Commercial,
            hours_per_week: None,
            provisional: false,
        };
        office.state(&world, machine, vec![of_machine.into()]);
        office.level(&world).await;
        let tech = world.join(&mut office, "Ben", Role::Tech, Some(property)).await;
        let lead = world.join(&mut office, "Cleo", Role::Lead, None).await;
        let browser = Browser::of(&world, &office, &office).await;
        let mut day = Self { world, office, lead, tech, browser, property, machine, visit: shared::ids::RecordId::from_bytes([0; 16]) };
        day.play(tag).await;
        day
    }

    async fn play(&mut self, tag: &str) {
        let (world, machine) = (&self.world, self.machine);
        let visit = Visit { cold: true, engine_tenth_c: None, cautions_confirmed: true, purpose: format!("look at {tag}"), resumes: None };
        self.visit = self.tech.book.write(vec![Draft::new(machine, visit)], &world.clock.now(), &mut chance).unwrap()[0];
        let hours = |tenths| Stated::from(HourReading { meter: Hours::from_tenths(tenths), visit: Some(self.visit) });
        // One at a time: what is stated in the same millisecond has no order that the next run would repeat.
        for said in [hours(9_883), clearance("1I", Stage::Found, 3, 4).into(), clearance("1E", Stage::Found, 5, 6).into()] {
            self.tech.state(world, machine, vec![said]);
        }
        self.lead.state(world, machine, vec![clearance("1I", Stage::Found, 6, 7).into()]);
        world.clock.on(3_600_000);
        self.tech.log_in(world).await;
        self.lead.log_in(world).await;
        let hold = Finding { grade: FindingKind::Hold, what: format!("push rod bent on {tag}"), visit: Some(self.visit) };
        let note = Note { text: format!("note on {tag}"), visit: None };
        for said in [clearance("1E", Stage::Left, 5, 7).into(), hours(98_840), hold.into(), note.into()] {
            self.tech.state(world, machine, vec![said]);
        }
        self.tech.level(world).await;
        self.lead.level(world).await;
    }

    /// The addresses of all pages.
    pub(crate) async fn pages(&mut self) -> Vec<String> {
        let (world, browser) = (&self.world, &mut self.browser);
        let mut pages: Vec<String> =
            ["", "/due", "/tags", "/round", "/properties", "/cards", "/people", "/quarantine", "/days", "/settings"]
                .iter()
                .map(|path| format!("/office{path}"))
                .collect();
        let sheet = browser.page(world, "/office").await;
        pages.push(sheet.link("/office/slot?"));
        pages.push(sheet.link("/office/records/"));
        pages.push(format!("/office/machines/{}", self.machine));
        pages.push(format!("/office/machines/{}/tag", self.machine));
        pages.push(format!("/office/visits/{}/record", self.visit));
        pages.push(format!("/office/properties/{}", self.property));
        pages.push(browser.page(world, "/office/cards").await.link("/office/cards/0"));
        pages.push(format!("/office/people/{}", self.tech.person()));
        pages
    }
}

#[tokio::test]
async fn every_page_is_there_in_both_units_and_no_text_is_taken_for_markup() {
    let hostile = "<script>alert('1')</script>\"'><b>&amp;";
    let mut day = Day::of(hostile).await;
    let pages = day.pages().await;
    assert!(pages.len() >= 16, "{pages:?}");
    for path in pages {
        for unit in ["mm", "thou"] {
            let ask = if path.contains('?') { format!("{path}&unit={unit}") } else { format!("{path}?unit={unit}") };
            let seen = day.browser.page(&day.world, &ask).await;
            for markup in ["<script>", "<b>&", "alert('1')</script>\"'>"] {
                assert!(!seen.html.contains(markup), "{path}: {markup} in {}", seen.html);
            }
            assert!(seen.html.contains("<h1>") && seen.html.ends_with("</html>"), "{path}");
        }
    }
    let machine = day.browser.page(&day.world, &format!("/office/machines/{}", day.machine)).await;
    assert!(machine.words().contains(&format!("push rod bent on {}", hostile.replace("&amp;", "&"))), "{}", machine.words());
}

#[tokio::test]
async fn a_gross_reading_says_on_the_machines_page_what_is_looked_at_first() {
    let mut day = Day::of("A-12").await;
    day.world.clock.on(60_000);
    for stage in [Stage::Found, Stage::Left] {
        day.tech.state(&day.world, day.machine, vec![clearance("1E", stage, 20, 25).into()]);
    }
    day.tech.log_in(&day.world).await;
    day.tech.level(&day.world).await;
    let path = format!("/office/machines/{}", day.machine);
    let words = day.browser.page(&day.world, &path).await.words();
    let place = |what: &str| words.find(what).unwrap_or_else(|| panic!("{what} in {words}"));
    assert!(place("HOLD, do not run") < place("Valve clearances"), "{words}");
    assert!(place("far off") < place("do not turn the adjuster yet") && words.contains("Is the rocker stud tight?"), "{words}");
}

#[tokio::test]
async fn every_page_is_there_while_the_book_is_empty() {
    let world = World::new();
    let mut browser = Browser::default();
    let fields = [("code", world.first_code.as_str()), ("passphrase", "four plain words do"), ("again", "four plain words do")];
    browser.post(&world, "/office/first", &fields).await.to();
    for (path, say) in [
        ("/office", "Nothing needs you"),
        ("/office?day=2026-05-04", "Nothing came in on this day yet."),
        ("/office/due", "There is no machine in the book yet."),
        ("/office/tags", "There is no machine in the book yet."),
        ("/office/round", "No property is worth the drive"),
        ("/office/properties", "There is no property in the book yet."),
        ("/office/cards", "There is no engine card yet."),
        ("/office/quarantine", "Nothing waits."),
        ("/office/days", "No day has been closed yet."),
        ("/office/people", "Ana"),
        ("/office/settings", "12 h"),
    ] {
        let words = browser.page(&world, path).await.words();
        assert!(words.contains(say), "{path}: {words}");
    }
}

#[tokio::test]
async fn what_is_not_there_is_a_page_that_says_so() {
    let mut day = Day::of("A-12").await;
    let nobody = "00000000-0000-7000-8000-000000000000";
    for (path, say) in [
        (format!("/office/machines/{nobody}"), "This book has no such machine; nothing was kept."),
        (format!("/office/machines/{nobody}/tag"), "This book has no such machine; nothing was kept."),
        (format!("/office/records/{nobody}"), "This book has no such record; nothing was kept."),
        (format!("/office/visits/{nobody}/record"), "There is no such record"),
        (format!("/office/properties/{nobody}"), "There is no such property"),
        (format!("/office/people/{nobody}"), "This book has no such person; nothing was kept."),
        (format!("/office/cards/{nobody}"), "This book has no such engine card; nothing was kept."),
        (format!("/office/slot?doc={nobody}&slot=hours"), "Nothing is stated about hour meter; nothing was kept."),
        ("/office/machines/A-12".to_owned(), "There is nothing at this address."),
        ("/office/anything/else".to_owned(), "There is nothing at this address."),
    ] {
        let seen = day.browser.get(&day.world, &path).await;
        assert_eq!(seen.status, StatusCode::NOT_FOUND, "{path}: {}", seen.html);
        assert!(seen.words().contains(say), "{path}: {}", seen.words());
        assert!(seen.html.contains("href=\"/office\""), "{path}");
    }
    for path in ["/office?day=yesterday", "/office?unit=inch", "/office/round?days=soon", "/office/slot?slot=hours"] {
        let seen = day.browser.get(&day.world, path).await;
        assert_eq!(seen.status, StatusCode::BAD_REQUEST, "{path}: {}", seen.html);
    }
}

#[tokio::test]
async fn the_main_pages_say() {
    let mut day = Day::of("A-12").await;
    let shown = |name: &'static str, words: String| insta::assert_snapshot!(name, words);
    shown("page_day_sheet", day.browser.page(&day.world, "/office").await.words());
    let slot = day.browser.page(&day.world, "/office").await.link(&format!("/office/slot?doc={}&amp;slot=lash", day.machine));
    shown("page_slot", day.browser.page(&day.world, &slot).await.words());
    shown("page_machine", day.browser.page(&day.world, &format!("/office/machines/{}", day.machine)).await.words());
    shown("page_service_record", day.browser.page(&day.world, &format!("/office/visits/{}/record", day.visit)).await.words());
    shown("page_due", day.browser.page(&day.world, "/office/due").await.words());
    shown("page_round", day.browser.page(&day.world, "/office/round").await.words());
    let card = day.browser.page(&day.world, "/office/cards").await.link("/office/cards/0");
    shown("page_card", day.browser.page(&day.world, &card).await.words());
    shown("page_person", day.browser.page(&day.world, &format!("/office/people/{}", day.tech.person())).await.words());
}
