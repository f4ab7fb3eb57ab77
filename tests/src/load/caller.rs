//! HTTP as one device of the load speaks it: one connection a request, every wait measured, every failure counted, and
//! told to wait it waits.

use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::thread::sleep;
use std::time::Duration;

use serde::Serialize;
use serde::de::DeserializeOwned;
use server::{Clock, SystemClock};
use shared::wire::{EXCHANGE_TYPE, LARGEST_PLAIN};

/// Longer than the server gives any request.
const ANSWER_WITHIN: Duration = Duration::from_secs(60);
const CONNECT_WITHIN: Duration = Duration::from_secs(30);
/// The most failures of one request before the device gives up.
const MOST_FAILURES: u32 = 4;
/// A server that asks for more patience than this at once is not waited for so long.
const LONGEST_PAUSE_S: u64 = 60;

/// What became of the requests.
#[derive(Debug, Default, Clone)]
pub(super) struct Told {
    /// From the first byte sent to the last one come, in ms, of every exchange that was answered.
    pub(super) exchanges_ms: Vec<i64>,
    /// The same of every other request.
    pub(super) others_ms: Vec<i64>,
    /// Failed requests by status or error. Told to wait is none.
    pub(super) failed: BTreeMap<String, u64>,
    /// How often the server asked for patience.
    pub(super) put_off: u64,
}

impl Told {
    pub(super) fn add(&mut self, other: Self) {
        self.exchanges_ms.extend(other.exchanges_ms);
        self.others_ms.extend(other.others_ms);
        for (what, count) in other.failed {
            *self.failed.entry(what).or_default() += count;
        }
        self.put_off += other.put_off;
    }
}

/// A way to the server.
pub(super) struct Caller<'c> {
    pub(super) address: SocketAddr,
    pub(super) clock: &'c SystemClock,
    /// No request begins after this on the steady clock, in ms.
    pub(super) until_ms: i64,
    pub(super) told: Told,
}

struct Request<'r> {
    path: &'r str,
    token: Option<&'r str>,
    kind: &'r str,
    body: &'r [u8],
}

struct Answer {
    status: u16,
    zstd: bool,
    wait_s: Option<u64>,
    body: Vec<u8>,
}

impl Caller<'_> {
    pub(super) fn post_json<T: DeserializeOwned>(&mut self, path: &str, token: Option<&str>, body: &impl Serialize) -> Result<T, String> {
        let body = serde_json::to_vec(body).map_err(|e| e.to_string())?;
        let answer = self.send(&Request { path, token, kind: "application/json", body: &body })?;
        serde_json::from_slice(&answer.body).map_err(|e| format!("{path}: {e}"))
    }

    pub(super) fn post_form<T: DeserializeOwned>(&mut self, path: &str, form: &str) -> Result<T, String> {
        let answer = self.send(&Request { path, token: None, kind: "application/x-www-form-urlencoded", body: form.as_bytes() })?;
        serde_json::from_slice(&answer.body).map_err(|e| format!("{path}: {e}"))
    }

    /// One half of the exchange for the other, and whether that is compressed.
    pub(super) fn post_exchange(&mut self, token: &str, body: &[u8]) -> Result<(Vec<u8>, bool), String> {
        let answer = self.send(&Request { path: "/v1/exchange", token: Some(token), kind: EXCHANGE_TYPE, body })?;
        Ok((answer.body, answer.zstd))
    }

    fn send(&mut self, request: &Request<'_>) -> Result<Answer, String> {
        let mut failures = 0;
        loop {
            let began = self.clock.now().steady_ms;
            if began > self.until_ms {
                return Err(format!("{}: the time for the whole load is over", request.path));
            }
            let failure = match self.once(request) {
                Ok(answer) if answer.status == 200 => {
                    let took_ms = self.clock.now().steady_ms - began;
                    let waits = if request.kind == EXCHANGE_TYPE { &mut self.told.exchanges_ms } else { &mut self.told.others_ms };
                    waits.push(took_ms);
                    return Ok(answer);
                }
                Ok(Answer { status: 429, wait_s: Some(wait_s), .. }) => {
                    self.told.put_off += 1;
                    sleep(Duration::from_secs(wait_s.clamp(1, LONGEST_PAUSE_S)));
                    continue;
                }
                Ok(answer) => format!("{} answered {}: {}", request.path, answer.status, String::from_utf8_lossy(&answer.body)),
                Err(error) => format!("{}: {error}", request.path),
            };
            *self.told.failed.entry(failure.clone()).or_default() += 1;
            failures += 1;
            if failures == MOST_FAILURES {
                return Err(failure);
            }
            sleep(Duration::from_secs(1));
        }
    }

    fn once(&self, request: &Request<'_>) -> std::io::Result<Answer> {
        let mut stream = TcpStream::connect_timeout(&self.address, CONNECT_WITHIN)?;
        stream.set_read_timeout(Some(ANSWER_WITHIN))?;
        stream.set_write_timeout(Some(ANSWER_WITHIN))?;
        let mut head = format!(
            "POST {} HTTP/1.1\r\nhost: {}\r\nconnection: close\r\ncontent-type: {}\r\ncontent-length: {}\r\n",
            request.path,
            self.address,
            request.kind,
            request.body.len()
        );
        if let Some(token) = request.token {
            head.push_str(&format!("authorization: Bearer {token}\r\n"));
        }
        if request.kind == EXCHANGE_TYPE {
            head.push_str("content-encoding: zstd\r\naccept-encoding: zstd\r\n");
        }
        head.push_str("\r\n");
        stream.write_all(&[head.as_bytes(), request.body].concat())?;
        let mut all = Vec::new();
        stream.take(LARGEST_PLAIN as u64 + 64 * 1024).read_to_end(&mut all)?;
        read_answer(&all).ok_or_else(|| std::io::Error::other("the answer is cut off, or no HTTP"))
    }
}

/// An answer whose head and whole body have come.
fn read_answer(all: &[u8]) -> Option<Answer> {
    let end = all.windows(4).position(|four| four == b"\r\n\r\n")?;
    let head = std::str::from_utf8(all.get(..end)?).ok()?.to_ascii_lowercase();
    let body = all.get(end + 4..)?.to_vec();
    let mut lines = head.split("\r\n");
    let status = lines.next()?.split(' ').nth(1)?.parse().ok()?;
    let headers: BTreeMap<&str, &str> = lines.filter_map(|line| line.split_once(':')).map(|(name, value)| (name, value.trim())).collect();
    let length: usize = headers.get("content-length")?.parse().ok()?;
    let wait_s = headers.get("retry-after").and_then(|value| value.parse().ok());
    (length == body.len()).then(|| Answer { status, zstd: headers.get("content-encoding") == Some(&"zstd"), wait_s, body })
}
