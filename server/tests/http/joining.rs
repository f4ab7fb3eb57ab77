//! Codes, enrolment, log-in, tokens; and every way in which they are refused.

use axum::body::Body;
use axum::http::{Method, StatusCode, header};
use ed25519_dalek::SigningKey;
use ed25519_dalek::pkcs8::EncodePrivateKey;
use jsonwebtoken::{Algorithm, DecodingKey, EncodingKey, Header, Validation, decode, encode};
use server::Clock;
use shared::ids::PersonId;
use shared::problem::Code;
use shared::role::Role;
use shared::wire::{ASSERTION_TYP, ASSERTION_TYPE, AccessClaims, AssertionClaims, CodeRequest, EnrolAnswer, TokenAnswer};
use sync_core::sys::rng::fresh_person;

use crate::support::{Device, ISSUER, World, asked, chance};

const MINUTE: i64 = 60_000;

#[tokio::test]
async fn a_device_joins_and_its_token_verifies_under_the_published_key() {
    let world = World::new();
    let health = world.get("/health", "").await;
    assert_eq!(health.status, StatusCode::OK);
    let office = world.office().await;
    let keys = world.get("/.well-known/jwks.json", "").await;
    assert_eq!(keys.headers[header::CONTENT_TYPE], "application/jwk-set+json");
    let keys: serde_json::Value = keys.json();
    let key = &keys["keys"][0];
    assert_eq!((key["kty"].as_str(), key["crv"].as_str(), key["alg"].as_str()), (Some("OKP"), Some("Ed25519"), Some("EdDSA")));
    let token_kid = jsonwebtoken::decode_header(&office.token).unwrap().kid;
    assert_eq!(token_kid.as_deref(), key["kid"].as_str());
    let mut validation = Validation::new(Algorithm::EdDSA);
    validation.validate_exp = false;
    validation.set_audience(&[ISSUER]);
    let published = DecodingKey::from_ed_components(key["x"].as_str().unwrap()).unwrap();
    let said = decode::<AccessClaims>(&office.token, &published, &validation).unwrap().claims;
    assert_eq!(said.person, office.person());
    assert!(world.get("/v1/due", &office.token).await.json::<Vec<serde_json::Value>>().is_empty());
}

#[tokio::test]
async fn the_same_enrolment_again_gets_the_same_answer_and_no_other_device_gets_any() {
    let world = World::new();
    let device = Device::blank();
    let request = device.book.enrol_request(&world.first_code.to_lowercase(), "desk", &world.clock.now(), &mut chance).unwrap();
    let first: EnrolAnswer = world.post_json("/v1/enrol", "", &request).await.json();
    // More often than wrong codes would be allowed: a right one never counts.
    for _ in 0..12 {
        let again: EnrolAnswer = world.post_json("/v1/enrol", "", &request).await.json();
        assert_eq!(first, again);
    }
    assert_eq!((first.issuer.as_str(), first.role), (ISSUER, Some(Role::Office)));
    let other = Device::blank().book.enrol_request(&world.first_code, "thief", &world.clock.now(), &mut chance).unwrap();
    let problem = world.post_json("/v1/enrol", "", &other).await.problem(403, Code::CodeInvalid);
    assert!(problem.detail.contains("used"), "{}", problem.detail);
}

#[tokio::test]
async fn a_code_that_is_wrong_or_old_is_refused() {
    let world = World::new();
    let wrong = Device::blank().book.enrol_request("AAAAA-BBBBB", "desk", &world.clock.now(), &mut chance).unwrap();
    world.post_json("/v1/enrol", "", &wrong).await.problem(403, Code::CodeInvalid);
    world.clock.on(24 * 60 * MINUTE + 1);
    let late = Device::blank().book.enrol_request(&world.first_code, "desk", &world.clock.now(), &mut chance).unwrap();
    let problem = world.post_json("/v1/enrol", "", &late).await.problem(403, Code::CodeInvalid);
    assert!(problem.detail.contains("expired"), "{}", problem.detail);
}

#[tokio::test]
async fn bodies_of_the_wrong_shape_are_problems_too() {
    let world = World::new();
    let long = format!("{{\"code\":\"{}\"}}", "A".repeat(20_000));
    for (kind, body, status, code) in [
        ("application/json", "{", 400, Code::Unreadable),
        ("application/json", "{\"code\":7}", 400, Code::Unreadable),
        ("application/json", "{\"surprise\":7}", 400, Code::Unreadable),
        ("text/plain", "{}", 415, Code::Unreadable),
        ("application/json", long.as_str(), 413, Code::TooLarge),
    ] {
        let request = asked(Method::POST, "/v1/enrol", "").header(header::CONTENT_TYPE, kind).body(Body::from(body.to_owned())).unwrap();
        world.send(request).await.problem(status, code);
    }
    let no_form = asked(Method::POST, "/v1/token", "").header(header::CONTENT_TYPE, "application/json").body(Body::from("{}")).unwrap();
    world.send(no_form).await.problem(415, Code::Unreadable);
    let bare = asked(Method::POST, "/v1/token", "").header(header::CONTENT_TYPE, "application/x-www-form-urlencoded");
    world.send(bare.body(Body::from("grant_type=client_credentials")).unwrap()).await.problem(400, Code::Unreadable);
}

#[tokio::test]
async fn a_log_in_holds_once_and_its_answer_is_not_for_caches() {
    let world = World::new();
    let office = world.office().await;
    let assertion = office.assertion(&world);
    let answer = world.log_in_with(&assertion).await;
    assert_eq!(answer.headers[header::CACHE_CONTROL], "no-store");
    assert_eq!(answer.json::<TokenAnswer>().expires_in, 900);
    let refused = world.log_in_with(&assertion).await;
    assert_eq!(refused.headers[header::WWW_AUTHENTICATE], "Bearer");
    assert!(refused.problem(401, Code::TokenInvalid).detail.contains("before"));
    let fresh = office.assertion(&world);
    world.log_in_as("password", ASSERTION_TYPE, &fresh).await.problem(400, Code::Unreadable);
    world.log_in_as("client_credentials", "urn:other", &fresh).await.problem(400, Code::Unreadable);
    world.log_in_with("").await.problem(401, Code::TokenInvalid);
    world.log_in_with("a.b.c").await.problem(401, Code::TokenInvalid);
}

#[tokio::test]
async fn a_device_with_a_wrong_clock_is_told_the_time_and_logs_in_by_it() {
    let world = World::new();
    let office = world.office().await;
    let off_by = 3 * 60 * MINUTE;
    let mut device_now = world.clock.now();
    device_now.wall_ms -= off_by;
    let wrong = office.book.tokens().assertion(&device_now, 0, &mut chance).unwrap();
    let told = world.log_in_with(&wrong).await.problem(401, Code::ClockWrong).shop_time_ms.unwrap();
    assert_eq!(told, world.clock.now().wall_ms);
    let again = office.book.tokens().assertion(&device_now, told - device_now.wall_ms, &mut chance).unwrap();
    world.log_in_with(&again).await.json::<TokenAnswer>();
}

/// An assertion like the device's own, but for what the test changes in it.
fn forged(device: &Device, world: &World, key: &SigningKey, change: impl FnOnce(&mut Header, &mut AssertionClaims)) -> String {
    let device = device.book.identity().unwrap().device;
    let iat = world.clock.now().wall_ms / 1000;
    let jti = fresh_person(&world.clock.now(), &mut chance).0;
    let mut header = Header { typ: Some(ASSERTION_TYP.to_owned()), kid: Some(device.to_string()), ..Header::new(Algorithm::EdDSA) };
    let mut claims = AssertionClaims { iss: device, sub: device, aud: ISSUER.to_owned(), iat, exp: iat + 240, jti };
    change(&mut header, &mut claims);
    encode(&header, &claims, &EncodingKey::from_ed_der(key.to_pkcs8_der().unwrap().as_bytes())).unwrap()
}

fn unsigned(token: &str) -> String {
    let claims = token.split('.').nth(1).unwrap();
    // {"alg":"none","typ":"at+jwt"}, in base64url.
    format!("eyJhbGciOiJub25lIiwidHlwIjoiYXQrand0In0.{claims}.")
}

#[tokio::test]
async fn forged_assertions_are_refused() {
    let world = World::new();
    let mut office = world.office().await;
    let tech = world.join(&mut office, "Ben", Role::Tech, None).await;
    let keys = office.book.identity().unwrap().keys().unwrap();
    let other = tech.book.identity().unwrap().device;
    let refused = async |assertion: String, code| world.log_in_with(&assertion).await.problem(401, code);
    world.log_in_with(&forged(&office, &world, &keys.login(), |_, _| {})).await.json::<TokenAnswer>();
    refused(unsigned(&office.assertion(&world)), Code::TokenInvalid).await;
    refused(forged(&office, &world, &tech.book.identity().unwrap().keys().unwrap().login(), |_, _| {}), Code::TokenInvalid).await;
    // The device's own other key signs records, and no log-ins.
    refused(forged(&office, &world, keys.record(), |_, _| {}), Code::TokenInvalid).await;
    refused(forged(&office, &world, &keys.login(), |header, _| header.typ = Some("JWT".to_owned())), Code::TokenInvalid).await;
    refused(forged(&office, &world, &keys.login(), |_, claims| claims.aud = "https://other.example".to_owned()), Code::TokenInvalid).await;
    refused(forged(&office, &world, &keys.login(), |_, claims| claims.sub = other), Code::TokenInvalid).await;
    refused(forged(&office, &world, &keys.login(), |_, claims| claims.exp += 3600), Code::TokenInvalid).await;
    let nobody = fresh_person(&world.clock.now(), &mut chance).to_string();
    refused(forged(&office, &world, &keys.login(), |header, _| header.kid = Some(nobody)), Code::DeviceUnknown).await;
}

#[tokio::test]
async fn times_beyond_all_calendars_are_refused_like_any_other() {
    let world = World::new();
    let office = world.office().await;
    let key = office.book.identity().unwrap().keys().unwrap().login();
    for (iat, exp) in [(i64::MIN, i64::MAX), (i64::MIN, 0), (i64::MAX - 10, i64::MAX), (i64::MIN, i64::MIN + 10), (i64::MAX, i64::MIN)] {
        let extreme = forged(&office, &world, &key, |_, claims| (claims.iat, claims.exp) = (iat, exp));
        let answer = world.log_in_with(&extreme).await;
        assert_eq!(answer.status, StatusCode::UNAUTHORIZED, "{iat} {exp}: {}", String::from_utf8_lossy(&answer.body));
    }
}

#[tokio::test]
async fn only_a_token_of_this_shop_that_holds_now_opens_anything() {
    let world = World::new();
    let mut office = world.office().await;
    let elsewhere = World::new().office().await;
    for (token, why) in [
        (String::new(), "none"),
        ("nonsense".to_owned(), "nonsense"),
        (elsewhere.token.clone(), "another shop's"),
        (office.assertion(&world), "an assertion in place of a token"),
        (unsigned(&office.token), "unsigned"),
    ] {
        let answer = world.get("/v1/due", &token).await;
        answer.problem(401, Code::TokenInvalid);
        assert!(answer.headers[header::WWW_AUTHENTICATE].to_str().unwrap().starts_with("Bearer"), "{why}");
    }
    let twice = asked(Method::GET, "/v1/due", &office.token).header(header::AUTHORIZATION, format!("Bearer {}", office.token));
    world.send(twice.body(Body::empty()).unwrap()).await.problem(401, Code::TokenInvalid);
    let basic = asked(Method::GET, "/v1/due", "").header(header::AUTHORIZATION, format!("Basic {}", office.token));
    world.send(basic.body(Body::empty()).unwrap()).await.problem(401, Code::TokenInvalid);
    world.clock.on(15 * MINUTE);
    let ended = world.get("/v1/due", &office.token).await.problem(401, Code::TokenInvalid);
    assert!(ended.detail.contains("ended"), "{}", ended.detail);
    office.log_in(&world).await;
    assert_eq!(world.get("/v1/due", &office.token).await.status, StatusCode::OK);
}

#[tokio::test]
async fn a_revoked_device_is_shut_out_at_once() {
    let world = World::new();
    let mut office = world.office().await;
    let tech = world.join(&mut office, "Ben", Role::Tech, None).await;
    assert_eq!(world.get("/v1/due", &tech.token).await.status, StatusCode::OK);
    let identity = tech.book.identity().unwrap();
    let gone = shared::record::DeviceRevoked { device: identity.device, reason: "lost in a ditch".to_owned() };
    office.state(&world, identity.root.shop.roster(), vec![gone.into()]);
    office.level(&world).await;
    world.get("/v1/due", &tech.token).await.problem(401, Code::DeviceRevoked);
    world.log_in_with(&tech.assertion(&world)).await.problem(401, Code::DeviceRevoked);
}

#[tokio::test]
async fn codes_are_for_the_office_to_issue() {
    let world = World::new();
    let mut office = world.office().await;
    let tech = world.join(&mut office, "Ben", Role::Tech, None).await;
    let lead = world.join(&mut office, "Cleo", Role::Lead, None).await;
    let ask = CodeRequest { person: tech.person() };
    world.post_json("/v1/codes", "", &ask).await.problem(401, Code::TokenInvalid);
    let problem = world.post_json("/v1/codes", &tech.token, &ask).await.problem(403, Code::RoleMayNot);
    assert!(problem.detail.contains("tech"), "{}", problem.detail);
    world.post_json("/v1/codes", &lead.token, &ask).await.problem(403, Code::RoleMayNot);
    let nobody = CodeRequest { person: PersonId(fresh_person(&world.clock.now(), &mut chance).0) };
    world.post_json("/v1/codes", &office.token, &nobody).await.problem(404, Code::NotFound);
}

#[tokio::test]
async fn an_id_that_names_nothing_is_no_id() {
    let world = World::new();
    let office = world.office().await;
    for nothing in ["00000000-0000-0000-0000-000000000000", "ffffffff-ffff-ffff-ffff-ffffffffffff"] {
        for path in
            [format!("/v1/machines/{nothing}"), format!("/v1/records/{nothing}"), format!("/v1/photos/{nothing}/{}", "a0".repeat(32))]
        {
            assert_eq!(world.get(&path, &office.token).await.status, StatusCode::NOT_FOUND, "{path}");
        }
        let person = PersonId(nothing.parse().unwrap());
        world.post_json("/v1/codes", &office.token, &CodeRequest { person }).await.problem(404, Code::NotFound);
        let code = world.post_json("/v1/codes", &office.token, &CodeRequest { person: office.person() }).await;
        let code = code.json::<shared::wire::CodeIssued>().code;
        let mut request = Device::blank().book.enrol_request(&code, "phone", &world.clock.now(), &mut chance).unwrap();
        let good = request.clone();
        request.device = shared::ids::DeviceId(nothing.parse().unwrap());
        let refused = world.post_json("/v1/enrol", "", &request).await.problem(400, Code::BodyInvalid);
        assert!(refused.detail.contains("names nothing"), "{}", refused.detail);
        // The code is not used up by it.
        world.post_json("/v1/enrol", "", &good).await.json::<EnrolAnswer>();
    }
}
