//! Log-in assertions and access tokens: any text, and tokens made to measure whose fate is known beforehand.

use std::cell::OnceCell;

use ed25519_dalek::{Signer as _, SigningKey};
use serde_json::{Value, json};
use shared::ids::DeviceId;
use shared::wire::ASSERTION_TYP;
use sync_core::book::Book;
use sync_core::book::login::{ASSERTION_LIFE_S, LEEWAY_S, LoginError};
use sync_core::sys::clock::ClockReading;
use tests::Crew;

use super::script::Script;

struct Ground {
    crew: Crew,
    device: DeviceId,
    other: DeviceId,
    key: SigningKey,
    wrong_key: SigningKey,
    issuer: String,
    now: ClockReading,
    token: String,
}

thread_local! {
    static GROUND: OnceCell<Ground> = const { OnceCell::new() };
}

fn ground() -> Ground {
    let (mut crew, _, [lead, tech, _]) = Crew::of_three(13);
    let now = ClockReading::at(crew.now_ms);
    let identity = crew.phones[tech].book.identity().expect("enrolled").clone();
    let other = crew.phones[lead].book.identity().expect("enrolled").device;
    let assertion = crew.phones[tech].book.tokens().assertion(&now, 0, &mut crew.dice).expect("an assertion");
    let (token, _) = crew.shop.tokens().log_in(&assertion, &now).expect("logged in");
    let (key, wrong_key) = (identity.keys().expect("keys").login(), identity.keys().expect("keys").record());
    Ground { device: identity.device, other, key, wrong_key: wrong_key.clone(), issuer: identity.issuer, now, token, crew }
}

/// Base64 of RFC 4648 §5 without padding.
fn base64url(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_";
    let mut text = String::new();
    for chunk in bytes.chunks(3) {
        let word = u32::from_be_bytes([0, chunk[0], chunk.get(1).copied().unwrap_or(0), chunk.get(2).copied().unwrap_or(0)]);
        for place in 0..=chunk.len() {
            text.push(char::from(LETTERS[(word >> (18 - 6 * place)) as usize & 63]));
        }
    }
    text
}

fn jwt(header: &Value, claims: &Value, key: &SigningKey) -> String {
    let signed = format!("{}.{}", base64url(header.to_string().as_bytes()), base64url(claims.to_string().as_bytes()));
    let signature = base64url(&key.sign(signed.as_bytes()).to_bytes());
    format!("{signed}.{signature}")
}

/// The first byte says how the rest is meant: as a token, as edits of a real access token, or as an assertion made to measure.
pub fn once(bytes: &[u8]) {
    let Some((how, rest)) = bytes.split_first() else { return };
    GROUND.with(|kept| {
        let ground = kept.get_or_init(ground);
        match how % 3 {
            0 => {
                let text = String::from_utf8_lossy(rest);
                assert!(log_in(&ground.crew.shop, &text, &ground.now).is_err(), "nobody signed this");
                assert!(ground.crew.shop.tokens().bearer(&text, &ground.now).is_err() || *text == ground.token, "nobody signed this");
            }
            1 => edited(ground, &mut Script::of(rest)),
            _ => measured(ground, &mut Script::of(rest)),
        }
    });
}

/// A first corpus: a real token, and an assertion of which every part is right.
#[must_use]
pub fn seeds() -> Vec<Vec<u8>> {
    vec![vec![0], vec![1], [&[2], [0xff; 11].as_slice(), &[0, 100]].concat(), vec![2, 0xff, 0]]
}

/// Logs in twice: the second time the assertion has been used. Undone afterwards, so that no input depends on another.
fn log_in(shop: &Book, assertion: &str, now: &ClockReading) -> Result<String, LoginError> {
    enum Undo {
        With(Result<String, LoginError>),
        Store(sync_core::store::StoreError),
    }
    impl From<sync_core::store::StoreError> for Undo {
        fn from(error: sync_core::store::StoreError) -> Self {
            Self::Store(error)
        }
    }
    let outcome: Result<(), Undo> = shop.store().atomically(|_| {
        let first = shop.tokens().log_in(assertion, now);
        if first.is_ok() {
            assert!(shop.tokens().log_in(assertion, now).is_err(), "an assertion is good for one log-in");
        }
        Err(Undo::With(first.map(|(token, _)| token)))
    });
    match outcome {
        Err(Undo::With(result)) => result,
        Err(Undo::Store(error)) => panic!("{error}"),
        Ok(()) => unreachable!("the step is always undone"),
    }
}

/// A real token with some characters changed holds no more; unless what changed says the same.
fn edited(ground: &Ground, script: &mut Script<'_>) {
    let mut token = ground.token.clone().into_bytes();
    while !script.is_done() {
        let at = usize::from(u16::from_le_bytes(script.array())) % token.len();
        match script.byte() % 4 {
            0 => token[at] = script.byte() & 0x7f,
            1 => token.insert(at, script.byte() & 0x7f),
            2 if token.len() > 1 => drop(token.remove(at)),
            _ => token.truncate(at.max(1)),
        }
    }
    let token = String::from_utf8_lossy(&token);
    match ground.crew.shop.tokens().bearer(&token, &ground.now) {
        Ok((device, _)) => assert!(*token == ground.token && device == ground.device, "an edited token holds"),
        Err(LoginError::Refused(..)) => assert!(*token != ground.token, "the real token is refused"),
        Err(LoginError::Book(error)) => panic!("{error}"),
    }
}

/// An assertion whose every part is right or wrong by choice: it is taken where all are right, and only there.
fn measured(ground: &Ground, script: &mut Script<'_>) {
    let now_s = ground.now.wall_ms / 1000;
    let mut right = true;
    let mut choose = |script: &mut Script<'_>, good: Value, bad: &[Value]| {
        let n = script.byte() as usize;
        if n < bad.len() {
            right = false;
            bad[n].clone()
        } else {
            good
        }
    };
    let id = |id: &DeviceId| json!(id.to_string());
    let stranger = json!(DeviceId::from_bytes([3; 16]).to_string());
    let typ = choose(script, json!(ASSERTION_TYP), &[json!("JWT"), json!("at+jwt"), Value::Null, json!("client-authentication")]);
    let alg = choose(script, json!("EdDSA"), &[json!("none"), json!("HS256"), json!("ES256"), json!("RS256"), json!("eddsa")]);
    let kid = choose(script, id(&ground.device), &[id(&ground.other), stranger.clone(), Value::Null, json!("")]);
    let iss = choose(script, id(&ground.device), &[id(&ground.other), stranger.clone(), Value::Null, json!(7)]);
    let sub = choose(script, id(&ground.device), &[id(&ground.other), stranger, Value::Null]);
    let aud = choose(script, json!(ground.issuer), &[json!("http://127.0.0.1/"), json!(""), json!(["x"]), Value::Null]);
    let jti = choose(script, json!(uuid::Uuid::from_bytes([5; 16])), &[json!("once"), Value::Null, json!(1)]);
    let key_is_right = choose(script, json!(true), &[json!(false)]) == json!(true);
    // Nothing critical is understood, and the payload is always encoded.
    let crit = choose(script, Value::Null, &[json!([]), json!(["b64"]), json!(["exp"]), json!("exp")]);
    let b64 = choose(script, Value::Null, &[json!(false), json!(true)]);
    let nbf = choose(script, Value::Null, &[json!("soon"), json!(now_s + LEEWAY_S + 1), json!(1e300)]);
    let (iat, life) = (script.number().saturating_add(now_s), script.number());
    let exp = iat.saturating_add(life);
    let times = (1..=ASSERTION_LIFE_S).contains(&exp.saturating_sub(iat))
        && exp.saturating_add(LEEWAY_S) >= now_s
        && iat.saturating_sub(LEEWAY_S) <= now_s;
    let mut header = json!({ "typ": typ, "alg": alg, "kid": kid });
    let mut claims = json!({ "iss": iss, "sub": sub, "aud": aud, "jti": jti, "iat": iat, "exp": exp });
    let put = |into: &mut Value, name: &str, value: Value| {
        if !value.is_null() {
            into[name] = value;
        }
    };
    put(&mut header, "crit", crit);
    put(&mut header, "b64", b64);
    put(&mut claims, "nbf", nbf);
    let extra = script.text();
    if !extra.is_empty() && !["typ", "alg", "kid", "crit", "b64", "x5c", "jwk"].contains(&extra.as_str()) {
        header[extra] = json!(script.text());
    }
    let assertion = jwt(&header, &claims, if key_is_right { &ground.key } else { &ground.wrong_key });
    let taken = log_in(&ground.crew.shop, &assertion, &ground.now);
    // A header parameter of a wrong shape may spoil a good assertion; nothing may save a bad one.
    assert!(taken.is_err() || (right && times), "{header} {claims} is taken");
    let plain = header.as_object().is_some_and(|fields| fields.len() == 3);
    assert!(taken.is_ok() || !(right && times && plain), "{header} {claims} is refused");
    if let Ok(token) = taken {
        assert!(ground.crew.shop.tokens().bearer(&token, &ground.now).is_ok(), "a token just given holds");
    }
    assert!(ground.crew.shop.tokens().bearer(&assertion, &ground.now).is_err(), "an assertion is no access token");
}
