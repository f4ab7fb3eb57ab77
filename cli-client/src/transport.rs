//! HTTP to the shop's server: the only place that opens a socket. Bounded in time and size, no redirects followed.

use std::io::Read;
use std::sync::Arc;
use std::time::Duration;

use serde::Serialize;
use serde::de::DeserializeOwned;
use shared::problem::Problem;
use shared::wire::{EXCHANGE_TYPE, LARGEST_PLAIN};
use ureq::Agent;
use ureq::http::{Request, Uri};
use ureq::tls::{Certificate, PemItem, RootCerts, TlsConfig, parse_pem};

use crate::exit::Failure;

const CONNECT: Duration = Duration::from_secs(10);
/// A page of an exchange over a poor signal.
const WHOLE_CALL: Duration = Duration::from_secs(120);
const JSON: &str = "application/json";
const FORM: &str = "application/x-www-form-urlencoded";

/// What travelled: requests, and the bytes of their bodies.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub(crate) struct Traffic {
    pub(crate) requests: u64,
    pub(crate) bytes_sent: u64,
    pub(crate) bytes_received: u64,
}

/// A way to one shop's server.
#[derive(Debug)]
pub(crate) struct Transport {
    agent: Agent,
    server: String,
    pub(crate) traffic: Traffic,
}

/// One request.
#[derive(Debug, Clone, Copy)]
struct Call<'c> {
    method: &'c str,
    path: &'c str,
    token: Option<&'c str>,
    body: Option<(&'c str, &'c [u8])>,
}

impl Transport {
    /// A way to the server at an address. Plain http goes to this very machine only, unless `plain` allows it
    /// elsewhere: what travels names people and places. Where an `authority` is given (PEM), it alone vouches for the
    /// server, in place of the public ones.
    pub(crate) fn to(server: &str, plain: bool, authority: Option<&str>) -> Result<Self, Failure> {
        let server = server.trim().trim_end_matches('/');
        let wrong = || Failure::Given(format!("\"{server}\" is not a server's address: write it as in https://shop.example"));
        let uri: Uri = server.parse().map_err(|_| wrong())?;
        let host = uri.host().filter(|host| !host.is_empty()).ok_or_else(wrong)?;
        if uri.query().is_some() || uri.authority().is_some_and(|a| a.as_str().contains('@')) {
            return Err(wrong());
        }
        match uri.scheme_str() {
            Some("https") => {}
            Some("http") if plain || is_loopback(host) => {}
            Some("http") => {
                return Err(Failure::Given(format!(
                    "{server} is plain http, which anybody on the way can read: use https://, or --allow-plain-http on a network that you trust"
                )));
            }
            _ => return Err(wrong()),
        }
        let agent = Agent::config_builder()
            .http_status_as_error(false)
            .max_redirects(0)
            .max_redirects_will_error(false)
            .timeout_connect(Some(CONNECT))
            .timeout_global(Some(WHOLE_CALL))
            // The environment is read in one place, and a proxy is not among what is honoured.
            .proxy(None)
            .tls_config(trusting(authority)?)
            .user_agent(concat!("tappet/", env!("CARGO_PKG_VERSION")))
            .build()
            .new_agent();
        Ok(Self { agent, server: server.to_owned(), traffic: Traffic::default() })
    }

    /// Posts JSON, and reads JSON.
    pub(crate) fn post_json<T: DeserializeOwned>(&mut self, path: &str, token: Option<&str>, body: &impl Serialize) -> Result<T, Failure> {
        let body = serde_json::to_vec(body).map_err(|e| Failure::Defect(e.to_string()))?;
        let (answer, _) = self.send(Call { method: "POST", path, token, body: Some((JSON, &body)) })?;
        read_json(&answer)
    }

    /// Posts nothing; what is answered does not matter.
    pub(crate) fn post_empty(&mut self, path: &str, token: &str) -> Result<(), Failure> {
        self.send(Call { method: "POST", path, token: Some(token), body: None }).map(drop)
    }

    /// Puts bytes where they belong; what is answered does not matter.
    pub(crate) fn put(&mut self, path: &str, token: &str, kind: &str, bytes: &[u8]) -> Result<(), Failure> {
        self.send(Call { method: "PUT", path, token: Some(token), body: Some((kind, bytes)) }).map(drop)
    }

    /// Posts a form, and reads JSON.
    pub(crate) fn post_form<T: DeserializeOwned>(&mut self, path: &str, fields: &[(&str, &str)]) -> Result<T, Failure> {
        let form: Vec<String> = fields.iter().map(|(name, value)| format!("{}={}", escaped(name), escaped(value))).collect();
        let (answer, _) = self.send(Call { method: "POST", path, token: None, body: Some((FORM, form.join("&").as_bytes())) })?;
        read_json(&answer)
    }

    /// Gets JSON. `path` may carry a query whose values need no escaping.
    pub(crate) fn get_json<T: DeserializeOwned>(&mut self, path: &str, token: &str) -> Result<T, Failure> {
        let (answer, _) = self.send(Call { method: "GET", path, token: Some(token), body: None })?;
        read_json(&answer)
    }

    /// Posts a compressed half of the exchange; gives the other half, and whether it is compressed.
    pub(crate) fn post_exchange(&mut self, token: &str, body: &[u8]) -> Result<(Vec<u8>, bool), Failure> {
        self.send(Call { method: "POST", path: "/v1/exchange", token: Some(token), body: Some((EXCHANGE_TYPE, body)) })
    }

    fn send(&mut self, call: Call<'_>) -> Result<(Vec<u8>, bool), Failure> {
        let mut request = Request::builder().method(call.method).uri(format!("{}{}", self.server, call.path));
        if let Some(token) = call.token {
            request = request.header("authorization", format!("Bearer {token}"));
        }
        let body = call.body.map_or(&[] as &[u8], |(_, bytes)| bytes);
        request = match call.body {
            Some((EXCHANGE_TYPE, _)) => request
                .header("content-type", EXCHANGE_TYPE)
                .header("content-encoding", "zstd")
                .header("accept", EXCHANGE_TYPE)
                .header("accept-encoding", "zstd"),
            Some((kind, _)) => request.header("content-type", kind).header("accept", JSON),
            None => request.header("accept", JSON),
        };
        self.traffic.requests += 1;
        self.traffic.bytes_sent += body.len() as u64;
        let answer = if call.method == "GET" {
            request.body(()).map(|request| self.agent.run(request))
        } else {
            request.body(body).map(|request| self.agent.run(request))
        };
        let answer = answer.map_err(|e| Failure::Given(format!("the request to {} cannot be written: {e}", self.server)))?;
        let mut answer = answer.map_err(|error| Failure::ShopAway(away(&self.server, &error)))?;
        let compressed = answer.headers().get("content-encoding").is_some_and(|value| value.as_bytes() == b"zstd");
        let status = answer.status().as_u16();
        let mut bytes = Vec::new();
        let bound = LARGEST_PLAIN as u64 + 1;
        let read = answer.body_mut().with_config().limit(bound).reader().take(bound).read_to_end(&mut bytes);
        self.traffic.bytes_received += bytes.len() as u64;
        match read {
            Ok(_) if bytes.len() > LARGEST_PLAIN => return Err(Failure::Answer("it is larger than agreed".to_owned())),
            Ok(_) => {}
            Err(error) => return Err(Failure::ShopAway(format!("its answer was cut off: {error}"))),
        }
        match status {
            200..=299 => Ok((bytes, compressed)),
            _ => Err(refused(&self.server, status, &bytes)),
        }
    }
}

/// TLS with the public authorities built in, or with one's own alone.
fn trusting(authority: Option<&str>) -> Result<TlsConfig, Failure> {
    let Some(pem) = authority else { return Ok(TlsConfig::default()) };
    let wrong = || Failure::Given("the file given with --ca holds no certificate in PEM form".to_owned());
    let mut certificates: Vec<Certificate<'static>> = Vec::new();
    for item in parse_pem(pem.as_bytes()) {
        if let PemItem::Certificate(certificate) = item.map_err(|_| wrong())? {
            certificates.push(certificate);
        }
    }
    if certificates.is_empty() {
        return Err(wrong());
    }
    Ok(TlsConfig::builder().root_certs(RootCerts::Specific(Arc::new(certificates))).build())
}

fn read_json<T: DeserializeOwned>(bytes: &[u8]) -> Result<T, Failure> {
    serde_json::from_slice(bytes).map_err(|e| Failure::Answer(format!("it is not what was asked for: {e}")))
}

/// An answer that is no success: problem details where it is the shop that speaks.
fn refused(server: &str, status: u16, bytes: &[u8]) -> Failure {
    match serde_json::from_slice::<Problem>(bytes) {
        Ok(problem) => Failure::Refused(Box::new(problem)),
        Err(_) if status >= 500 => Failure::ShopAway(format!("{server} answered with status {status}")),
        Err(_) => Failure::Answer(format!("{server} answered with status {status}, and not as a shop's server does")),
    }
}

/// Why a server cannot be reached, without the library's own wording where a plainer one is at hand.
fn away(server: &str, error: &ureq::Error) -> String {
    match error {
        ureq::Error::HostNotFound => format!("no host answers to the name in {server}"),
        ureq::Error::Timeout(_) => format!("{server} did not answer in time"),
        ureq::Error::Io(error) if error.kind() == std::io::ErrorKind::ConnectionRefused => format!("nothing answers at {server}"),
        other if other.to_string().contains("UnknownIssuer") => format!(
            "{server} shows a certificate that nobody trusted here vouches for; where the shop has an authority of its own, name its file with --ca"
        ),
        other => format!("{server}: {other}"),
    }
}

fn is_loopback(host: &str) -> bool {
    let address = host.trim_start_matches('[').trim_end_matches(']');
    host.eq_ignore_ascii_case("localhost") || address.parse::<std::net::IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

/// A form value: everything but unreserved characters as %XX.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for byte in text.bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => out.push(char::from(byte)),
            other => out.push_str(&format!("%{other:02X}")),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plain_http_stays_on_this_machine() {
        for fine in ["http://localhost:8080", "http://127.0.0.1:1/", "http://[::1]:9", "https://shop.example/book"] {
            assert!(Transport::to(fine, false, None).is_ok(), "{fine}");
        }
        for bad in ["http://shop.example", "ftp://localhost", "shop.example", "", "https://", "https://a@b", "http://10.0.0.7:80"] {
            assert!(matches!(Transport::to(bad, false, None), Err(Failure::Given(_))), "{bad}");
        }
        assert!(Transport::to("http://10.0.0.7:80", true, None).is_ok());
    }

    #[test]
    fn an_authority_that_is_none_is_refused_before_anything_is_sent() {
        for none in
            ["", "a shopping list", "-----BEGIN CERTIFICATE-----\nAAA", "-----BEGIN PUBLIC KEY-----\nAAAA\n-----END PUBLIC KEY-----\n"]
        {
            assert!(matches!(Transport::to("https://shop.example", false, Some(none)), Err(Failure::Given(_))), "{none}");
        }
    }

    #[test]
    fn a_form_value_is_escaped() {
        assert_eq!(escaped("urn:ietf a+b/ø"), "urn%3Aietf%20a%2Bb%2F%C3%B8");
    }

    #[test]
    fn an_answer_that_is_no_problem_is_told_apart() {
        let problem = serde_json::to_vec(&Problem::new(shared::problem::Code::TooMany, 429, "Wait.")).unwrap();
        assert!(matches!(refused("s", 429, &problem), Failure::Refused(_)));
        assert!(matches!(refused("s", 502, b"<html>"), Failure::ShopAway(_)));
        assert!(matches!(refused("s", 301, b""), Failure::Answer(_)));
    }
}
