//! Tokens that were not given: every forgery we know of, of log-in assertions and of access tokens.

use axum::http::StatusCode;
use base64::Engine;
use base64::prelude::BASE64_URL_SAFE_NO_PAD as B64;
use ed25519_dalek::{Signer, SigningKey};
use jsonwebtoken::{Algorithm, EncodingKey, Header, encode};
use serde_json::{Value, json};
use server::Clock;
use shared::problem::Code;
use shared::role::Role;
use shared::wire::{ASSERTION_TYP, TokenAnswer};
use sync_core::sys::rng::fresh_person;

use crate::support::{Device, ISSUER, World, chance};

/// A token put together by hand, so that its header may say anything.
fn signed(header: &Value, claims: &Value, key: &SigningKey) -> String {
    let text = format!("{}.{}", B64.encode(header.to_string()), B64.encode(claims.to_string()));
    let signature = key.sign(text.as_bytes()).to_bytes();
    format!("{text}.{}", B64.encode(signature))
}

/// The header and claims of a good assertion of this device, now.
fn assertion(device: &Device, world: &World) -> (Value, Value) {
    let id = device.book.identity().unwrap().device;
    let iat = world.clock.now().wall_ms / 1000;
    let jti = fresh_person(&world.clock.now(), &mut chance).0;
    let header = json!({ "typ": ASSERTION_TYP, "alg": "EdDSA", "kid": id });
    (header, json!({ "iss": id, "sub": id, "aud": ISSUER, "iat": iat, "exp": iat + 240, "jti": jti }))
}

fn login_key(device: &Device) -> SigningKey {
    device.book.identity().unwrap().keys().unwrap().login()
}

/// A name and a change to a good assertion.
type Change = (&'static str, fn(&mut Value, &mut Value));

#[tokio::test]
async fn an_assertion_that_says_anything_else_is_refused() {
    let world = World::new();
    let office = world.office().await;
    let key = login_key(&office);
    let (header, claims) = assertion(&office, &world);
    world.log_in_with(&signed(&header, &claims, &key)).await.json::<TokenAnswer>();
    let changes: [Change; 23] = [
        ("another issuer's audience", |_, c| c["aud"] = json!("https://other.example")),
        ("the audience with a slash", |_, c| c["aud"] = json!(format!("{ISSUER}/"))),
        ("the token address as audience", |_, c| c["aud"] = json!(format!("{ISSUER}/v1/token"))),
        ("an audience among others", |_, c| c["aud"] = json!([ISSUER, "https://other.example"])),
        ("an audience as a list of one", |_, c| c["aud"] = json!([ISSUER])),
        ("no audience", |_, c| drop(c.as_object_mut().unwrap().remove("aud"))),
        ("no end", |_, c| drop(c.as_object_mut().unwrap().remove("exp"))),
        ("no beginning", |_, c| drop(c.as_object_mut().unwrap().remove("iat"))),
        ("no number of its own", |_, c| drop(c.as_object_mut().unwrap().remove("jti"))),
        ("no subject", |_, c| drop(c.as_object_mut().unwrap().remove("sub"))),
        ("an end as text", |_, c| c["exp"] = json!("never")),
        ("an end in fractions beyond numbers", |_, c| c["exp"] = json!(1e300)),
        ("a number of its own that is none", |_, c| c["jti"] = json!("x")),
        ("an issuer that is another device", |_, c| c["iss"] = json!("01890000-0000-7000-8000-000000000001")),
        ("a life of 301 s", |_, c| c["exp"] = json!(c["iat"].as_i64().unwrap() + 301)),
        ("another type", |h, _| h["typ"] = json!("JWT")),
        ("an access token's type", |h, _| h["typ"] = json!("at+jwt")),
        ("no type", |h, _| drop(h.as_object_mut().unwrap().remove("typ"))),
        // RFC 7515 section 4.1.11: what is critical must be understood, and nothing critical is understood here.
        ("a critical extension", |h, _| (h["crit"], h["exp"]) = (json!(["exp"]), json!(0))),
        ("an empty list of critical ones", |h, _| h["crit"] = json!([])),
        // RFC 7797 section 6.
        ("an unencoded payload", |h, _| h["b64"] = json!(false)),
        ("an unencoded payload, said to be critical", |h, _| (h["b64"], h["crit"]) = (json!(false), json!(["b64"]))),
        ("a beginning that is no time", |_, c| c["nbf"] = json!("soon")),
    ];
    for (what, change) in changes {
        let (mut header, mut claims) = assertion(&office, &world);
        change(&mut header, &mut claims);
        let answer = world.log_in_with(&signed(&header, &claims, &key)).await;
        assert_eq!(answer.status, StatusCode::UNAUTHORIZED, "{what}: {}", String::from_utf8_lossy(&answer.body));
        answer.problem(401, Code::TokenInvalid);
    }
    // RFC 7519 section 4.1.5: not before its time, a minute of leeway aside.
    for (nbf, holds) in [(json!(61), false), (json!(4e9), false), (json!(60), true), (json!(-200.5), true)] {
        let (header, mut claims) = assertion(&office, &world);
        claims["nbf"] = json!(claims["iat"].as_f64().unwrap() + nbf.as_f64().unwrap());
        let answer = world.log_in_with(&signed(&header, &claims, &key)).await;
        assert_eq!(answer.status.is_success(), holds, "{nbf}: {}", String::from_utf8_lossy(&answer.body));
        if !holds {
            answer.problem(401, Code::ClockWrong);
        }
    }
    for (what, iat, exp) in [("ended 61 s ago", -200, -61), ("begins in 61 s", 61, 200)] {
        let (header, mut claims) = assertion(&office, &world);
        let now = claims["iat"].as_i64().unwrap();
        (claims["iat"], claims["exp"]) = (json!(now + iat), json!(now + exp));
        let told = world.log_in_with(&signed(&header, &claims, &key)).await.problem(401, Code::ClockWrong);
        assert_eq!(told.shop_time_ms, Some(world.clock.now().wall_ms), "{what}");
    }
}

#[tokio::test]
async fn a_key_that_a_token_brings_along_or_points_to_is_not_looked_at() {
    let world = World::new();
    let office = world.office().await;
    let own = SigningKey::from_bytes(&[7; 32]);
    let x = B64.encode(own.verifying_key().as_bytes());
    let jwk = json!({ "kty": "OKP", "crv": "Ed25519", "x": x });
    // Where a server would fetch a key from: nothing must call here.
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let there = format!("http://{}/keys", listener.local_addr().unwrap());
    for (name, value) in [
        ("jwk", jwk.clone()),
        ("jku", json!(there)),
        ("x5u", json!(there)),
        ("x5c", json!([x])),
        ("kid", json!(there)),
        ("kid", json!("../../../etc/passwd")),
        ("kid", json!("' OR 1=1 --")),
        ("kid", json!("")),
        ("kid", json!(7)),
        ("kid", Value::Null),
    ] {
        let (mut header, claims) = assertion(&office, &world);
        header[name] = value;
        let answer = world.log_in_with(&signed(&header, &claims, &own)).await;
        assert_eq!(answer.status, StatusCode::UNAUTHORIZED, "{header}: {}", String::from_utf8_lossy(&answer.body));
        let token = json!({ "iss": ISSUER, "aud": ISSUER, "sub": claims["sub"], "person": office.person(), "iat": claims["iat"], "exp": claims["exp"] });
        header["typ"] = json!("at+jwt");
        world.get("/v1/due", &signed(&header, &token, &own)).await.problem(401, Code::TokenInvalid);
    }
    let called = tokio::time::timeout(std::time::Duration::from_millis(200), listener.accept()).await;
    assert!(called.is_err(), "something fetched a key");
}

#[tokio::test]
async fn other_algorithms_do_not_pass_with_a_public_key_for_a_secret() {
    let world = World::new();
    let office = world.office().await;
    let keys: Value = world.get("/.well-known/jwks.json", "").await.json();
    let shop_public = B64.decode(keys["keys"][0]["x"].as_str().unwrap()).unwrap();
    let own_public = login_key(&office).verifying_key().to_bytes().to_vec();
    let pem = |public: &[u8]| {
        let der = [&[0x30, 0x2a, 0x30, 0x05, 0x06, 0x03, 0x2b, 0x65, 0x70, 0x03, 0x21, 0x00], public].concat();
        format!("-----BEGIN PUBLIC KEY-----\n{}\n-----END PUBLIC KEY-----\n", base64::prelude::BASE64_STANDARD.encode(der)).into_bytes()
    };
    let (head, claims) = assertion(&office, &world);
    let kid = head["kid"].as_str().map(str::to_owned);
    let access = json!({ "iss": ISSUER, "aud": ISSUER, "sub": claims["sub"], "person": office.person(), "iat": claims["iat"], "exp": claims["exp"] });
    for public in [&shop_public, &own_public] {
        for secret in [public.clone(), B64.encode(public).into_bytes(), hex_of(public).into_bytes(), pem(public)] {
            for alg in [Algorithm::HS256, Algorithm::HS384, Algorithm::HS512] {
                let forged = |typ: &str, claims: &Value| {
                    let header = Header { typ: Some(typ.to_owned()), kid: kid.clone(), ..Header::new(alg) };
                    encode(&header, claims, &EncodingKey::from_secret(&secret)).unwrap()
                };
                world.log_in_with(&forged(ASSERTION_TYP, &claims)).await.problem(401, Code::TokenInvalid);
                world.get("/v1/due", &forged("at+jwt", &access)).await.problem(401, Code::TokenInvalid);
            }
        }
    }
    // No algorithm at all, in every spelling, with no signature, an old one, and a right one under another name.
    for alg in ["none", "None", "NONE", "", "eddsa", "Ed25519", "HS256", "RS256", "ES256"] {
        let (mut header, claims) = assertion(&office, &world);
        header["alg"] = json!(alg);
        let whole = signed(&header, &claims, &login_key(&office));
        let bare = whole.rsplit_once('.').unwrap().0.to_owned();
        for token in [format!("{bare}."), bare, whole] {
            world.log_in_with(&token).await.problem(401, Code::TokenInvalid);
            world.get("/v1/due", &token).await.problem(401, Code::TokenInvalid);
        }
    }
}

fn hex_of(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

#[tokio::test]
async fn an_access_token_is_the_shops_own_word_and_nobody_elses() {
    let world = World::new();
    let mut office = world.office().await;
    let tech = world.join(&mut office, "Ben", Role::Tech, None).await;
    let (_, claims) = assertion(&office, &world);
    let access = json!({ "iss": ISSUER, "aud": ISSUER, "sub": claims["sub"], "person": office.person(), "iat": claims["iat"], "exp": claims["exp"] });
    let kid = jsonwebtoken::decode_header(&office.token).unwrap().kid;
    let header = json!({ "typ": "at+jwt", "alg": "EdDSA", "kid": kid });
    // A device's own key, a record key, and a key of nobody's.
    let keys = tech.book.identity().unwrap().keys().unwrap();
    for key in
        [keys.login(), keys.record().clone(), office.book.identity().unwrap().keys().unwrap().login(), SigningKey::from_bytes(&[9; 32])]
    {
        world.get("/v1/due", &signed(&header, &access, &key)).await.problem(401, Code::TokenInvalid);
    }
    // Each for the other.
    world.log_in_with(&office.token).await.problem(401, Code::TokenInvalid);
    world.get("/v1/due", &office.assertion(&world)).await.problem(401, Code::TokenInvalid);
    // One person's claims under another's signature.
    let (mine, yours): (Vec<&str>, Vec<&str>) = (tech.token.split('.').collect(), office.token.split('.').collect());
    let swapped = [mine[0], yours[1], mine[2]].join(".");
    world.get("/v1/day-sheet", &swapped).await.problem(401, Code::TokenInvalid);
}

#[tokio::test]
async fn garbage_stumps_and_monsters_are_refused_as_what_they_are() {
    let world = World::new();
    let office = world.office().await;
    let good = office.assertion(&world);
    for cut in (0..good.len()).step_by(9) {
        world.log_in_with(&good[..cut]).await.problem(401, Code::TokenInvalid);
    }
    for cut in (1..office.token.len()).step_by(13) {
        world.get("/v1/due", &office.token[..cut]).await.problem(401, Code::TokenInvalid);
    }
    let deep = format!("{}{}", "[".repeat(5000), "]".repeat(5000));
    for odd in [
        ".".to_owned(),
        "...".to_owned(),
        "....".to_owned(),
        format!("{good}."),
        format!("{good}.{good}"),
        format!("{}.e30.", B64.encode(&deep)),
        format!("{}.{}.AAAA", B64.encode("{\"alg\":\"EdDSA\",\"typ\":\"at+jwt\"}"), B64.encode(&deep)),
        "a".repeat(12_000),
        "é".repeat(100),
    ] {
        world.log_in_with(&odd).await.problem(401, Code::TokenInvalid);
        if odd.is_ascii() {
            world.get("/v1/due", &odd).await.problem(401, Code::TokenInvalid);
        }
    }
    // Larger than any log-in is.
    world.log_in_with(&"a".repeat(20_000)).await.problem(413, Code::TooLarge);
    // Untouched by all that, the good one still holds, and once.
    world.log_in_with(&good).await.json::<TokenAnswer>();
    world.log_in_with(&good).await.problem(401, Code::TokenInvalid);
}

#[tokio::test]
async fn one_assertion_sent_many_times_at_once_gets_one_token() {
    let world = World::new();
    let office = world.office().await;
    let good = office.assertion(&world);
    let tries = (0..32).map(|_| world.log_in_with(&good));
    let mut won = 0;
    let answers = futures_of(tries).await;
    for answer in answers {
        won += usize::from(answer.status == StatusCode::OK);
    }
    assert_eq!(won, 1);
    // Nor after the server was stopped and started: what was used is in the book.
    let world = world.restarted();
    world.log_in_with(&good).await.problem(401, Code::TokenInvalid);
    // Nor once it has long ended.
    world.clock.on(10 * 60_000);
    let late = world.log_in_with(&good).await;
    assert_eq!(late.status, StatusCode::UNAUTHORIZED);
}

/// All of them under way at once.
async fn futures_of<F: Future>(all: impl Iterator<Item = F>) -> Vec<F::Output> {
    let mut all: Vec<_> = all.map(Box::pin).collect();
    let mut done: Vec<Option<F::Output>> = all.iter().map(|_| None).collect();
    std::future::poll_fn(|context| {
        for (future, slot) in all.iter_mut().zip(&mut done).filter(|(_, slot)| slot.is_none()) {
            if let std::task::Poll::Ready(output) = future.as_mut().poll(context) {
                *slot = Some(output);
            }
        }
        if done.iter().all(Option::is_some) { std::task::Poll::Ready(()) } else { std::task::Poll::Pending }
    })
    .await;
    done.into_iter().flatten().collect()
}
