//! The phone's page under /phone/: files that come with the program, compressed as the browser takes them. Nothing of the shop.
//!
//! `server/phone/build` gathers them. A server that was built without them says so, and serves all else.

use std::borrow::Cow;

use axum::Router;
use axum::extract::Path;
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::middleware::map_response;
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::get;
use rust_embed::RustEmbed;

use crate::etag;
use crate::problem_response::ApiError;

/// What `server/phone/build` gathered. A debug build reads the folder when it is asked; a release build has it inside.
#[derive(RustEmbed)]
#[folder = "phone/built/"]
#[allow_missing = true]
struct Built;

/// A file's bytes, and their hash.
type File = (Cow<'static, [u8]>, [u8; 32]);
/// Where files come from.
type Files = fn(&str) -> Option<File>;

fn built(path: &str) -> Option<File> {
    Built::get(path).map(|file| (file.data, file.metadata.sha256_hash()))
}

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
pub(crate) fn routes<S: Clone + Send + Sync + 'static>() -> Router<S> {
    routes_over(built)
}

fn routes_over<S: Clone + Send + Sync + 'static>(files: Files) -> Router<S> {
    Router::new()
        .route("/phone", get(async || Redirect::permanent("/phone/")))
        .route("/phone/", get(move |asked: HeaderMap| async move { answer(files, "index.html", &asked) }))
        .route("/phone/{*path}", get(move |Path(path): Path<String>, asked: HeaderMap| async move { answer(files, &path, &asked) }))
        .route_layer(map_response(guarded))
}

async fn guarded(mut response: Response) -> Response {
    for (name, value) in GUARDS {
        response.headers_mut().insert(name, HeaderValue::from_static(value));
    }
    response
}

/// A file, or that the browser has it, or that there is none.
fn answer(files: Files, path: &str, asked: &HeaderMap) -> Response {
    let climbs = path.split(['/', '\\']).any(|step| step == "..");
    let Some(media_type) = media_type(path).filter(|_| !climbs) else { return absent(files) };
    let (Some((bytes, hash)), encoding) = packed(files, path, asked) else { return absent(files) };
    // The encodings of a file are representations of their own (RFC 9110 section 8.8.3): the hash is of the bytes that travel.
    let tag = format!("\"{}\"", hex::encode(hash.get(..16).unwrap_or(&hash)));
    let known = asked.get(header::IF_NONE_MATCH).and_then(|tags| tags.to_str().ok()).unwrap_or_default();
    let has = etag::names(known, &tag);
    // Always asked for again, so that a page is never of two versions; the tag makes that cheap.
    let kept = [(header::CACHE_CONTROL, "no-cache"), (header::CONTENT_TYPE, media_type), (header::VARY, "accept-encoding")];
    let mut response = if has { (StatusCode::NOT_MODIFIED, kept).into_response() } else { (StatusCode::OK, kept, bytes).into_response() };
    if let Some(encoding) = encoding {
        response.headers_mut().insert(header::CONTENT_ENCODING, HeaderValue::from_static(encoding));
    }
    if let Ok(tag) = HeaderValue::from_str(&tag) {
        response.headers_mut().insert(header::ETAG, tag);
    }
    response
}

/// The smallest form of a file that the browser takes.
fn packed(files: Files, path: &str, asked: &HeaderMap) -> (Option<File>, Option<&'static str>) {
    let takes = asked.get(header::ACCEPT_ENCODING).and_then(|takes| takes.to_str().ok()).unwrap_or_default();
    for (name, ending) in [("br", "br"), ("gzip", "gz")] {
        if takes_encoding(takes, name)
            && let Some(file) = files(&format!("{path}.{ending}"))
        {
            return (Some(file), Some(name));
        }
    }
    (files(path), None)
}

/// Whether an Accept-Encoding names an encoding, and not with a weight of nought (RFC 9110 section 12.5.3).
fn takes_encoding(header: &str, name: &str) -> bool {
    header.split(',').any(|one| {
        let (coding, weight) = one.split_once(';').unwrap_or((one, ""));
        let weight = weight.trim().strip_prefix("q=").map_or(Ok(1.0), str::parse::<f32>);
        coding.trim().eq_ignore_ascii_case(name) && weight.is_ok_and(|weight| weight > 0.0)
    })
}

fn absent(files: Files) -> Response {
    if files("index.html").is_none() {
        return (StatusCode::NOT_FOUND, [(header::CONTENT_TYPE, "text/html; charset=utf-8")], NOT_BUILT).into_response();
    }
    ApiError::no_such_route().into_response()
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
    use axum::body::{Body, to_bytes};
    use axum::http::Request;
    use tower::ServiceExt;

    use super::*;

    /// A page of three files, two of them compressed; what is in them does not matter here.
    fn three(path: &str) -> Option<File> {
        let bytes: &'static [u8] = match path {
            "index.html" => b"the page",
            "kit/kit.wasm" => b"the module",
            "kit/kit.wasm.br" => b"br",
            "kit/kit.wasm.gz" => b"gz",
            "app.js" => b"the script",
            "app.js.gz" => b"gz",
            _ => return None,
        };
        Some((Cow::Borrowed(bytes), [u8::try_from(bytes.len()).unwrap(); 32]))
    }

    async fn asked(files: Files, path: &str, with: &[(HeaderName, &str)]) -> (StatusCode, HeaderMap, String) {
        let request = with.iter().fold(Request::get(path), |request, (name, value)| request.header(name, *value));
        let response = routes_over::<()>(files).oneshot(request.body(Body::empty()).unwrap()).await.unwrap();
        let (parts, body) = response.into_parts();
        let body = to_bytes(body, 10_000).await.unwrap();
        (parts.status, parts.headers, String::from_utf8(body.to_vec()).unwrap())
    }

    #[tokio::test]
    async fn a_file_travels_as_small_as_the_browser_takes_it_and_under_its_own_type() {
        let module = "/phone/kit/kit.wasm";
        for (takes, encoding, body) in [("gzip, br", Some("br"), "br"), ("gzip", Some("gzip"), "gz"), ("br;q=0", None, "the module")] {
            let (status, headers, got) = asked(three, module, &[(header::ACCEPT_ENCODING, takes)]).await;
            assert_eq!((status, got.as_str()), (StatusCode::OK, body), "{takes}");
            assert_eq!(headers.get(header::CONTENT_ENCODING).map(|v| v.to_str().unwrap()), encoding, "{takes}");
            assert_eq!(headers[header::CONTENT_TYPE], "application/wasm");
            assert_eq!(headers[header::VARY], "accept-encoding");
        }
        let (_, headers, got) = asked(three, "/phone/app.js", &[(header::ACCEPT_ENCODING, "br")]).await;
        assert_eq!((got.as_str(), headers.get(header::CONTENT_ENCODING)), ("the script", None));
    }

    #[tokio::test]
    async fn what_a_browser_has_is_not_sent_again() {
        let (_, headers, _) = asked(three, "/phone/", &[]).await;
        let tag = headers[header::ETAG].to_str().unwrap().to_owned();
        assert_eq!(headers[header::CACHE_CONTROL], "no-cache");
        for known in [tag.clone(), format!("W/{tag}"), format!("\"x\", {tag}")] {
            let (status, headers, body) = asked(three, "/phone/", &[(header::IF_NONE_MATCH, known.as_str())]).await;
            assert_eq!((status, body.as_str(), headers[header::ETAG].to_str().unwrap()), (StatusCode::NOT_MODIFIED, "", tag.as_str()));
        }
        let (status, _, _) = asked(three, "/phone/", &[(header::IF_NONE_MATCH, "\"x\"")]).await;
        assert_eq!(status, StatusCode::OK);
    }

    #[tokio::test]
    async fn every_answer_has_its_guards_and_nothing_but_the_page_is_served() {
        for path in ["/phone/", "/phone/app.js", "/phone/none.js", "/phone/app.js.gz", "/phone/..%2fsecret.js", "/phone/kit/%2e%2e/app.js"]
        {
            let (status, headers, _) = asked(three, path, &[]).await;
            let there = ["/phone/", "/phone/app.js"].contains(&path);
            assert_eq!(status, if there { StatusCode::OK } else { StatusCode::NOT_FOUND }, "{path}");
            let may = headers[header::CONTENT_SECURITY_POLICY].to_str().unwrap();
            assert!(may.contains("default-src 'none'") && may.contains("'wasm-unsafe-eval'") && !may.contains("'unsafe-inline'"), "{may}");
            assert_eq!(headers[header::X_CONTENT_TYPE_OPTIONS], "nosniff");
        }
        let (status, headers, _) = asked(three, "/phone", &[]).await;
        assert_eq!((status, headers[header::LOCATION].to_str().unwrap()), (StatusCode::PERMANENT_REDIRECT, "/phone/"));
    }

    #[tokio::test]
    async fn a_server_without_the_page_says_how_to_build_it() {
        let (status, _, body) = asked(|_| None, "/phone/", &[]).await;
        assert_eq!(status, StatusCode::NOT_FOUND);
        assert!(body.contains("server/phone/build"), "{body}");
    }

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
