//! HTTP/1.1 as a device of the fleet speaks it: one connection that is kept, requests one after another, bodies of a stated
//! length.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::thread::sleep;
use std::time::Duration;

use shared::wire::{EXCHANGE_TYPE, LARGEST_PLAIN};

use super::words;

/// Longer than the server gives any request.
const ANSWER_WITHIN: Duration = Duration::from_secs(60);
/// The longest head of an answer, in bytes.
const LARGEST_HEAD: u64 = 64 * 1024;
/// The largest body of an answer other than an exchange's, in bytes.
const LARGEST_PAGE: usize = 64 * 1024 * 1024;
/// How often the server may ask for patience in one request.
const MOST_WAITS: usize = 20;

/// A request.
#[derive(Debug, Clone, Copy)]
pub(super) struct Asked<'r> {
    pub(super) method: &'static str,
    pub(super) path: &'r str,
    pub(super) token: Option<&'r str>,
    pub(super) kind: &'static str,
    pub(super) body: &'r [u8],
}

/// An answer with status 200.
#[derive(Debug)]
pub(super) struct Answered {
    pub(super) zstd: bool,
    pub(super) body: Vec<u8>,
}

/// A connection to the server, or to the proxy before it.
#[derive(Debug)]
pub(super) struct Line {
    address: SocketAddr,
    stream: Option<BufReader<TcpStream>>,
    /// Requests sent.
    pub(super) requests: u64,
    /// How often the server asked for patience.
    pub(super) put_off: u64,
}

impl Line {
    /// A line to `http://ADDRESS:PORT`. Nothing is connected yet.
    pub(super) fn to(url: &str) -> Result<Self, String> {
        let address = url.trim_end_matches('/').strip_prefix("http://").and_then(|address| address.parse().ok());
        let address = address.ok_or_else(|| format!("\"{url}\" is no address; write it as in http://127.0.0.1:4000"))?;
        Ok(Self { address, stream: None, requests: 0, put_off: 0 })
    }

    /// Sends a request and waits for its answer. Told to wait, it waits and asks again.
    pub(super) fn ask(&mut self, asked: &Asked<'_>) -> Result<Answered, String> {
        for _ in 0..MOST_WAITS {
            self.requests += 1;
            let kept = self.stream.is_some();
            let said = match self.once(asked) {
                // A kept connection may have been closed by the other side meanwhile: once more, on a fresh one.
                Err(_) if kept => self.once(asked),
                said => said,
            };
            let (status, wait_s, answered) = said.map_err(|e| format!("{}: {e}", asked.path))?;
            match (status, wait_s) {
                (200, _) => return Ok(answered),
                (429, Some(wait_s)) => {
                    self.put_off += 1;
                    sleep(Duration::from_secs(wait_s));
                }
                _ => return Err(format!("{} answered {status}: {}", asked.path, String::from_utf8_lossy(&answered.body))),
            }
        }
        Err(format!("{}: told to wait {MOST_WAITS} times", asked.path))
    }

    fn once(&mut self, asked: &Asked<'_>) -> Result<(u16, Option<u64>, Answered), String> {
        let mut stream = match self.stream.take() {
            Some(stream) => stream,
            None => BufReader::new(connect(self.address).map_err(words)?),
        };
        let Asked { method, path, token, kind, body } = *asked;
        let mut message = format!("{method} {path} HTTP/1.1\r\nhost: {}\r\n", self.address);
        if let Some(token) = token {
            message.push_str(&format!("authorization: Bearer {token}\r\n"));
        }
        if !body.is_empty() {
            message.push_str(&format!("content-type: {kind}\r\ncontent-length: {}\r\n", body.len()));
        }
        if kind == EXCHANGE_TYPE {
            message.push_str("content-encoding: zstd\r\naccept-encoding: zstd\r\n");
        }
        message.push_str("\r\n");
        stream.get_mut().write_all(&[message.as_bytes(), body].concat()).map_err(words)?;
        let (status, headers) = read_head(&mut stream)?;
        let number = |name: &str| headers.get(name).and_then(|value| value.parse::<u64>().ok());
        let length = number("content-length").and_then(|length| usize::try_from(length).ok()).ok_or("the answer says no length")?;
        if length > LARGEST_PAGE || (kind == EXCHANGE_TYPE && length > LARGEST_PLAIN) {
            return Err(format!("an answer of {length} bytes is larger than agreed"));
        }
        let mut body = vec![0; length];
        stream.read_exact(&mut body).map_err(words)?;
        let zstd = headers.get("content-encoding").is_some_and(|name| name == "zstd");
        if headers.get("connection").is_none_or(|word| word != "close") {
            self.stream = Some(stream);
        }
        Ok((status, number("retry-after"), Answered { zstd, body }))
    }
}

fn connect(address: SocketAddr) -> std::io::Result<TcpStream> {
    let stream = TcpStream::connect(address)?;
    stream.set_nodelay(true)?;
    stream.set_read_timeout(Some(ANSWER_WITHIN))?;
    stream.set_write_timeout(Some(ANSWER_WITHIN))?;
    Ok(stream)
}

/// Reads an answer's head: its status, and its fields by their name in small letters.
fn read_head(stream: &mut impl BufRead) -> Result<(u16, BTreeMap<String, String>), String> {
    let mut lines = stream.take(LARGEST_HEAD).lines();
    let mut line = || lines.next().ok_or("the answer is cut off")?.map_err(words);
    let first = line()?;
    let status = first.split(' ').nth(1).and_then(|status| status.parse().ok()).ok_or_else(|| format!("\"{first}\" is no HTTP"))?;
    let mut headers = BTreeMap::new();
    loop {
        let field = line()?;
        if field.is_empty() {
            return Ok((status, headers));
        }
        if let Some((name, value)) = field.split_once(':') {
            headers.insert(name.trim().to_ascii_lowercase(), value.trim().to_ascii_lowercase());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_head_is_read_to_its_end_and_no_further() {
        let mut bytes = &b"HTTP/1.1 429 Too Many\r\nRetry-After: 7\r\nContent-Length:2\r\n\r\nok"[..];
        let (status, headers) = read_head(&mut bytes).unwrap();
        assert_eq!((status, headers["retry-after"].as_str(), headers["content-length"].as_str(), bytes), (429, "7", "2", &b"ok"[..]));
        for bad in ["", "HTTP/1.1 200 OK\r\nA: b\r\n", "hello\r\n\r\n"] {
            assert!(read_head(&mut bad.as_bytes()).is_err(), "{bad}");
        }
    }

    #[test]
    fn a_line_goes_to_an_address() {
        assert_eq!(Line::to("http://127.0.0.1:80/").unwrap().address, "127.0.0.1:80".parse().unwrap());
        for bad in ["", "127.0.0.1:80", "http://127.0.0.1", "https://127.0.0.1:80"] {
            assert!(Line::to(bad).is_err(), "{bad}");
        }
    }
}
