//! The Idempotency-Key header: a write that is sent again gets the first answer again, and is done once.
//!
//! Follows the Internet-Draft "The Idempotency-Key HTTP Header Field" (expired; from memory). Keys are remembered for
//! 24 h **in this server's memory alone**: a server that was started anew has forgotten them, and so has one that had to
//! make room. Only what was done is remembered; a refusal changed nothing, and is judged afresh. A request that broke
//! off before its answer was made leaves nothing here either: what it did is to be looked up.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use axum::body::{Body, Bytes, to_bytes};
use axum::extract::{FromRequest, FromRequestParts, Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::Response;
use sha2::{Digest, Sha256};
use shared::ids::DeviceId;
use sync_core::sys::clock::ClockReading;

use crate::bearer::Office;
use crate::problem_response::ApiError;
use crate::state::ServerState;

/// The header.
const KEY: HeaderName = HeaderName::from_static("idempotency-key");
/// How long an answer is remembered.
const LIFE_MS: i64 = 24 * 60 * 60 * 1000;
/// The longest key, in characters.
const LONGEST_KEY: usize = 255;
/// The most keys remembered, of all devices; then the oldest is forgotten.
const MOST_KEYS: usize = 4096;
/// The most keys remembered of one device; then its oldest is forgotten.
const MOST_OF_ONE: usize = 256;
/// The most bytes of answers remembered; then the oldest is forgotten.
const MOST_BYTES: usize = 4 * 1024 * 1024;
/// An answer that is larger is not remembered. Ours stay under a thousand bytes.
const LARGEST: usize = 16 * 1024;

type Name = (DeviceId, String);

/// An answer as it was given.
#[derive(Debug, Clone)]
struct Given {
    status: StatusCode,
    content_type: Option<HeaderValue>,
    body: Bytes,
}

#[derive(Debug)]
struct Entry {
    /// Hash of what was asked.
    asked: [u8; 32],
    since_ms: i64,
    /// `None` while it is under way.
    given: Option<Given>,
}

#[derive(Debug, Default)]
struct Held {
    entries: BTreeMap<Name, Entry>,
    bytes: usize,
}

/// What was done under which key.
#[derive(Debug, Default)]
pub(crate) struct Once {
    held: Mutex<Held>,
}

/// What to do with a request that names a key.
enum Turn {
    First(UnderWay),
    Again(Given),
    Other,
    Busy,
}

/// A request under way. Dropped without an answer, its key is free again.
struct UnderWay {
    once: Arc<Once>,
    name: Option<Name>,
}

impl Once {
    fn begin(self: &Arc<Self>, name: Name, asked: [u8; 32], now: &ClockReading) -> Turn {
        let mut held = self.held.lock().unwrap_or_else(PoisonError::into_inner);
        held.forget(|_, entry| entry.since_ms.saturating_add(LIFE_MS) <= now.steady_ms);
        match held.entries.get(&name) {
            Some(entry) if entry.asked != asked => return Turn::Other,
            Some(entry) => return entry.given.clone().map_or(Turn::Busy, Turn::Again),
            None => {}
        }
        held.make_room(name.0);
        held.entries.insert(name.clone(), Entry { asked, since_ms: now.steady_ms, given: None });
        Turn::First(UnderWay { once: Arc::clone(self), name: Some(name) })
    }
}

impl Held {
    /// Forgets answers; never what is under way.
    fn forget(&mut self, which: impl Fn(&Name, &Entry) -> bool) {
        let Self { entries, bytes } = self;
        entries.retain(|name, entry| {
            let Some(given) = entry.given.as_ref().filter(|_| which(name, entry)) else { return true };
            *bytes = bytes.saturating_sub(given.body.len());
            false
        });
    }

    /// Forgets the oldest answer; false where there is none.
    fn forget_oldest(&mut self, among: impl Fn(&Name) -> bool) -> bool {
        let done = self.entries.iter().filter(|(name, entry)| among(name) && entry.given.is_some());
        let oldest = done.min_by_key(|(_, entry)| entry.since_ms).map(|(name, _)| name.clone());
        if let Some(oldest) = &oldest {
            self.forget(|name, _| name == oldest);
        }
        oldest.is_some()
    }

    fn make_room(&mut self, device: DeviceId) {
        if self.entries.keys().filter(|(of, _)| *of == device).count() >= MOST_OF_ONE {
            self.forget_oldest(|(of, _)| *of == device);
        }
        while (self.entries.len() >= MOST_KEYS || self.bytes + LARGEST > MOST_BYTES) && self.forget_oldest(|_| true) {}
    }
}

impl UnderWay {
    fn done(mut self, given: Given) {
        let Some(name) = self.name.take() else { return };
        let mut held = self.once.held.lock().unwrap_or_else(PoisonError::into_inner);
        held.bytes = held.bytes.saturating_add(given.body.len());
        if let Some(entry) = held.entries.get_mut(&name) {
            entry.given = Some(given);
        }
    }
}

impl Drop for UnderWay {
    fn drop(&mut self) {
        if let Some(name) = self.name.take() {
            self.once.held.lock().unwrap_or_else(PoisonError::into_inner).entries.remove(&name);
        }
    }
}

/// Answers a write of the office once per key.
pub(crate) async fn answer_once(State(state): State<ServerState>, request: Request, next: Next) -> Result<Response, ApiError> {
    if request.method() != Method::POST || !request.headers().contains_key(&KEY) {
        return Ok(next.run(request).await);
    }
    let (mut parts, body) = request.into_parts();
    // Whoever has lost the office's role is told no answer again.
    let Office(caller) = Office::from_request_parts(&mut parts, &state).await?;
    let key = key_of(&parts.headers)?;
    // The one that the route itself would take: the same limit, the same refusals.
    let body = Bytes::from_request(Request::from_parts(parts.clone(), body), &state).await?;
    let mut asked = Sha256::new();
    asked.update(parts.uri.path());
    asked.update([0]);
    asked.update(&body);
    let under_way = match state.once.begin((caller.device, key), asked.finalize().into(), &state.now()) {
        Turn::First(under_way) => under_way,
        Turn::Again(given) => return Ok(given.into()),
        Turn::Other => return Err(ApiError::key_reused()),
        Turn::Busy => return Err(ApiError::key_busy()),
    };
    parts.extensions.insert(caller);
    let response = next.run(Request::from_parts(parts, Body::from(body))).await;
    if !response.status().is_success() {
        return Ok(response);
    }
    let (parts, body) = response.into_parts();
    let say = "It was done, and its answer was lost. Look it up.";
    let body = to_bytes(body, usize::MAX).await.map_err(|_| ApiError::broke(say))?;
    if body.len() <= LARGEST {
        let content_type = parts.headers.get(header::CONTENT_TYPE).cloned();
        under_way.done(Given { status: parts.status, content_type, body: body.clone() });
    }
    Ok(Response::from_parts(parts, Body::from(body)))
}

/// The key: a string as the draft writes it, in quotation marks, or the same without them.
fn key_of(headers: &HeaderMap) -> Result<String, ApiError> {
    let mut given = headers.get_all(&KEY).iter();
    let one = given.next().filter(|_| given.next().is_none()).and_then(|value| value.to_str().ok()).map(str::trim);
    let key = one.map(|text| text.strip_prefix('"').and_then(|rest| rest.strip_suffix('"')).unwrap_or(text));
    let fits = |key: &&str| !key.is_empty() && key.len() <= LONGEST_KEY && !key.contains(['"', '\\']);
    key.filter(fits).map(str::to_owned).ok_or_else(|| {
        ApiError::unreadable(
            "An Idempotency-Key is one text of 1 to 255 characters, best a fresh random one for each write. Nothing was done",
        )
    })
}

impl From<Given> for Response {
    fn from(given: Given) -> Self {
        let mut response = Self::new(Body::from(given.body));
        *response.status_mut() = given.status;
        if let Some(content_type) = given.content_type {
            response.headers_mut().insert(header::CONTENT_TYPE, content_type);
        }
        response
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn device(n: u8) -> DeviceId {
        DeviceId::from_bytes([n; 16])
    }

    fn do_one(once: &Arc<Once>, device: DeviceId, key: usize, size: usize, now: i64) {
        match once.begin((device, key.to_string()), [0; 32], &ClockReading::at(now)) {
            Turn::First(under_way) => {
                under_way.done(Given { status: StatusCode::OK, content_type: None, body: vec![0; size].into() });
            }
            _ => panic!("{key} is not new"),
        }
    }

    fn held(once: &Once) -> (usize, usize) {
        let held = once.held.lock().unwrap();
        assert_eq!(held.bytes, held.entries.values().filter_map(|e| e.given.as_ref()).map(|g| g.body.len()).sum::<usize>());
        (held.entries.len(), held.bytes)
    }

    #[test]
    fn memory_is_bounded_by_count_and_bytes_and_the_oldest_goes_first() {
        let once = Arc::new(Once::default());
        for key in 0..MOST_OF_ONE + 10 {
            do_one(&once, device(1), key, 1, i64::try_from(key).unwrap());
        }
        assert_eq!(held(&once).0, MOST_OF_ONE);
        assert!(matches!(once.begin((device(1), "300".to_owned()), [0; 32], &ClockReading::at(300)), Turn::First(_)));
        assert!(matches!(once.begin((device(1), "265".to_owned()), [0; 32], &ClockReading::at(300)), Turn::Again(_)));
        for key in 0..MOST_BYTES / LARGEST * 2 {
            do_one(&once, device(u8::try_from(key % 200).unwrap() + 2), key, LARGEST, 400);
        }
        assert!(held(&once).1 <= MOST_BYTES, "{:?}", held(&once));
    }

    #[test]
    fn a_key_is_free_again_after_a_day_or_when_its_request_broke_off() {
        let once = Arc::new(Once::default());
        do_one(&once, device(1), 1, 1, 0);
        let again = |now| once.begin((device(1), "1".to_owned()), [0; 32], &ClockReading::at(now));
        assert!(matches!(again(LIFE_MS - 1), Turn::Again(_)));
        let Turn::First(under_way) = again(LIFE_MS) else { panic!("remembered for longer than a day") };
        assert!(matches!(again(LIFE_MS), Turn::Busy));
        drop(under_way);
        assert_eq!(held(&once), (0, 0));
    }
}
