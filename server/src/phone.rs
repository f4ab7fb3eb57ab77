//! The phone's page under /phone/: files that come with the program, compressed as the browser takes them. Nothing of the shop.
//!
//! `server/phone/build` gathers them. A server that was built without them says so, and serves all else.

use axum::Router;
use axum::extract::Path;
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::middleware::map_response;
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::get;
use rust_embed::RustEmbed;

use crate::state::ServerState;

/// What `server/phone/build` gathered. A debug build reads the folder when it is asked; a release build has it inside.
#[derive(RustEmbed)]
#[folder = "phone/built/"]
#[allow_missing = true]
struct Built;

/// The page's own files and the shop, and nothing of anybody else's; the kit is WebAssembly in a worker, pictures are the phone's own.
const MAY: &str = "default-src 'none'; script-src 'self' 'wasm-unsafe-eval'; worker-src 'self'; style-src 'self'; img-src 'self' blob:; \
                   connect-src 'self'; manifest-src 'self'; form-action 'none'; frame-ancestors 'none'; base-uri 'none'";

const GUARDS: [(HeaderName, &str); 6] = [
    (header::CONTENT_SECURITY_POLICY, MAY),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::REFERRER_POLICY, "no-referrer"),
    (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    (HeaderName::from_static("permissions-policy"), "camera=(self), microphone=(), geolocation=()"),
];

const NOT_BUILT: &str = "<!doctype html><html lang=\"en\"><meta charset=\"utf-8\"><title>Not built</title>\
    <p>This server was built without the phone's page. Run <code>server/phone/build</code> and build the server again. Everything else is served.";

/// The page's routes.
pub(crate) fn routes() -> Router<ServerState> {
    Router::new()
        .route("/phone", get(async || Redirect::permanent("/phone/")))
        .route("/phone/", get(async |asked: HeaderMap| answer("index.html", &asked)))
        .route("/phone/{*path}", get(async |Path(path): Path<String>, asked: HeaderMap| answer(&path, &asked)))
        .route_layer(map_response(guarded))
}

async fn guarded(mut response: Response) -> Response {
    for (name, value) in GUARDS {
        response.headers_mut().insert(name, HeaderValue::from_static(value));
    }
    response
}

/// A file, or that the browser has it, or that there is none.
fn answer(path: &str, asked: &HeaderMap) -> Response {
    let Some(media_type) = media_type(path) else { return absent() };
    let (packed, encoding) = packed(path, asked);
    let Some(file) = packed else { return absent() };
    // The encodings of a file are representations of their own (RFC 9110 section 8.8.3.3): each has its tag.
    let tag = format!("\"{}{}\"", &hex::encode(file.metadata.sha256_hash())[..32], encoding.unwrap_or_default());
    let has = asked.get(header::IF_NONE_MATCH).and_then(|v| v.to_str().ok());
    let has = has.is_some_and(|tags| tags.split(',').any(|one| one.trim().trim_start_matches("W/") == tag));
    let status = if has { StatusCode::NOT_MODIFIED } else { StatusCode::OK };
    // Always asked for again, so that a page is never of two versions; the tag makes that cheap.
    let kept = [(header::CACHE_CONTROL, "no-cache"), (header::CONTENT_TYPE, media_type), (header::VARY, "accept-encoding")];
    let mut response = (status, kept, if has { Vec::new() } else { file.data.into_owned() }).into_response();
    if let Some(encoding) = encoding {
        response.headers_mut().insert(header::CONTENT_ENCODING, HeaderValue::from_static(encoding));
    }
    if let Ok(tag) = HeaderValue::from_str(&tag) {
        response.headers_mut().insert(header::ETAG, tag);
    }
    response
}

/// The smallest form of a file that the browser takes.
fn packed(path: &str, asked: &HeaderMap) -> (Option<rust_embed::EmbeddedFile>, Option<&'static str>) {
    let takes = asked.get(header::ACCEPT_ENCODING).and_then(|v| v.to_str().ok()).unwrap_or_default();
    for (name, ending) in [("br", "br"), ("gzip", "gz")] {
        if takes_encoding(takes, name)
            && let Some(file) = Built::get(&format!("{path}.{ending}"))
        {
            return (Some(file), Some(name));
        }
    }
    (Built::get(path), None)
}

/// Whether an Accept-Encoding names an encoding, and not with a weight of nought (RFC 9110 section 12.5.3).
fn takes_encoding(header: &str, name: &str) -> bool {
    header.split(',').any(|one| {
        let (coding, weight) = one.split_once(';').unwrap_or((one, ""));
        let weight = weight.trim().strip_prefix("q=").map_or(Ok(1.0), str::parse::<f32>);
        coding.trim().eq_ignore_ascii_case(name) && weight.is_ok_and(|weight| weight > 0.0)
    })
}

fn absent() -> Response {
    if Built::get("index.html").is_none() {
        return (StatusCode::NOT_FOUND, [(header::CONTENT_TYPE, "text/html; charset=utf-8")], NOT_BUILT).into_response();
    }
    crate::problem_response::Refused::no_such_route().into_response()
}

/// What a file is, by its ending. What is no file of the page, as a compressed form by its own name, has none.
fn media_type(path: &str) -> Option<&'static str> {
    let (_, ending) = path.rsplit_once('.')?;
    Some(match ending {
        "html" => "text/html; charset=utf-8",
        "js" => "text/javascript; charset=utf-8",
        "css" => "text/css; charset=utf-8",
        "svg" => "image/svg+xml",
        "png" => "image/png",
        "wasm" => "application/wasm",
        "webmanifest" => "application/manifest+json",
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_encoding_is_taken_where_it_is_named_with_some_weight() {
        // The forms of RFC 9110 section 12.5.3.
        for takes in ["br", "gzip, br", "gzip;q=0.5, BR;q=1.0", "gzip,br ; q=0.1"] {
            assert!(takes_encoding(takes, "br"), "{takes}");
        }
        for not in ["", "gzip", "br;q=0", "br;q=0.0, gzip", "brotli", "br;q=x"] {
            assert!(!takes_encoding(not, "br"), "{not}");
        }
    }

    #[test]
    fn only_the_pages_own_kinds_of_file_are_served() {
        assert_eq!(media_type("kit/pkg/tappet_kit_bg.wasm"), Some("application/wasm"));
        for other in ["index.html.br", "phone", "../Cargo.toml", "x.rs", ""] {
            assert_eq!(media_type(other), None, "{other}");
        }
    }
}
