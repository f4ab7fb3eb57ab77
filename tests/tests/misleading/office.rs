//! Every page of the office that a link leads to, and everything that is read over HTTP: lists, tables, the calendar, refusals.

use std::collections::{BTreeSet, VecDeque};
use std::net::SocketAddr;
use std::sync::Arc;

use server::{Clock, Config, Running, start};
use shared::wire::ASSERTION_TYPE;
use sync_core::book::Book;
use sync_core::sys::clock::ClockReading;
use tests::Dice;

use crate::ground::{Ground, hostile};
use crate::line::{Came, ask};
use crate::{all_were_shown, holds_nothing_that_misleads};

struct At(i64);

impl Clock for At {
    fn now(&self) -> ClockReading {
        ClockReading::at(self.0)
    }
}

/// The most addresses that the walk follows: the shop is small.
const MOST_PAGES: usize = 400;

struct Walk {
    address: SocketAddr,
    shown: String,
}

impl Walk {
    fn see(&mut self, surface: &str, came: &Came) {
        assert_ne!(came.status, 500, "{surface}: {}", String::from_utf8_lossy(&came.body));
        assert!(came.head.chars().all(|c| c.is_ascii() && (!c.is_ascii_control() || c == '\r' || c == '\n')), "{surface}: {}", came.head);
        let Some(text) = came.text() else { return };
        let kind = came.header("content-type").unwrap_or_default();
        let lines_end_so = kind.starts_with("text/csv") || kind.starts_with("text/calendar");
        holds_nothing_that_misleads(surface, text, lines_end_so);
        let plain = text.replace("&lt;", "<").replace("&gt;", ">");
        // A calendar's long lines are folded (RFC 5545 section 3.1).
        self.shown.push_str(&if kind.starts_with("text/calendar") { plain.replace("\r\n ", "") } else { plain });
    }

    fn get(&mut self, path: &str, headers: &[String]) -> Came {
        let came = ask(self.address, "GET", path, headers, "");
        self.see(&format!("GET {path}"), &came);
        came
    }
}

async fn served(ground: &Ground) -> Running {
    let listen = SocketAddr::from(([127, 0, 0, 1], 0));
    start(Config { listen, ..Config::new(ground.path("shop")) }, Arc::new(At(ground.now_ms))).await.unwrap()
}

fn signed_in(walk: &mut Walk, code: &str) -> Vec<String> {
    let form = ["content-type: application/x-www-form-urlencoded".to_owned(), "sec-fetch-site: same-origin".to_owned()];
    let body = format!("code={code}&passphrase=four+plain+words+do&again=four+plain+words+do");
    let came = ask(walk.address, "POST", "/office/first", &form, &body);
    assert_eq!(came.status, 303, "{}", String::from_utf8_lossy(&came.body));
    let set = came.head.lines().filter_map(|line| line.strip_prefix("set-cookie: "));
    let cookies: Vec<&str> = set.map(|cookie| cookie.split(';').next().unwrap()).collect();
    vec![format!("cookie: {}", cookies.join("; "))]
}

/// The token of the office's terminal.
fn bearer(walk: &Walk, ground: &Ground) -> Vec<String> {
    let book = Book::open(&ground.path("office.db"), &mut Dice::new(6)).unwrap();
    let assertion = book.tokens().assertion(&ClockReading::at(ground.now_ms), 0, &mut Dice::new(7)).unwrap();
    let form = ["content-type: application/x-www-form-urlencoded".to_owned()];
    let body = format!("grant_type=client_credentials&client_assertion_type={ASSERTION_TYPE}&client_assertion={assertion}");
    let came = ask(walk.address, "POST", "/v1/token", &form, &body);
    let answer: serde_json::Value = serde_json::from_slice(&came.body).unwrap();
    vec![format!("authorization: Bearer {}", answer["access_token"].as_str().unwrap_or_else(|| panic!("{answer}")))]
}

fn links(html: &str) -> Vec<String> {
    let parts = html.split("href=\"").chain(html.split("src=\"")).skip(1);
    let all = parts.filter_map(|part| part.split('"').next()).filter(|link| link.starts_with("/office"));
    all.map(|link| link.replace("&amp;", "&").split('#').next().unwrap().to_owned()).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nothing_on_a_page_of_the_office_misleads() {
    let ground = Ground::lay();
    let running = served(&ground).await;
    let (code, address) = (ground.code.clone(), running.address);
    let walked = tokio::task::spawn_blocking(move || {
        let mut walk = Walk { address, shown: String::new() };
        let cookie = signed_in(&mut walk, &code);
        let (mut seen, mut waiting) = (BTreeSet::new(), VecDeque::from(["/office".to_owned()]));
        while let Some(path) = waiting.pop_front() {
            if !seen.insert(path.clone()) || seen.len() > MOST_PAGES {
                continue;
            }
            let came = walk.get(&path, &cookie);
            if came.header("content-type").is_some_and(|kind| kind.starts_with("text/html")) {
                waiting.extend(links(came.text().unwrap()));
            }
        }
        for wrong in ["/office/machines/%1B%5B2J", "/office?day=%E2%80%AE", "/office/slot?doc=x&slot=%1B", "/office/%C2%9B"] {
            walk.get(wrong, &cookie);
        }
        (walk.shown, seen)
    });
    let (shown, seen) = walked.await.unwrap();
    running.shutdown().await;
    for part in
        ["slot?", "machines/", "records/", "visits/", "due", "round", "properties/", "cards/", "people/", "quarantine", "days", "settings"]
    {
        assert!(seen.iter().any(|path| path.starts_with(&format!("/office/{part}"))), "no link led to {part}: {seen:?}");
    }
    all_were_shown(
        &[
            "shop",
            "person",
            "device",
            "property",
            "address",
            "access",
            "tag",
            "description",
            "engine",
            "manual",
            "page",
            "purpose",
            "watch",
            "hold",
            "note",
            "caption",
            "ruling",
            "void",
            "remark",
            "left-open",
            "strange",
        ],
        &shown,
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nothing_that_is_read_over_http_misleads() {
    let ground = Ground::lay();
    let running = served(&ground).await;
    let address = running.address;
    let shown = tokio::task::spawn_blocking(move || {
        let mut walk = Walk { address, shown: String::new() };
        let token = bearer(&walk, &ground);
        let described: serde_json::Value = serde_json::from_slice(&walk.get("/v1/openapi.json", &[]).body).unwrap();
        let paths = described["paths"].as_object().unwrap();
        assert!(paths.len() > 40, "{}", paths.len());
        let ids = [ground.machine.to_string(), ground.property.to_string(), ground.tech.to_string(), ground.visit.to_string()];
        for (path, _) in paths.iter().filter(|(_, of_it)| of_it.get("get").is_some()) {
            for id in &ids {
                let asked = path.replace("{id}", id).replace("{day}", "2026-06-01").replace("{sha256}", &"07".repeat(32));
                walk.get(&asked, &token);
                if !path.contains("{id}") {
                    break;
                }
            }
        }
        for id in &ground.records {
            walk.get(&format!("/v1/records/{id}"), &token);
        }
        let feed = ask(walk.address, "POST", "/v1/calendar-feed", &token, "");
        let feed: serde_json::Value = serde_json::from_slice(&feed.body).unwrap();
        assert_eq!(walk.get(feed["path"].as_str().unwrap(), &[]).status, 200);
        let json = vec![token[0].clone(), "content-type: application/json".to_owned()];
        let typed = serde_json::to_string(&serde_json::json!({ "person": hostile("typed"), hostile("name"): 1 })).unwrap();
        for (path, body) in
            [("/v1/codes", &typed), ("/v1/enrol", &typed), ("/v1/quarantine/9/release", &typed), ("/v1/codes", &hostile("raw"))]
        {
            let came = ask(walk.address, "POST", path, &json, body);
            walk.see(&format!("POST {path}"), &came);
            assert!(came.status >= 400, "{path}");
        }
        for wrong in ["/v1/machines/%1B%5B2J", "/v1/due?unit=%C2%9B", "/v1/day-sheet?day=%E2%80%AE", "/v1/nowhere/%1B", "/v1/due?%1B=1"] {
            walk.get(wrong, &token);
        }
        walk.shown
    });
    let shown = shown.await.unwrap();
    running.shutdown().await;
    all_were_shown(&["shop", "person", "device", "property", "tag", "engine", "manual", "watch", "hold", "note", "strange"], &shown);
    // Tables and the calendar spell them out.
    for table in ["tag-<U+001B>", "engine-<U+001B>"] {
        assert!(shown.contains(table), "{table} stands in no table");
    }
}
