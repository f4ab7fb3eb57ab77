//! The day sheet as the day's work: every kind of matter is there, is named, and is settled where it stands.

use axum::http::StatusCode;
use shared::record::{Note, RoleGrant, SignOff};
use shared::role::Role;
use sync_core::queries::MatterKind;

use crate::browser::Seen;
use crate::pages_shown::Day;

/// The demonstration's day with a device that stayed away, and a record that its author had no right to any more.
async fn full() -> Day {
    let mut day = Day::of("A-12").await;
    day.office.log_in(&day.world).await;
    day.world.join(&mut day.office, "Dora", Role::Helper, None).await;
    day.world.clock.on(86_400_000);
    let office = &mut day.office;
    office.log_in(&day.world).await;
    let roster = office.book.identity().unwrap().root.shop.roster();
    office.state(&day.world, roster, vec![RoleGrant { person: day.tech.person(), role: Some(Role::Helper) }.into()]);
    office.level(&day.world).await;
    day.tech.log_in(&day.world).await;
    day.tech.state(&day.world, day.machine, vec![SignOff { visit: day.visit, complete: true, remark: String::new() }.into()]);
    day.tech.state(&day.world, day.machine, vec![Note { text: "gate sticks".to_owned(), visit: None }.into()]);
    day.tech.level(&day.world).await;
    day.browser.sign_in(&day.world, "Ana", crate::browser::PASSPHRASE).await.to();
    day
}

/// Each matter of a sheet: its kind in words, its heading, and all of it.
fn matters(sheet: &Seen) -> Vec<(String, String)> {
    let articles = sheet.html.split("<article class=\"matter\"").skip(1);
    let whole = articles.map(|rest| rest.split("<p class=\"no-print\"><a href=\"#m-").next().unwrap().split("<h2").next().unwrap());
    whole.map(|html| (html.split("</span>").next().unwrap().rsplit('>').next().unwrap().to_owned(), html.to_owned())).collect()
}

#[tokio::test]
async fn every_kind_of_matter_is_named_and_settled_where_it_stands() {
    let mut day = full().await;
    let sheet = day.browser.page(&day.world, "/office").await;
    let found = matters(&sheet);
    let mut kinds: Vec<&str> = found.iter().map(|(kind, _)| kind.as_str()).collect();
    kinds.dedup();
    // In the order in which they are worked through. What is in doubt here is of a slot that is contested, and decided with it.
    let all: Vec<&str> = MatterKind::ALL.iter().filter(|kind| **kind != MatterKind::Doubt).map(|kind| kind.words()).collect();
    assert_eq!(kinds, all, "{}", sheet.words());
    for (kind, html) in &found {
        assert!(html.contains("<form method=\"post\""), "{kind} cannot be settled where it stands: {html}");
        let heading = html.split("</h3>").next().unwrap();
        assert!(heading.contains(if kind == "device not here" { " of " } else { "A-12" }), "{kind} names nothing: {heading}");
        // Ids are out of sight until somebody asks for them.
        let shown: String =
            html.split("<details class=\"ids\">").map(|piece| piece.split_once("</details>").map_or(piece, |(_, rest)| rest)).collect();
        assert!(!shown.contains("class=\"id\"") && !shown.contains("<code>"), "{kind} shows an id: {shown}");
    }
    // It would not be used, and so finishes no visit.
    assert!(!sheet.words().contains("would count as finished"), "{}", sheet.words());
    let at = |what: &str| sheet.html.find(what).unwrap_or_else(|| panic!("{what} is not on the sheet"));
    assert!(at("id=\"needs\"") < at("id=\"notes\"") && at("id=\"notes\"") < at("id=\"arrived\""), "what merely came in is below");
    assert!(sheet.words().contains("gate sticks"), "{}", sheet.words());
}

#[tokio::test]
async fn what_is_settled_leads_to_the_next() {
    let mut day = full().await;
    let sheet = day.browser.page(&day.world, "/office").await;
    let action = format!("/office/visits/{}/finish", day.visit);
    let (machine, back) = (sheet.value_in(&action, "machine"), sheet.value_in(&action, "back"));
    let seen = day.browser.post(&day.world, &action, &[("machine", &machine), ("back", &back)]).await;
    assert_eq!(seen.status, StatusCode::BAD_REQUEST, "a remark is asked for");
    let seen = day.browser.post(&day.world, &action, &[("machine", &machine), ("back", &back), ("remark", "Ben is away")]).await;
    assert_eq!(seen.to(), back);
    assert!(!day.browser.page(&day.world, "/office").await.html.contains(&action), "it is finished");
    let hold = sheet.html.split("/clear\"").next().unwrap().rsplit("/office/findings/").next().unwrap();
    let action = format!("/office/findings/{hold}/clear");
    let back = sheet.value_in(&action, "back");
    let next = back.split('#').nth(1).unwrap();
    assert!(sheet.html.contains(&format!("<article class=\"matter\" id=\"{next}\"")), "it leads to {next}");
}
