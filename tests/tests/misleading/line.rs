//! Requests to a server over a socket, as plainly as can be: HTTP/1.0, so that an answer ends with its connection.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::time::Duration;

/// What came back.
pub(crate) struct Came {
    pub(crate) status: u16,
    pub(crate) head: String,
    pub(crate) body: Vec<u8>,
}

impl Came {
    pub(crate) fn header(&self, name: &str) -> Option<&str> {
        self.head.lines().find_map(|line| line.split_once(": ").filter(|(key, _)| key.eq_ignore_ascii_case(name))).map(|(_, value)| value)
    }

    /// The body, where it is text.
    pub(crate) fn text(&self) -> Option<&str> {
        let kind = self.header("content-type")?;
        let is_text =
            ["text/", "application/json", "application/problem+json", "application/jwk-set+json"].iter().any(|t| kind.starts_with(t));
        is_text.then(|| std::str::from_utf8(&self.body).unwrap())
    }
}

/// One request. A stream without end is read for as long as it says something within a second.
pub(crate) fn ask(address: SocketAddr, method: &str, path: &str, headers: &[String], body: &str) -> Came {
    let mut stream = TcpStream::connect(address).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(if path.contains("events") { 1 } else { 60 }))).unwrap();
    let lines: String = headers.iter().map(|line| format!("{line}\r\n")).collect();
    let head = format!("{method} {path} HTTP/1.0\r\nhost: 127.0.0.1\r\n{lines}content-length: {}\r\n\r\n{body}", body.len());
    stream.write_all(head.as_bytes()).unwrap();
    let (mut bytes, mut part) = (Vec::new(), [0; 8192]);
    while let Ok(n @ 1..) = stream.read(&mut part) {
        bytes.extend_from_slice(&part[..n]);
    }
    let split = bytes.windows(4).position(|four| four == b"\r\n\r\n").unwrap_or_else(|| panic!("{method} {path}: no answer"));
    let head = String::from_utf8(bytes[..split].to_vec()).unwrap();
    let status = head.split(' ').nth(1).unwrap().parse().unwrap();
    Came { status, head, body: bytes[split + 4..].to_vec() }
}
