//! A form that is not taken: it stands on its page again, open, with what was typed; and one that was sent after the sign-in had ended
//! is taken up again. Walked over every form of every page.

use axum::http::StatusCode;

use crate::browser::{Browser, PASSPHRASE, Seen};
use crate::pages_shown::Day;

/// A form of a page: where it goes, what is hidden in it, and its fields with something typed or chosen.
#[derive(Debug, Clone)]
struct Form {
    action: String,
    hidden: Vec<(String, String)>,
    typed: Vec<(String, String)>,
}

fn unescaped(text: &str) -> String {
    text.replace("&quot;", "\"").replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&")
}

fn attribute(tag: &str, name: &str) -> Option<String> {
    tag.split(&format!(" {name}=\"")).nth(1).map(|rest| unescaped(rest.split('"').next().unwrap()))
}

/// The forms of a page that are sent, but the sign-out and what takes a file.
fn forms(page: &Seen) -> Vec<Form> {
    let all = page.html.split("<form method=\"post\"").skip(1).map(|rest| rest.split("</form>").next().unwrap());
    all.filter(|html| !html.contains("sign-out") && !html.contains("multipart"))
        .map(|html| {
            let mut form = Form { action: attribute(&format!(" {html}"), "action").unwrap(), hidden: Vec::new(), typed: Vec::new() };
            let mut select = None;
            for tag in html.split('<').skip(1) {
                let tag = tag.split('>').next().unwrap();
                let (element, name) = (tag.split(' ').next().unwrap(), attribute(tag, "name"));
                match (element, name) {
                    ("input", Some(name)) if attribute(tag, "type").as_deref() == Some("hidden") => {
                        form.hidden.push((name, attribute(tag, "value").unwrap_or_default()));
                    }
                    ("input", Some(name)) if attribute(tag, "type").as_deref() == Some("checkbox") => {
                        form.typed.push((name, "yes".to_owned()))
                    }
                    ("input" | "textarea", Some(name)) => form.typed.push((name, "typed \"here\" <b> & kept".to_owned())),
                    ("select", Some(name)) => select = Some(name),
                    ("option", _) => {
                        let (name, value) = (select.clone().unwrap(), attribute(tag, "value").unwrap_or_default());
                        form.typed.retain(|(other, _)| *other != name);
                        form.typed.push((name, value));
                    }
                    _ => {}
                }
            }
            form
        })
        .collect()
}

async fn send(day: &mut Day, form: &Form, token: &str, change: &[(&str, &str)]) -> Seen {
    let fields = form.hidden.iter().chain(&form.typed).filter(|(name, _)| name != "token");
    let mut fields: Vec<(&str, &str)> = fields.map(|(name, text)| (name.as_str(), text.as_str())).collect();
    for (name, text) in change {
        fields.retain(|(other, _)| other != name);
        fields.push((name, text));
    }
    fields.push(("token", token));
    let request = day.browser.form(&form.action, "same-origin", &fields);
    day.browser.send(&day.world, request).await
}

fn main_of(page: &Seen) -> &str {
    page.html.split("<h1>").nth(1).unwrap().split("</h1>").next().unwrap()
}

#[tokio::test]
async fn every_form_that_is_refused_stands_where_it_stood_with_what_was_typed() {
    let mut day = Day::of("A-12").await;
    let mut tried = std::collections::BTreeSet::new();
    for path in day.pages().await {
        let page = day.browser.page(&day.world, &path).await;
        for form in forms(&page) {
            // Of another sign-in: that is refused of every form, and changes nothing.
            let seen = send(&mut day, &form, "of another sign-in", &[]).await;
            assert_eq!(seen.status, StatusCode::FORBIDDEN, "{path}: {form:?}");
            assert_eq!(main_of(&seen), main_of(&page), "{path}: {} is refused on another page", form.action);
            let parts: Vec<&str> = seen.html.split(" data-refused").collect();
            assert_eq!(parts.len(), 2, "{path}: {} is marked {} times", form.action, parts.len() - 1);
            assert!(
                parts[0].rsplit("<form ").next().unwrap().contains(&form.action),
                "{path}: another form than {} is marked",
                form.action
            );
            let inside = parts[1].split("</form>").next().unwrap();
            assert!(inside.contains("role=\"alert\"") && inside.contains("another sign-in"), "{path}: {inside}");
            for (name, typed) in form.typed.iter().filter(|(_, typed)| typed.contains("kept")) {
                let escaped = typed.replace('&', "&amp;").replace('"', "&quot;").replace('<', "&lt;").replace('>', "&gt;");
                assert!(inside.contains(&escaped), "{path}: {name} of {} is lost: {inside}", form.action);
            }
            // What is opened to be sent stands open.
            let before = parts[0];
            let in_step = before.rfind("<details class=\"step\"").is_some_and(|at| !before[at..].contains("</details>"));
            let opened = before.rfind("<details class=\"step\"").is_some_and(|at| before[at..].starts_with("<details class=\"step\" open"));
            assert!(!in_step || opened, "{path}: {} is shut", form.action);
            tried
                .insert(form.action.split('/').skip(2).map(|part| if part.len() > 30 { "ID" } else { part }).collect::<Vec<_>>().join("/"));
        }
    }
    assert!(tried.len() >= 14, "{tried:?}");
}

#[tokio::test]
async fn the_field_that_is_wrong_is_named_by_its_label() {
    let mut day = Day::of("A-12").await;
    let (property, machine) = (format!("/office/properties/{}", day.property), format!("/office/machines/{}", day.machine));
    for (path, action, field, text, label) in [
        ("/office/people", "/office/people".to_owned(), "name", "", "Name"),
        ("/office/properties", "/office/properties".to_owned(), "season", "april", "In use"),
        (property.as_str(), property.clone(), "cylinders", "two", "Cylinders"),
        (machine.as_str(), format!("{machine}/note"), "text", " ", "Note"),
        (machine.as_str(), format!("{machine}/card"), "hours_per_week", "many", "Hours a week"),
    ] {
        let page = day.browser.page(&day.world, path).await;
        let form = forms(&page).into_iter().find(|form| form.action == action).unwrap_or_else(|| panic!("{path} has no {action}"));
        let token = day.browser.token.clone();
        let plain: Vec<(&str, &str)> =
            form.typed.iter().filter(|(_, typed)| typed.contains("kept")).map(|(name, _)| (name.as_str(), "")).collect();
        let change: Vec<(&str, &str)> = plain.into_iter().chain([("name", "Dora"), ("tag", "Z-1"), (field, text)]).collect();
        let seen = send(&mut day, &form, &token, &change).await;
        assert_eq!(seen.status, StatusCode::BAD_REQUEST, "{path}: {}", seen.words());
        let inside =
            seen.html.split(" data-refused").nth(1).unwrap_or_else(|| panic!("{path}: {}", seen.words())).split("</form>").next().unwrap();
        assert!(inside.contains(&format!("“{label}”")), "{path}: {label} is not named: {inside}");
        let wrong = inside.split("aria-invalid=\"true\"").next().unwrap();
        assert!(wrong.len() < inside.len() && wrong.rsplit('<').next().unwrap().contains(&format!("name=\"{field}\"")), "{path}: {inside}");
    }
    // Signing in and setting a passphrase as well, where nobody is a visitor yet; and a passphrase is never on a page.
    let mut stranger = Browser::default();
    let fields = [("at", "/office/sign-in?to=/office/due"), ("to", "/office/due"), ("name", "Ana"), ("passphrase", "not the right one")];
    let seen = stranger.post(&day.world, "/office/sign-in", &fields).await;
    assert_eq!(seen.status, StatusCode::FORBIDDEN);
    assert!(
        seen.words().contains("no such name") && seen.html.contains("name=\"name\"") && seen.html.contains("value=\"Ana\""),
        "{}",
        seen.html
    );
    assert!(seen.html.contains("name=\"to\" value=\"/office/due\"") && !seen.html.contains("not the right one"), "{}", seen.html);
}

#[tokio::test]
async fn a_form_that_was_sent_after_the_sign_in_had_ended_is_taken_up_again() {
    let mut day = Day::of("A-12").await;
    let path = format!("/office/machines/{}", day.machine);
    let page = day.browser.page(&day.world, &path).await;
    let note = forms(&page).into_iter().find(|form| form.action.ends_with("/note")).unwrap();
    day.world.clock.on(2 * 3_600_000);
    let token = day.browser.token.clone();
    let text = "Gate code <4711>, dog \"Rex\"\nbeware";
    let seen = send(&mut day, &note, &token, &[("text", text)]).await;
    assert_eq!(seen.status, StatusCode::FORBIDDEN, "{}", seen.html);
    assert!(seen.words().contains("What you sent is kept here") && seen.html.contains("action=\"/office/sign-in\""), "{}", seen.words());
    // It waits through a passphrase that was typed wrongly.
    let sign_in = forms(&seen).into_iter().find(|form| form.action == "/office/sign-in").unwrap();
    let wrong = send(&mut day, &sign_in, "", &[("name", "Ana"), ("passphrase", "wrong for now")]).await;
    assert_eq!(wrong.status, StatusCode::FORBIDDEN);
    let sign_in = forms(&wrong).into_iter().find(|form| form.action == "/office/sign-in").unwrap();
    let seen = send(&mut day, &sign_in, "", &[("name", "Ana"), ("passphrase", PASSPHRASE)]).await;
    assert_eq!(seen.status, StatusCode::OK, "{}", seen.html);
    assert!(seen.words().contains("You are signed in as Ana") && seen.words().contains("Gate code <4711>"), "{}", seen.words());
    // Nothing is taken in before somebody says so.
    assert!(!day.browser.page(&day.world, &path).await.words().contains("Gate code"));
    let again = forms(&seen).remove(0);
    let token = again.hidden.iter().find(|(name, _)| name == "token").unwrap().1.clone();
    let done = send(&mut day, &again, &token, &[]).await;
    assert_eq!(done.to(), path);
    assert!(day.browser.page(&day.world, &path).await.words().contains("Gate code <4711>, dog \"Rex\""));
    // What another site made a browser send waits for nobody.
    day.world.clock.on(2 * 3_600_000);
    let elsewhere = day.browser.form(&note.action, "cross-site", &[("text", "planted"), ("at", &path)]);
    let seen = day.browser.send(&day.world, elsewhere).await;
    assert!(!seen.html.contains("planted"), "{}", seen.html);
}

#[tokio::test]
async fn every_page_says_once_whose_clock_its_times_are() {
    let mut day = Day::of("A-12").await;
    let zone = day
        .browser
        .page(&day.world, "/office")
        .await
        .html
        .split("Times are the shop's own: ")
        .nth(1)
        .unwrap()
        .split('.')
        .next()
        .unwrap()
        .to_owned();
    for path in day.pages().await {
        let page = day.browser.page(&day.world, &path).await;
        let said = page.html.matches("Times are the shop's own").count();
        assert_eq!(said, 1, "{path}");
        // The settings have it in a field as well, where it is changed.
        assert!(path == "/office/settings" || page.html.matches(&zone).count() == 1, "{path} says {zone} more than once");
    }
}
