//! What guards every answer and every question: headers that bind a browser, and the name under which the shop is asked.
//!
//! A page of somebody else's can have its own name point to this server (DNS rebinding), and its script would then be of one
//! origin with the shop. It cannot change the `Host` that the browser sends: only the issuer's name is answered, and addresses
//! written as numbers, which no name server can point anywhere. `localhost` is answered where the issuer is this very computer.

use std::net::{IpAddr, Ipv6Addr};

use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, Uri, header};
use axum::middleware::Next;
use axum::response::Response;

use crate::problem_response::ApiError;
use crate::state::ServerState;

/// A year, as RFC 6797 section 6.1.1 has it. Other names of the issuer's domain are not ours to bind.
const ONLY_TLS: HeaderValue = HeaderValue::from_static("max-age=31536000");
/// Whether the server is up is asked by programs that know it under any name, and answers nothing of the book.
const ANY_NAME: [&str; 2] = ["/health", "/ready"];

/// Puts on every answer, whatever it is, that its media type is not to be guessed and that the shop is met over TLS alone.
pub(crate) async fn headers(State(state): State<ServerState>, request: Request, next: Next) -> Response {
    let mut response = next.run(request).await;
    response.headers_mut().insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    if state.over_tls {
        response.headers_mut().insert(header::STRICT_TRANSPORT_SECURITY, ONLY_TLS);
    }
    response
}

/// Refuses a request that was sent to somebody else's name.
pub(crate) async fn host(State(state): State<ServerState>, request: Request, next: Next) -> Result<Response, ApiError> {
    if let Some(names) = &state.names
        && !ANY_NAME.contains(&request.uri().path())
        && !names.are_asked(request.uri(), request.headers())
    {
        return Err(ApiError::wrong_host());
    }
    Ok(next.run(request).await)
}

/// The names under which a server answers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Names {
    issuer: String,
}

impl Names {
    /// The names of a shop with this issuer.
    pub(crate) fn of(issuer: &str) -> Self {
        let host = issuer.parse::<Uri>().ok().and_then(|uri| uri.host().map(plain));
        Self { issuer: host.unwrap_or_default() }
    }

    /// Whether a request names one of them, once in its head and, where it does, in its address (RFC 9112 section 3.2).
    fn are_asked(&self, address: &Uri, headers: &HeaderMap) -> bool {
        host_of(headers).is_some_and(|host| self.has(&host)) && address.host().is_none_or(|host| self.has(&plain(host)))
    }

    fn has(&self, host: &str) -> bool {
        let issuer_is_here = is_here(&self.issuer);
        !host.is_empty() && (host == self.issuer || address_of(host).is_some() || (issuer_is_here && host == "localhost"))
    }
}

/// Whether a name can only mean this very computer.
pub(crate) fn is_here(host: &str) -> bool {
    host == "localhost" || address_of(host).is_some_and(|address| address.to_canonical().is_loopback())
}

/// The host that a request names, without its port. Two of them are as good as none: which would count?
pub(crate) fn host_of(headers: &HeaderMap) -> Option<String> {
    let mut given = headers.get_all(header::HOST).iter();
    let one = given.next().filter(|_| given.next().is_none())?.to_str().ok()?;
    let authority: axum::http::uri::Authority = one.parse().ok()?;
    // No name of a user, and a port that is a number.
    let is_plain = authority.as_str() == authority.host() || authority.port_u16().is_some();
    (is_plain && !authority.as_str().contains('@')).then(|| plain(authority.host()))
}

fn plain(host: &str) -> String {
    host.strip_suffix('.').unwrap_or(host).to_ascii_lowercase()
}

fn address_of(host: &str) -> Option<IpAddr> {
    let bracketed = host.strip_prefix('[').and_then(|rest| rest.strip_suffix(']'));
    bracketed.map_or_else(|| host.parse().ok(), |inner| inner.parse::<Ipv6Addr>().ok().map(IpAddr::V6))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(issuer: &str, host: &str) -> bool {
        let headers = HeaderMap::from_iter([(header::HOST, HeaderValue::from_str(host).unwrap())]);
        Names::of(issuer).are_asked(&Uri::from_static("/v1/due"), &headers)
    }

    #[test]
    fn the_issuers_name_and_numbers_are_answered_and_no_other_name() {
        for host in ["book.example", "BOOK.example:8443", "book.example.", "127.0.0.1:7878", "192.0.2.7", "[2001:db8::1]:443"] {
            assert!(asked("https://book.example/x", host), "{host}");
        }
        let wrong =
            ["rebound.example", "book.example.rebound.example", "xbook.example", "localhost", "a@book.example", "", "book.example:x"];
        for host in wrong {
            assert!(!asked("https://book.example", host), "{host}");
        }
        for host in ["localhost:7878", "127.0.0.1", "[::1]:7878"] {
            assert!(asked("http://127.0.0.1:7878", host), "{host}");
        }
        assert!(!asked("http://127.0.0.1:7878", "127.0.0.1.rebound.example"));
    }

    #[test]
    fn no_name_two_names_and_an_address_that_says_another_are_refused() {
        let names = Names::of("https://book.example");
        let mut headers = HeaderMap::new();
        assert!(!names.are_asked(&Uri::from_static("/"), &headers));
        headers.append(header::HOST, HeaderValue::from_static("book.example"));
        assert!(names.are_asked(&Uri::from_static("http://book.example/"), &headers));
        assert!(!names.are_asked(&Uri::from_static("http://rebound.example/"), &headers));
        headers.append(header::HOST, HeaderValue::from_static("book.example"));
        assert!(!names.are_asked(&Uri::from_static("/"), &headers));
    }
}
