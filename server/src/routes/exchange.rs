//! POST /v1/exchange: one request and its answer bring a device and the shop level.

use std::collections::BTreeSet;
use std::time::Duration;

use axum::body::Bytes;
use axum::extract::State;
use axum::extract::rejection::BytesRejection;
use axum::http::{HeaderMap, HeaderName, HeaderValue, header};
use axum::response::{IntoResponse, Response};
use shared::problem::Code;
use shared::wire::{EXCHANGE_TYPE, ExchangeAnswer, ExchangeRequest, PROTOCOL};
use sync_core::sync::{BodyError, read_request, write_body};

use crate::concurrency::{Exchanger, until_sent};
use crate::problem_response::ApiError;
use crate::state::ServerState;

const ZSTD: &str = "zstd";
/// What is true when the answer to a request cannot be written.
const TAKEN: &str = "What was sent has been taken in. Send it again for the answer; nothing is taken twice.";

/// How a body is compressed, before it is read.
struct Packed {
    zstd: bool,
}

impl Packed {
    fn of(headers: &HeaderMap) -> Result<Self, ApiError> {
        let kind = text(headers, header::CONTENT_TYPE).split(';').next().unwrap_or_default().trim();
        if !kind.eq_ignore_ascii_case(EXCHANGE_TYPE) {
            return Err(ApiError::wrong_exchange_type());
        }
        match text(headers, header::CONTENT_ENCODING).trim() {
            "" => Ok(Self { zstd: false }),
            name if name.eq_ignore_ascii_case("identity") => Ok(Self { zstd: false }),
            name if name.eq_ignore_ascii_case(ZSTD) => Ok(Self { zstd: true }),
            _ => Err(ApiError::wrong_exchange_encoding()),
        }
    }
}

/// A header's text; what is no text is as good as a wrong one.
fn text(headers: &HeaderMap, name: HeaderName) -> &str {
    headers.get(name).map_or("", |value| value.to_str().unwrap_or("?"))
}

/// Whether the peer takes zstd (RFC 9110 §12.5.3): named, and not with a weight of nought.
fn takes_zstd(headers: &HeaderMap) -> bool {
    let offers = headers.get_all(header::ACCEPT_ENCODING).iter().filter_map(|value| value.to_str().ok()).flat_map(|value| value.split(','));
    offers.into_iter().any(|offer| {
        let mut parts = offer.split(';').map(str::trim);
        let named = parts.next().is_some_and(|name| name.eq_ignore_ascii_case(ZSTD));
        let weight = parts.find_map(|part| part.strip_prefix("q=").or_else(|| part.strip_prefix("Q=")));
        named && weight.is_none_or(|q| q.parse::<f32>().is_ok_and(|q| q > 0.0))
    })
}

/// How many records of the request's changes the shop now holds.
fn taken(request: &ExchangeRequest, answer: &ExchangeAnswer) -> u64 {
    let mut covered: BTreeSet<_> = answer.docs.iter().flat_map(|doc| &doc.taken).copied().collect();
    let mut records = 0;
    for doc in &request.docs {
        // With a change the shop holds all that it builds on, and that comes before it.
        let mut next_covers = false;
        for recipe in doc.recipes.iter().rev() {
            let held = next_covers || recipe.hash.is_some_and(|hash| covered.contains(&hash));
            if held {
                records += recipe.records.len() as u64;
                covered.extend(recipe.deps.iter().flatten());
            }
            next_covers = held && recipe.deps.is_none();
        }
    }
    records
}

/// One request and its answer that bring a device and the shop level
///
/// The bodies are CBOR (RFC 8949), as the types ExchangeRequest and ExchangeAnswer of the file shared/src/wire/exchange.rs write them
/// (ids and hashes as byte strings). The records in them are COSE_Sign1 (RFC 9052) over deterministic CBOR; shared/src/record/mod.rs has
/// their envelope and kinds, DEVELOPERS.md the whole way. Use the sync-core library rather than writing this anew. Sending the same request
/// twice changes nothing.
#[utoipa::path(
    post,
    path = "/v1/exchange",
    tag = "any device",
    params(
        ("content-encoding" = Option<String>, Header, description = "zstd, where the body is compressed."),
        ("accept-encoding" = Option<String>, Header, description = "zstd, where the answer may be compressed."),
    ),
    request_body(content_type = "application/cbor", description = "An ExchangeRequest, at most 8 MiB, and no more once it is unpacked."),
    responses((status = 200, description = "An ExchangeAnswer.", content_type = "application/cbor")),
)]
pub(crate) async fn exchange(
    State(state): State<ServerState>,
    Exchanger { caller, turn, unread }: Exchanger,
    headers: HeaderMap,
    body: Result<Bytes, BytesRejection>,
) -> Result<Response, ApiError> {
    let packed = Packed::of(&headers)?;
    let body = body?;
    // The time of arrival, before any waiting for the book: the device's clock is measured against it.
    let now = state.now();
    let room = turn.room().await;
    let (answer, brought, taken) = state
        .ask(move |shop| {
            // Held until what was unpacked is gone, even where the request was given up on.
            let _room = room;
            let request: ExchangeRequest = read_request(&body, packed.zstd)?;
            drop(body);
            if request.v != PROTOCOL {
                let detail = format!(
                    "Version {} of the exchange is not spoken here, only {PROTOCOL}. Nothing was taken in. Update the program.",
                    request.v
                );
                return Err(ApiError::new(Code::VersionUnknown, detail));
            }
            let brought = request.docs.iter().any(|doc| !doc.recipes.is_empty());
            let answer = shop.write(|book, entropy| book.peer().answer(caller.device, &request, &now, entropy))?;
            let taken = taken(&request, &answer);
            Ok((answer, brought, taken))
        })
        .await?;
    if brought {
        state.moved();
    }
    let refused = answer.docs.iter().map(|doc| doc.refused.len() as u64).sum();
    let took_ms = state.now().steady_ms.saturating_sub(now.steady_ms);
    state.measures.exchange(Duration::from_millis(u64::try_from(took_ms).unwrap_or(0)), taken, refused);
    let compressed = takes_zstd(&headers);
    let written = state.work(TAKEN, move || {
        write_body(&answer, compressed).map_err(|error: BodyError| {
            tracing::error!(%error, "an answer could not be written");
            ApiError::broke(TAKEN)
        })
    });
    let mut response = until_sent(written.await?, unread).into_response();
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(EXCHANGE_TYPE));
    headers.insert(header::VARY, HeaderValue::from_static("accept-encoding"));
    if compressed {
        headers.insert(header::CONTENT_ENCODING, HeaderValue::from_static(ZSTD));
    }
    Ok(response)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn takes(value: &'static str) -> bool {
        let mut headers = HeaderMap::new();
        headers.insert(header::ACCEPT_ENCODING, HeaderValue::from_static(value));
        takes_zstd(&headers)
    }

    #[test]
    fn zstd_is_sent_to_whoever_names_it() {
        for named in ["zstd", "gzip, zstd", "gzip;q=1.0,ZSTD;q=0.5", "zstd ; q=1"] {
            assert!(takes(named), "{named}");
        }
        for unnamed in ["", "gzip", "zstd;q=0", "zstd;q=0.000", "*", "zstd;q=x", "xzstd"] {
            assert!(!takes(unnamed), "{unnamed}");
        }
        assert!(!takes_zstd(&HeaderMap::new()));
    }
}
