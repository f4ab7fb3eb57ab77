//! What the office does on the pages: each step is in the book afterwards, signed in that person's name, or refused in words.

use axum::body::Body;
use axum::http::{Method, StatusCode, header};
use futures_util::StreamExt;
use shared::record::Stage;
use shared::slot::Slot;
use sync_core::judge::standing::State;
use tower::ServiceExt;

use crate::browser::Browser;
use crate::pages_shown::Day;
use crate::support::reading;

/// The form of a slot's page that lets one of its readings stand.
async fn ruling_form(day: &mut Day) -> Vec<(String, String)> {
    // The valve's, and not the hour meter's, which the day has contested as well.
    let slot = day.browser.page(&day.world, "/office").await.link(&format!("/office/slot?doc={}&amp;slot=lash", day.machine));
    let page = day.browser.page(&day.world, &slot).await;
    let fields = ["doc", "slot", "weighed", "decision"].map(|name| (name.to_owned(), page.value_in("/office/rule", name)));
    fields.into_iter().chain([("reason".to_owned(), "photo of the leaf".to_owned()), ("back".to_owned(), slot)]).collect()
}

async fn send(day: &mut Day, path: &str, fields: &[(String, String)]) -> crate::browser::Seen {
    let fields: Vec<(&str, &str)> = fields.iter().map(|(n, v)| (n.as_str(), v.as_str())).collect();
    day.browser.post(&day.world, path, &fields).await
}

#[tokio::test]
async fn a_ruling_decides_and_is_the_offices_own_signed_word() {
    let mut day = Day::of("A-12").await;
    let fields = ruling_form(&mut day).await;
    let seen = send(&mut day, "/office/rule", &fields).await;
    assert_eq!(seen.to(), fields[5].1);
    let words = day.browser.page(&day.world, &fields[5].1).await.words();
    assert!(words.contains("stands.") && words.contains("Ana ruled that") && words.contains("photo of the leaf"), "{words}");
    let sheet = day.browser.page(&day.world, "/office").await.words();
    assert!(sheet.contains("A-12: hour meter") && !sheet.contains("A-12: clearance 1I"), "{sheet}");
    // The tech's phone hears of it and checks the signature itself.
    day.tech.level(&day.world).await;
    let standing =
        day.tech.book.store().projections().standing(day.machine, &Slot::Lash("1I".parse().unwrap(), Stage::Found)).unwrap().unwrap();
    assert_eq!((standing.state, standing.stands.map(|id| id.to_string())), (State::Ruled, Some(fields[3].1.clone())));
}

#[tokio::test]
async fn a_ruling_on_a_page_that_is_out_of_date_is_none() {
    let mut day = Day::of("A-12").await;
    let fields = ruling_form(&mut day).await;
    day.tech.state(&day.world, day.machine, vec![reading(1, 2)]);
    day.tech.level(&day.world).await;
    let seen = send(&mut day, "/office/rule", &fields).await;
    assert_eq!(seen.status, StatusCode::CONFLICT, "{}", seen.html);
    assert!(seen.words().contains("Another reading came in since the readings were looked at"), "{}", seen.words());
    let fresh = ruling_form(&mut day).await;
    assert_ne!(fresh[2], fields[2]);
    send(&mut day, "/office/rule", &fresh).await.to();
}

#[tokio::test]
async fn measure_again_puts_the_machine_on_the_list() {
    let mut day = Day::of("A-12").await;
    let mut fields = ruling_form(&mut day).await;
    fields[3].1 = "recheck".to_owned();
    send(&mut day, "/office/rule", &fields).await.to();
    assert!(day.browser.page(&day.world, "/office").await.words().contains("To be measured again"));
    assert!(day.browser.page(&day.world, "/office/due").await.words().contains("measure again"));
}

#[tokio::test]
async fn the_day_is_closed_with_a_reason_for_what_is_open() {
    let mut day = Day::of("A-12").await;
    let sheet = day.browser.page(&day.world, "/office").await;
    assert!(
        sheet.words().contains("Still open:\nA-12: hour meter is contested.\nA-12: clearance 1I (cylinder 1 intake), found is contested."),
        "{}",
        sheet.words()
    );
    let date = sheet.value_in("/office/days/close", "day");
    let seen = day.browser.post(&day.world, "/office/days/close", &[("day", &date)]).await;
    assert_eq!(seen.status, StatusCode::BAD_REQUEST);
    assert!(seen.words().contains("has open matters"), "{}", seen.words());
    let seen = day.browser.post(&day.world, "/office/days/close", &[("day", &date), ("left_open", "the lead rules tomorrow")]).await;
    assert_eq!(seen.to(), format!("/office?day={date}"));
    let words = day.browser.page(&day.world, "/office").await.words();
    assert!(
        words.contains("closed by Ana") && words.contains("the lead rules tomorrow") && words.contains("nothing came for it since"),
        "{words}"
    );
    assert!(day.browser.page(&day.world, "/office/days").await.words().contains(&date));
    let evening = format!("/office/machines/{}/evening?day={date}", day.machine);
    assert!(day.browser.page(&day.world, &format!("/office/machines/{}", day.machine)).await.html.contains("Show that evening"));
    let words = day.browser.page(&day.world, &evening).await.words();
    assert!(words.contains("1I found: 6 to 7 thou") && !words.contains("reads otherwise now"), "{words}");
    // What comes late is shown, and the day can be closed anew.
    day.lead.state(&day.world, day.machine, vec![reading(1, 2)]);
    day.lead.level(&day.world).await;
    let sheet = day.browser.page(&day.world, "/office").await;
    assert!(sheet.words().contains("1 record came for it since."), "{}", sheet.words());
    assert!(day.browser.page(&day.world, &evening).await.words().contains("reads otherwise now"));
    assert_eq!(sheet.value_in("/office/days/close", "day"), date);
}

#[tokio::test]
async fn the_sheets_mark_moves_when_something_comes_in_and_only_then() {
    let mut day = Day::of("A-12").await;
    let at = "/office/day-sheet/position";
    let before = day.browser.page(&day.world, at).await.html;
    day.world.clock.on(10_000);
    assert_eq!(day.browser.page(&day.world, at).await.html, before);
    day.tech.state(&day.world, day.machine, vec![reading(1, 2)]);
    day.tech.level(&day.world).await;
    assert_ne!(day.browser.page(&day.world, at).await.html, before);
}

#[tokio::test]
async fn the_sheet_is_told_when_something_moves_until_the_sign_out() {
    let mut day = Day::of("A-12").await;
    let request = day.browser.asks(Method::GET, "/office/events").body(Body::empty()).unwrap();
    let response = day.world.router.clone().oneshot(request).await.unwrap();
    assert_eq!((response.status(), &response.headers()[header::CONTENT_TYPE]), (StatusCode::OK, &"text/event-stream".parse().unwrap()));
    let mut told = response.into_body().into_data_stream();
    let mut next = async || {
        // Sooner than the keep-alive, which would find out by itself.
        let piece = tokio::time::timeout(std::time::Duration::from_secs(10), told.next()).await.unwrap();
        piece.map(|piece| String::from_utf8(piece.unwrap().to_vec()).unwrap())
    };
    assert!(next().await.unwrap().contains("event: moved"));
    day.tech.state(&day.world, day.machine, vec![reading(1, 2)]);
    day.tech.level(&day.world).await;
    let moved = next().await.unwrap();
    assert!(moved.contains("event: moved") && moved.contains(&day.machine.to_string()), "{moved}");
    // What is done on a page is told as well.
    let note = format!("/office/machines/{}/note", day.machine);
    day.browser.post(&day.world, &note, &[("text", "told")]).await.to();
    assert!(next().await.unwrap().contains("event: moved"));
    day.browser.post(&day.world, "/office/sign-out", &[]).await.to();
    day.tech.state(&day.world, day.machine, vec![reading(2, 3)]);
    day.tech.level(&day.world).await;
    assert_eq!(next().await, None);
}

#[tokio::test]
async fn people_roles_properties_codes_and_devices() {
    let mut day = Day::of("A-12").await;
    let (world, browser) = (&day.world, &mut day.browser);
    browser.post(world, "/office/people", &[("name", "Dora"), ("role", "helper")]).await.to();
    let people = browser.page(world, "/office/people").await;
    assert!(people.words().contains("Dora is on the roster. Issue a one-time code next."), "{}", people.words());
    // Said once.
    assert!(!browser.page(world, "/office/people").await.words().contains("Issue a one-time code next."));
    let row = people.html.split(">Dora</a>").next().unwrap();
    let dora = format!("/office/people/{}", row.rsplit("/office/people/").next().unwrap().trim_end_matches(['"', '>']));
    browser.post(world, &format!("{dora}/role"), &[("role", "tech")]).await.to();
    let property = day.property.to_string();
    browser.post(world, &format!("{dora}/property"), &[("property", &property), ("active", "yes")]).await.to();
    let words = browser.page(world, &dora).await.words();
    assert!(words.contains("Role: tech.") && words.contains("A-12 court"), "{words}");
    browser.post(world, &format!("{dora}/property"), &[("property", &property), ("active", "no")]).await.to();
    assert!(browser.page(world, &dora).await.words().contains("No property."));

    let code = browser.post(world, &format!("{dora}/code"), &[]).await;
    assert_eq!(code.status, StatusCode::OK);
    assert!(code.html.contains("<svg class=\"qr\"") && code.headers[header::CACHE_CONTROL] == "no-store");
    let issued = code.html.split("class=\"code\">").nth(1).unwrap().split('<').next().unwrap().to_owned();
    let phone = world.enrol(&issued, "Dora's phone").await;
    let devices = browser.page(world, &dora).await;
    assert!(devices.words().contains("Dora's phone"), "{}", devices.words());
    let revoke = format!("/office/devices/{}/revoke", phone.book.identity().unwrap().device);
    browser.post(world, &revoke, &[("reason", "lost")]).await.to();
    assert!(browser.page(world, &dora).await.words().contains("revoked 2026-"));
    assert_eq!(world.get("/v1/due", &phone.token).await.status, StatusCode::UNAUTHORIZED);
}

#[tokio::test]
async fn properties_machines_notes_holds_and_voids() {
    let mut day = Day::of("A-12").await;
    let (world, browser) = (&day.world, &mut day.browser);
    let seen = browser.post(world, "/office/properties", &[("name", "A-12 court")]).await;
    assert_eq!(seen.status, StatusCode::BAD_REQUEST, "{}", seen.html);
    assert!(seen.words().contains("already"), "{}", seen.words());
    browser.post(world, "/office/properties", &[("name", "Briar School"), ("access", "not before nine")]).await.to();
    assert!(browser.page(world, "/office/properties").await.words().contains("not before nine"));
    let at = format!("/office/properties/{}", day.property);
    browser.post(world, &at, &[("tag", "B-7"), ("duty", "homeowner"), ("cylinders", "2"), ("engine_card", "")]).await.to();
    let page = browser.page(world, &at).await;
    assert!(page.words().contains("B-7"), "{}", page.words());

    let machine = format!("/office/machines/{}", day.machine);
    browser.post(world, &format!("{machine}/note"), &[("text", "asked the client")]).await.to();
    let page = browser.page(world, &machine).await;
    assert!(page.words().contains("note: asked the client") && page.words().contains("HOLD, do not run"), "{}", page.words());
    let clear = page.html.split("action=\"/office/findings/").nth(1).unwrap().split('"').next().unwrap();
    let clear = format!("/office/findings/{clear}");
    assert_eq!(browser.post(world, &clear, &[("back", &machine)]).await.status, StatusCode::BAD_REQUEST);
    assert_eq!(browser.post(world, &clear, &[("how", "new push rod"), ("back", &machine)]).await.to(), machine);
    let page = browser.page(world, &machine).await;
    assert!(!page.words().contains("HOLD, do not run: Push"), "{}", page.words());
    let fields =
        [("tag", "A-13"), ("duty", "commercial"), ("property", &day.property.to_string()), ("engine_card", ""), ("cylinders", "1")];
    browser.post(world, &format!("{machine}/card"), &fields).await.to();
    assert!(browser.page(world, &machine).await.words().starts_with("The machine's card is kept.\nA-13"));

    let sheet = browser.page(world, "/office").await;
    let doubted = sheet.link("/office/records/");
    browser.post(world, &format!("{doubted}/void"), &[("reason", "a slip of the finger")]).await.to();
    let words = browser.page(world, &doubted).await.words();
    assert!(words.contains("Undone by") && words.contains("a slip of the finger"), "{words}");
}

#[tokio::test]
async fn cards_leave_and_come_in_as_files() {
    let mut day = Day::of("A-12").await;
    let (world, browser) = (&day.world, &mut day.browser);
    let json = browser.page(world, "/office/cards/export.json").await;
    assert_eq!(json.headers[header::CONTENT_DISPOSITION], "attachment; filename=\"engine-cards.json\"");
    let csv = browser.page(world, "/office/cards/export.csv").await.html;
    assert!(
        csv.lines()
            .nth(1)
            .unwrap()
            .starts_with("Invented single,1,4,6,5,5,7,6,,0.1016,0.1524,0.127,0.127,0.1778,0.1524,,100,12,100,12,,,,Manual of A-12,page 7,"),
        "{csv}"
    );
    browser.page(world, "/office/cards").await;
    let renamed = json.html.replace("Invented single", "Invented single, restated");
    let table = csv.replace("Invented single", "Invented single, of a table").replacen("Invented single, of", "\"Invented single, of", 1);
    let table = table.replacen("a table,", "a table\",", 1);
    for (text, status) in [(renamed.as_str(), 303), (table.as_str(), 303), (json.html.as_str(), 303), ("{}", 400), ("name\nA", 400)] {
        let seen = send_file(world, browser, text).await;
        assert_eq!(seen.status.as_u16(), status, "{}", seen.html);
    }
    let words = browser.page(world, "/office/cards").await.words();
    assert!(words.contains("1 engine card taken in.") && words.contains("Invented single"), "{words}");
    let card = browser.page(world, "/office/cards").await.link("/office/cards/0");
    let good = [
        ("in", "mm"),
        ("name", "By hand"),
        ("cylinders", "2"),
        ("intake_low", "0.10"),
        ("intake_high", "0.15"),
        ("exhaust_low", "0.15"),
        ("exhaust_high", "0.20"),
        ("intake_aim", ""),
        ("manual", "Invented manual"),
        ("page", "9"),
        ("commercial_h", "100"),
        ("homeowner_months", "12"),
        ("ignition", "compression"),
        ("far_widths", "1.5"),
    ];
    assert_eq!(browser.post(world, &card, &good).await.to(), card);
    let words = browser.page(world, &format!("{card}?unit=mm")).await.words();
    assert!(words.contains("By hand\n") && words.contains("0.10 to 0.15 mm") && words.contains("Invented manual, 9."), "{words}");
    assert!(words.contains("1.5 widths of the range") && words.contains("compression, a diesel"), "{words}");
    let seen = browser.post(world, "/office/cards", &good).await;
    assert!(seen.status == StatusCode::BAD_REQUEST && seen.words().contains("named By hand already"), "{}", seen.words());
    let other = good.map(|(name, value)| (name, if name == "name" { "Another" } else { value }));
    browser.post(world, "/office/cards", &other).await.to();
    // Decimal inches in the form are inches, and the page says so; what could be either is refused.
    let inches = [
        ("in", "thou"),
        ("name", "By inches"),
        ("intake_low", ".004"),
        ("intake_high", "0.006"),
        ("exhaust_low", "6"),
        ("exhaust_high", "8"),
    ];
    let in_thou = good.map(|(name, value)| inches.into_iter().find(|(n, _)| *n == name).unwrap_or((name, value)));
    let to = browser.post(world, "/office/cards", &in_thou).await.to().to_owned();
    let words = browser.page(world, &format!("{to}?unit=thou")).await.words();
    assert!(words.contains("Read as inches: 0.004 in., 4 thou; 0.006 in., 6 thou.") && words.contains("4 to 6 thou"), "{words}");
    let either = in_thou.map(|(name, value)| (name, if name == "intake_low" { "0.4" } else { value }));
    let seen = browser.post(world, "/office/cards", &either).await;
    assert!(seen.status == StatusCode::BAD_REQUEST && seen.words().contains("can be 0.4 thou, 0.4 in. or 0.4 mm"), "{}", seen.words());
    for (name, value) in [
        ("intake_low", ".005"),
        ("intake_low", "0.16"),
        ("intake_high", "soon"),
        ("page", ""),
        ("cylinders", "0"),
        ("commercial_h", ""),
        ("in", "inch"),
        ("ignition", "steam"),
        ("far_widths", "two"),
        ("far_widths", "0.1"),
    ] {
        let bad = other.map(|(n, v)| {
            if n == name {
                (n, value)
            } else if n == "name" {
                (n, "Bad")
            } else {
                (n, v)
            }
        });
        let seen = browser.post(world, "/office/cards", &bad).await;
        assert_eq!(seen.status, StatusCode::BAD_REQUEST, "{name}: {}", seen.html);
    }
    assert!(!browser.page(world, "/office/cards").await.words().contains("Bad"));
    browser.token = "another".to_owned();
    assert_eq!(send_file(world, browser, &renamed).await.status, StatusCode::FORBIDDEN);
}

async fn send_file(world: &crate::support::World, browser: &mut Browser, text: &str) -> crate::browser::Seen {
    let body = format!(
        "--edge\r\nContent-Disposition: form-data; name=\"token\"\r\n\r\n{}\r\n--edge\r\nContent-Disposition: form-data; name=\"file\"; filename=\"cards.json\"\r\nContent-Type: application/json\r\n\r\n{text}\r\n--edge--\r\n",
        browser.token
    );
    let request = browser.asks(Method::POST, "/office/cards/import").header("sec-fetch-site", "same-origin");
    let request = request.header(header::CONTENT_TYPE, "multipart/form-data; boundary=edge").body(Body::from(body)).unwrap();
    browser.send(world, request).await
}

#[tokio::test]
async fn settings_are_kept_and_what_cannot_be_is_not() {
    let mut day = Day::of("A-12").await;
    let (world, browser) = (&day.world, &mut day.browser);
    let fields = |zone, window, tolerance| {
        let own = [("name", "Green End"), ("time_zone", zone), ("conflict_window_min", window), ("leaf_tolerance", tolerance)];
        let more = [("feel", "0.004"), ("conformance", "97.5"), ("shop_unit", "mm"), ("commercial_hours", "50"), ("commercial_months", "")];
        [&own[..], &more].concat()
    };
    browser.post(world, "/office/settings", &fields("Europe/Oslo", "90", "0.005")).await.to();
    // In the shop's unit: this browser has chosen none.
    let words = browser.page(world, "/office/settings").await.words();
    for kept in [
        "Green End",
        "Europe/Oslo",
        "1 h 30 min",
        "0.005 mm",
        "0.004 mm, a standard uncertainty",
        "97.5 %",
        "at least every 50 h",
        "this browser shows mm",
    ] {
        assert!(words.contains(kept), "{kept}: {words}");
    }
    for bad in [
        fields("Nowhere/None", "90", "0"),
        fields("Europe/Oslo", "0", "0"),
        fields("Europe/Oslo", "soon", "0"),
        fields("Europe/Oslo", "90", "-1"),
    ] {
        let seen = browser.post(world, "/office/settings", &bad).await;
        assert_eq!(seen.status, StatusCode::BAD_REQUEST, "{bad:?}: {}", seen.html);
    }
    assert!(browser.page(world, "/office/settings").await.words().contains("1 h 30 min"));
}
