//! What keeps the pages to those whose they are: the sign-in, the session, the forms, the headers.

use axum::body::Body;
use axum::http::{Method, StatusCode, header};
use shared::record::RoleGrant;
use shared::role::Role;

use crate::browser::{Browser, PASSPHRASE, code_for};
use crate::support::{Device, World};

const HOUR: i64 = 3_600_000;

async fn world() -> (World, Device, Browser) {
    let world = World::new();
    let office = world.office().await;
    let browser = Browser::of(&world, &office, &office).await;
    (world, office, browser)
}

#[tokio::test]
async fn the_first_code_of_the_shop_sets_a_passphrase_and_signs_in_once() {
    let world = World::new();
    let mut browser = Browser::default();
    assert_eq!(browser.get(&world, "/").await.to(), "/office");
    assert_eq!(browser.get(&world, "/office").await.to(), "/office/sign-in?to=/office");
    assert_eq!(browser.get(&world, "/office/due?unit=mm").await.to(), "/office/sign-in?to=/office/due%3Funit%3Dmm");
    browser.page(&world, "/office/first").await;
    let code = world.first_code.clone();
    let set = |passphrase: &'static str, again: &'static str| {
        [("code", code.clone()), ("passphrase", passphrase.into()), ("again", again.into())]
    };
    for (passphrase, again, say) in [("short", "short", "12 characters"), (PASSPHRASE, "four plain words did", "differ")] {
        let fields = set(passphrase, again);
        let seen = browser.post(&world, "/office/first", &fields.each_ref().map(|(n, v)| (*n, v.as_str()))).await;
        assert_eq!(seen.status, StatusCode::BAD_REQUEST);
        assert!(seen.words().contains(say), "{}", seen.words());
    }
    let fields = set(PASSPHRASE, PASSPHRASE);
    let fields = fields.each_ref().map(|(n, v)| (*n, v.as_str()));
    let seen = browser.post(&world, "/office/first", &fields).await;
    let cookie = seen.headers[header::SET_COOKIE].to_str().unwrap().to_owned();
    assert!(cookie.ends_with("; HttpOnly; SameSite=Strict; Path=/office") && cookie.len() > 90, "{cookie}");
    assert_eq!(seen.to(), "/office");
    assert!(browser.page(&world, "/office").await.html.contains("Ana, office"));

    let seen = Browser::default().post(&world, "/office/first", &fields).await;
    assert_eq!(seen.status, StatusCode::FORBIDDEN);
    assert!(seen.words().contains("The code has been used."), "{}", seen.words());
}

#[tokio::test]
async fn a_passphrase_signs_in_and_goes_where_one_wanted_to_go() {
    let (world, _, _) = world().await;
    let mut browser = Browser::default();
    for (name, passphrase) in [("Ana", "four plain words did"), ("Nobody", PASSPHRASE), ("Ana", "")] {
        let seen = browser.sign_in(&world, name, passphrase).await;
        assert_eq!(seen.status, StatusCode::FORBIDDEN, "{name}");
        assert!(seen.words().contains("no such name with such a passphrase"), "{}", seen.words());
        assert!(!seen.headers.contains_key(header::SET_COOKIE));
    }
    let fields = [("name", "ANA "), ("passphrase", PASSPHRASE), ("to", "/office/due?unit=mm")];
    assert_eq!(browser.post(&world, "/office/sign-in", &fields).await.to(), "/office/due?unit=mm");
    browser.page(&world, "/office/due").await;
    let elsewhere = [("name", "Ana"), ("passphrase", PASSPHRASE), ("to", "//other.example/office")];
    assert_eq!(Browser::default().post(&world, "/office/sign-in", &elsewhere).await.to(), "/office");
}

#[tokio::test]
async fn wrong_passphrases_make_that_name_wait_and_no_other() {
    let (world, mut office, _) = world().await;
    let cleo = world.join(&mut office, "Cleo", Role::Lead, None).await;
    Browser::of(&world, &office, &cleo).await;
    let mut browser = Browser::default();
    for _ in 0..5 {
        assert_eq!(browser.sign_in(&world, "Ana", "never the right one").await.status, StatusCode::FORBIDDEN);
    }
    let seen = browser.sign_in(&world, "ana", PASSPHRASE).await;
    assert_eq!(seen.status, StatusCode::TOO_MANY_REQUESTS);
    assert_eq!(seen.headers[header::RETRY_AFTER], "60");
    browser.sign_in(&world, "Cleo", PASSPHRASE).await.to();
    world.clock.on(301_000);
    browser.sign_in(&world, "Ana", PASSPHRASE).await.to();
}

#[tokio::test]
async fn a_form_without_the_token_or_from_another_site_changes_nothing() {
    let (world, _, mut browser) = world().await;
    browser.page(&world, "/office/people").await;
    let token = browser.token.clone();
    let fields = |token: &'static str| vec![("token", token), ("name", "Mallory"), ("role", "office")];
    for bad in [fields(""), fields("0000"), fields("")[1..].to_vec()] {
        let form = browser.form("/office/people", "same-origin", &bad);
        let seen = browser.send(&world, form).await;
        assert_eq!(seen.status, StatusCode::FORBIDDEN, "{bad:?}");
        assert!(seen.words().contains("another sign-in"), "{}", seen.words());
    }
    let good = [("token", token.as_str()), ("name", "Mallory"), ("role", "office")];
    for site in ["cross-site", "same-site", "none"] {
        let form = browser.form("/office/people", site, &good);
        let seen = browser.send(&world, form).await;
        assert_eq!(seen.status, StatusCode::FORBIDDEN, "{site}");
        assert!(seen.words().contains("own page"), "{}", seen.words());
    }
    // Another site that signs a browser in as somebody of its choice is refused too.
    let login = Browser::default().form("/office/sign-in", "cross-site", &[("name", "Ana"), ("passphrase", PASSPHRASE)]);
    assert_eq!(browser.send(&world, login).await.status, StatusCode::FORBIDDEN);
    assert!(!browser.page(&world, "/office/people").await.html.contains("Mallory"));
    // The token of another session is none.
    let mut other = Browser::default();
    other.sign_in(&world, "Ana", PASSPHRASE).await;
    let form = other.form("/office/people", "same-origin", &good);
    assert_eq!(other.send(&world, form).await.status, StatusCode::FORBIDDEN);
    // The same fields with everything right are taken: so what is refused above is refused for its guard alone.
    let form = browser.form("/office/people", "same-origin", &good);
    browser.send(&world, form).await.to();
    assert!(browser.page(&world, "/office/people").await.html.contains("Mallory"));
}

#[tokio::test]
async fn a_session_ends_with_the_role_the_idle_hours_and_the_sign_out_and_not_with_a_restart() {
    let (world, mut office, mut ana) = world().await;
    let cleo = world.join(&mut office, "Cleo", Role::Lead, None).await;
    let mut lead = Browser::of(&world, &office, &cleo).await;
    lead.page(&world, "/office").await;
    let roster = office.book.identity().unwrap().root.shop.roster();
    office.state(&world, roster, vec![RoleGrant { person: cleo.person(), role: Some(Role::Tech) }.into()]);
    office.level(&world).await;
    assert!(lead.get(&world, "/office").await.to().starts_with("/office/sign-in"));
    // Not even once the role is back: the session has ended.
    office.state(&world, roster, vec![RoleGrant { person: cleo.person(), role: Some(Role::Lead) }.into()]);
    office.level(&world).await;
    assert!(lead.get(&world, "/office").await.to().starts_with("/office/sign-in"));

    ana.page(&world, "/office").await;
    world.clock.on(2 * HOUR);
    assert!(ana.get(&world, "/office").await.to().starts_with("/office/sign-in"));

    ana.sign_in(&world, "Ana", PASSPHRASE).await.to();
    ana.page(&world, "/office").await;
    let kept = ana.cookie.clone();
    let out = ana.post(&world, "/office/sign-out", &[]).await;
    assert!(out.headers[header::SET_COOKIE].to_str().unwrap().contains("Max-Age=0"));
    ana.cookie = kept;
    assert!(ana.get(&world, "/office").await.to().starts_with("/office/sign-in"));

    ana.cookie.clear();
    ana.sign_in(&world, "Ana", PASSPHRASE).await.to();
    ana.page(&world, "/office").await;
    let before = ana.token.clone();
    let world = world.restarted();
    ana.page(&world, "/office").await;
    assert_eq!(ana.token, before, "a form of before the restart is taken after it");
    ana.post(&world, "/office/people", &[("name", "Dora"), ("role", "helper")]).await.to();
    // Who signed out before a restart is signed out after it, and so is who has no role any more: both are looked up.
    let mut lead = Browser::default();
    lead.sign_in(&world, "Cleo", PASSPHRASE).await.to();
    lead.page(&world, "/office").await;
    let kept = ana.cookie.clone();
    ana.post(&world, "/office/sign-out", &[]).await;
    office.log_in(&world).await;
    office.state(&world, roster, vec![RoleGrant { person: cleo.person(), role: Some(Role::Tech) }.into()]);
    office.level(&world).await;
    let world = world.restarted();
    ana.cookie = kept;
    assert!(ana.get(&world, "/office").await.to().starts_with("/office/sign-in"));
    assert!(lead.get(&world, "/office").await.to().starts_with("/office/sign-in"));
    // Idle over a restart is idle.
    ana.cookie.clear();
    ana.sign_in(&world, "Ana", PASSPHRASE).await.to();
    let world = world.restarted();
    ana.page(&world, "/office").await;
    world.clock.on(2 * HOUR);
    let world = world.restarted();
    assert!(ana.get(&world, "/office").await.to().starts_with("/office/sign-in"));
}

#[tokio::test]
async fn a_new_passphrase_ends_the_old_one_and_its_sessions() {
    let (world, office, mut ana) = world().await;
    ana.page(&world, "/office").await;
    let code = code_for(&world, &office, &office).await;
    let fields = [("code", code.as_str()), ("passphrase", "four other words do"), ("again", "four other words do")];
    Browser::default().post(&world, "/office/first", &fields).await.to();
    assert!(ana.get(&world, "/office").await.to().starts_with("/office/sign-in"));
    ana.cookie.clear();
    assert_eq!(ana.sign_in(&world, "Ana", PASSPHRASE).await.status, StatusCode::FORBIDDEN);
    ana.sign_in(&world, "Ana", "four other words do").await.to();
}

#[tokio::test]
async fn techs_have_no_desk_and_leads_may_not_do_what_is_the_offices() {
    let (world, mut office, _) = world().await;
    let ben = world.join(&mut office, "Ben", Role::Tech, None).await;
    let cleo = world.join(&mut office, "Cleo", Role::Lead, None).await;
    let code = code_for(&world, &office, &ben).await;
    let fields = [("code", code.as_str()), ("passphrase", PASSPHRASE), ("again", PASSPHRASE)];
    let seen = Browser::default().post(&world, "/office/first", &fields).await;
    assert_eq!(seen.status, StatusCode::FORBIDDEN);
    assert!(seen.words().contains("the code still enrols a phone"), "{}", seen.words());

    let mut lead = Browser::of(&world, &office, &cleo).await;
    assert!(!lead.page(&world, "/office/people").await.html.contains("Add a person"));
    let seen = lead.post(&world, "/office/people", &[("name", "Dora"), ("role", "office")]).await;
    assert_eq!(seen.status, StatusCode::FORBIDDEN, "{}", seen.html);
    let seen = lead.post(&world, "/office/quarantine/1", &[("how", "in")]).await;
    assert_eq!(seen.status, StatusCode::FORBIDDEN, "{}", seen.html);
    let seen = lead.post(&world, &format!("/office/people/{}/code", ben.person()), &[]).await;
    assert_eq!(seen.status, StatusCode::FORBIDDEN, "{}", seen.html);
}

#[tokio::test]
async fn every_answer_under_office_has_the_guards() {
    let (world, _, mut browser) = world().await;
    for path in ["/office", "/office/sign-in", "/office/nowhere", "/office/machines/none", "/office/day-sheet/position"] {
        let seen = browser.get(&world, path).await;
        let text = |name: &str| seen.headers.get(name).map_or("", |value| value.to_str().unwrap());
        for part in [
            "default-src 'none'",
            "style-src 'self';",
            "script-src 'self';",
            "form-action 'self'",
            "frame-ancestors 'none'",
            "base-uri 'none'",
        ] {
            assert!(text("content-security-policy").contains(part), "{path}: {part}");
        }
        assert!(!text("content-security-policy").contains("unsafe"), "{path}");
        assert_eq!((text("x-content-type-options"), text("referrer-policy")), ("nosniff", "no-referrer"), "{path}");
        assert_eq!(text("cache-control"), "no-store", "{path}");
        // Nothing on a page asks for what the policy forbids.
        for forbidden in [" style=", "<style", "onclick", "<script>", "src=\"http", "href=\"http"] {
            assert!(!seen.html.contains(forbidden), "{path}: {forbidden}");
        }
    }
    assert_eq!(browser.get(&world, "/office/nowhere").await.status, StatusCode::NOT_FOUND);
    let seen = browser.get(&world, "/office/rule").await;
    assert_eq!(seen.status, StatusCode::METHOD_NOT_ALLOWED);
    assert!(seen.html.contains("<main"), "{}", seen.html);
}

#[tokio::test]
async fn style_and_script_are_held_for_long_under_a_name_of_their_own() {
    let (world, _, mut browser) = world().await;
    let page = browser.page(&world, "/office").await;
    browser.cookie.clear();
    for path in [page.link("/office/style-"), page.html.split("src=\"").nth(1).unwrap().split('"').next().unwrap().to_owned()] {
        let seen = browser.page(&world, &path).await;
        assert_eq!(seen.headers[header::CACHE_CONTROL], "public, max-age=31536000, immutable", "{path}");
        let tag = seen.headers[header::ETAG].to_str().unwrap().to_owned();
        assert!(tag.contains(path.rsplit('/').next().unwrap()), "{tag}");
        let again = browser.asks(Method::GET, &path).header(header::IF_NONE_MATCH, tag).body(Body::empty()).unwrap();
        let again = browser.send(&world, again).await;
        assert_eq!((again.status, again.html.as_str()), (StatusCode::NOT_MODIFIED, ""));
    }
}

#[tokio::test]
async fn the_sheet_that_waits_is_told_plainly_when_nobody_is_signed_in() {
    let (world, _, mut browser) = world().await;
    let sheet = browser.page(&world, "/office").await;
    let mark = sheet.html.split("data-mark=\"").nth(1).unwrap().split('"').next().unwrap().to_owned();
    assert_eq!(browser.page(&world, "/office/day-sheet/position").await.html, mark);
    // It does not keep the session up, however often it asks.
    for _ in 0..8 {
        world.clock.on(HOUR / 4 - 1);
        browser.page(&world, "/office/day-sheet/position").await;
    }
    world.clock.on(HOUR / 4);
    for path in ["/office/day-sheet/position", "/office/events"] {
        assert_eq!(browser.get(&world, path).await.status, StatusCode::UNAUTHORIZED, "{path}");
        assert_eq!(Browser::default().get(&world, path).await.status, StatusCode::UNAUTHORIZED, "{path}");
    }
}
