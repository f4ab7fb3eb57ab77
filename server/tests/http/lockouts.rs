//! Strangers who try on purpose do not lock others out: each address, each name and each known browser has a pace of its own.

use axum::http::header;
use server::origin::AddressHeader;
use server::rate_limit::Rate;
use server::{Clock, Config, Limits};
use shared::wire::{CodeIssued, CodeRequest, EnrolAnswer};

use crate::support::{Device, chance};
use crate::wire::{Served, over, over_from};

const ELSEWHERE: &str = "127.0.0.2";
const FORM: &str = "content-type: application/x-www-form-urlencoded\r\nsec-fetch-site: same-origin";
const ENROL: &str = "POST /v1/enrol HTTP/1.1\r\ncontent-type: application/json";

fn enrolment(shop: &Served, code: &str) -> Vec<u8> {
    serde_json::to_vec(&Device::blank().book.enrol_request(code, "phone", &shop.clock.now(), &mut chance).unwrap()).unwrap()
}

#[tokio::test]
async fn wrong_codes_of_one_address_stop_that_address_and_no_other() {
    let shop = Served::with(Limits::default()).await;
    let code = shop.running.first_code.clone().unwrap();
    let wrong = enrolment(&shop, "AAAAA-BBBBB");
    // In parallel they are no more than in turn.
    let guess = async |address, wrong: Vec<u8>| over_from(ELSEWHERE, address, ENROL, &wrong).await.status.as_u16();
    let guesses: Vec<_> = (0..100).map(|_| tokio::spawn(guess(shop.address(), wrong.clone()))).collect();
    let mut statuses = std::collections::BTreeMap::new();
    for one in guesses {
        *statuses.entry(one.await.unwrap()).or_insert(0) += 1;
    }
    assert_eq!(statuses, [(403, 30), (429, 70)].into());
    let refused = over_from(ELSEWHERE, shop.address(), ENROL, &wrong).await;
    refused.problem(429, shared::problem::Code::TooMany);
    let wait_s: i64 = refused.headers[header::RETRY_AFTER].to_str().unwrap().parse().unwrap();
    shop.clock.on(wait_s * 1000);
    assert_eq!(guess(shop.address(), wrong.clone()).await, 403);
    assert_eq!(guess(shop.address(), wrong).await, 429);
    over(shop.address(), ENROL, &enrolment(&shop, &code)).await.json::<EnrolAnswer>();
}

#[tokio::test]
async fn sixteen_enrolments_at_once_with_good_codes_are_no_wrong_codes() {
    let shop = Served::with(Limits::default()).await;
    let office = shop.office().await;
    let head = format!("POST /v1/codes HTTP/1.1\r\ncontent-type: application/json\r\nauthorization: Bearer {}", office.token);
    let mut joining = Vec::new();
    for _ in 0..16 {
        let asked = serde_json::to_vec(&CodeRequest { person: office.person() }).unwrap();
        let code = over(shop.address(), &head, &asked).await.json::<CodeIssued>().code;
        let (address, body) = (shop.address(), enrolment(&shop, &code));
        joining.push(async move { over(address, ENROL, &body).await });
    }
    let joining: Vec<_> = joining.into_iter().map(tokio::spawn).collect();
    for one in joining {
        one.await.unwrap().json::<EnrolAnswer>();
    }
}

#[tokio::test]
async fn one_address_that_floods_does_not_keep_others_from_asking() {
    let shop = Served::with(Limits { strangers: Rate { burst: 20, per_s: 1 }, ..Limits::default() }).await;
    let keys = "GET /.well-known/jwks.json HTTP/1.1";
    for _ in 0..40 {
        over_from(ELSEWHERE, shop.address(), keys, b"").await;
    }
    assert_eq!(over_from(ELSEWHERE, shop.address(), keys, b"").await.status.as_u16(), 429);
    for _ in 0..20 {
        assert_eq!(over(shop.address(), keys, b"").await.status.as_u16(), 200);
    }
}

/// How many of so many requests for the keys came through, each with a header of its own.
async fn through(shop: &Served, source: &str, headers: impl IntoIterator<Item = String>) -> usize {
    let mut through = 0;
    for header in headers {
        let head = format!("GET /.well-known/jwks.json HTTP/1.1\r\n{header}");
        through += usize::from(over_from(source, shop.address(), &head, b"").await.status.as_u16() == 200);
    }
    through
}

#[tokio::test]
async fn a_forged_header_gives_nobody_another_address() {
    let limits = Limits { strangers: Rate { burst: 5, per_s: 1 }, ..Limits::default() };
    let trusted = |config: &mut Config| {
        config.limits = limits;
        (config.behind_tls_proxy, config.issuer) = (true, Some("http://127.0.0.1".to_owned()));
        config.trusted_proxy = vec!["127.0.0.3".parse().unwrap()];
        config.client_address_in = Some(AddressHeader::XForwardedFor);
    };
    let forged = |name: &'static str| (0..20).map(move |n| format!("{name}203.0.113.{n}"));
    for shop in [Served::with(limits).await, Served::configured(trusted).await] {
        assert_eq!(through(&shop, ELSEWHERE, forged("x-forwarded-for: ")).await, 5);
        assert_eq!(through(&shop, ELSEWHERE, forged("forwarded: for=")).await, 0);
    }
}

#[tokio::test]
async fn through_a_trusted_proxy_each_client_has_a_pace_of_its_own() {
    let shop = Served::configured(|config| {
        config.limits = Limits { strangers: Rate { burst: 5, per_s: 1 }, ..Limits::default() };
        (config.behind_tls_proxy, config.issuer) = (true, Some("http://127.0.0.1".to_owned()));
        config.trusted_proxy = vec!["127.0.0.2/31".parse().unwrap()];
        config.client_address_in = Some(AddressHeader::Forwarded);
    })
    .await;
    let flood = (0..20).map(|n| format!("forwarded: for=198.51.100.{n}, for=203.0.113.1"));
    assert_eq!(through(&shop, ELSEWHERE, flood).await, 5, "what a client claims before the proxy's word changes nothing");
    let others = (2..22).map(|n| format!("forwarded: for=203.0.113.{n}"));
    assert_eq!(through(&shop, ELSEWHERE, others).await, 20);
    // By way of another proxy of theirs it is still the same client.
    let again = (0..5).map(|_| "forwarded: for=203.0.113.1, for=127.0.0.2".to_owned());
    assert_eq!(through(&shop, "127.0.0.3", again).await, 0);
}

#[tokio::test]
async fn a_browser_that_signed_in_before_is_not_locked_out_by_others() {
    let shop = Served::with(Limits::default()).await;
    let code = shop.running.first_code.clone().unwrap();
    let passphrase = "four+plain+words+do";
    let first = format!("POST /office/first HTTP/1.1\r\n{FORM}");
    let opened = over(shop.address(), &first, format!("code={code}&passphrase={passphrase}&again={passphrase}").as_bytes()).await;
    assert_eq!(opened.status.as_u16(), 303, "{}", String::from_utf8_lossy(&opened.body));
    let cookies: Vec<&str> = opened.headers.get_all(header::SET_COOKIE).iter().map(|c| c.to_str().unwrap()).collect();
    let known = cookies.iter().find_map(|cookie| cookie.strip_prefix("tappet_browser=")).map(|c| c.split(';').next().unwrap());
    let sign_in = format!("POST /office/sign-in HTTP/1.1\r\n{FORM}");
    let (right, wrong) = (format!("name=Ana&passphrase={passphrase}"), "name=Ana&passphrase=something+else+here".to_owned());
    for _ in 0..8 {
        over_from(ELSEWHERE, shop.address(), &sign_in, wrong.as_bytes()).await;
    }
    // The name waits for those who never signed in as her here, wherever they are.
    assert_eq!(over(shop.address(), &sign_in, right.as_bytes()).await.status.as_u16(), 429);
    let known = known.expect("a browser that signed in is told what to show next time");
    let as_known = |cookie: &str| format!("{sign_in}\r\ncookie: tappet_browser={cookie}");
    assert_eq!(over(shop.address(), &as_known(known), right.as_bytes()).await.status.as_u16(), 303);
    // A cookie of nobody, one changed, and another's name are as good as none.
    let last = if known.ends_with('0') { "1" } else { "0" };
    let changed = format!("{}{last}", &known[..known.len() - 1]);
    for forged in ["", "x", &"0".repeat(known.len()), &changed] {
        assert_eq!(over(shop.address(), &as_known(forged), right.as_bytes()).await.status.as_u16(), 429, "{forged}");
    }
    // Its holder may not guess without end either.
    let mut guessed = 0;
    while over(shop.address(), &as_known(known), wrong.as_bytes()).await.status.as_u16() != 429 {
        guessed += 1;
        assert!(guessed < 20, "guessed without end");
    }
}

#[tokio::test]
async fn forty_names_tried_elsewhere_keep_nobody_from_signing_in() {
    let shop = Served::with(Limits::default()).await;
    let code = shop.running.first_code.clone().unwrap();
    let first = format!("POST /office/first HTTP/1.1\r\n{FORM}");
    let body = format!("code={code}&passphrase=four+plain+words+do&again=four+plain+words+do");
    assert_eq!(over(shop.address(), &first, body.as_bytes()).await.status.as_u16(), 303);
    let sign_in = format!("POST /office/sign-in HTTP/1.1\r\n{FORM}");
    let mut waits = 0;
    for n in 0..41 {
        let wrong = format!("name=Nobody+{n}&passphrase=something+else+here");
        waits += usize::from(over_from(ELSEWHERE, shop.address(), &sign_in, wrong.as_bytes()).await.status.as_u16() == 429);
    }
    assert!(waits > 0, "an address that tries names has a pace");
    let right = over(shop.address(), &sign_in, b"name=Ana&passphrase=four+plain+words+do").await;
    assert_eq!(right.status.as_u16(), 303, "{}", String::from_utf8_lossy(&right.body));
}
