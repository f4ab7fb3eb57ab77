//! A shop that serves on a real socket, and requests to it written out by hand.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use server::{Clock, Config, Limits, Running, start};
use shared::wire::{ASSERTION_TYPE, ExchangeAnswer, TokenAnswer};
use sync_core::sync::{read_body, write_body};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpSocket, TcpStream};

use crate::support::{Answer, Device, HandClock, chance, config};

/// Longer than anything here takes; a test that waits this long has failed.
pub(crate) const SOON: Duration = Duration::from_secs(15);

/// A shop that serves.
pub(crate) struct Served {
    pub(crate) running: Running,
    pub(crate) clock: Arc<HandClock>,
    folder: tempfile::TempDir,
}

impl Served {
    pub(crate) async fn with(limits: Limits) -> Self {
        Self::configured(|config| config.limits = limits).await
    }

    pub(crate) async fn configured(change: impl FnOnce(&mut Config)) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let clock = Arc::new(HandClock::default());
        let mut config = config(folder.path());
        change(&mut config);
        let running = start(config, clock.clone()).await.unwrap();
        Self { running, clock, folder }
    }

    /// One exchange of a device's.
    pub(crate) async fn exchange(&self, device: &mut Device) {
        let now = self.clock.now();
        let head = format!("{}\r\ncontent-encoding: zstd", exchange_head(&device.token));
        let answer = over(self.address(), &head, &write_body(&device.book.outgoing().offer(&now).unwrap(), true).unwrap()).await;
        assert!(answer.status.is_success(), "{}: {}", answer.status, String::from_utf8_lossy(&answer.body));
        let answer: ExchangeAnswer = read_body(&answer.body, false).unwrap();
        let report = device.book.peer().take_answer(&now, &answer, &now, &mut chance).unwrap();
        assert_eq!(report.refused, []);
    }

    /// How many bytes the log of the book's database has.
    pub(crate) fn log_bytes(&self) -> u64 {
        std::fs::metadata(self.folder.path().join("shop.db-wal")).unwrap().len()
    }

    pub(crate) fn address(&self) -> SocketAddr {
        self.running.address
    }

    /// The office's device, enrolled with the first code, with a token.
    pub(crate) async fn office(&self) -> Device {
        let mut desk = Device::blank();
        let code = self.running.first_code.as_deref().unwrap();
        let request = desk.book.enrol_request(code, "desk", &self.clock.now(), &mut chance).unwrap();
        let json = serde_json::to_vec(&request).unwrap();
        let answer = over(self.address(), "POST /v1/enrol HTTP/1.1\r\ncontent-type: application/json", &json).await;
        desk.book.enrolled(&answer.json(), &self.running.url()).unwrap();
        desk.token = log_in(&desk, self.address(), &*self.clock).await;
        desk
    }
}

/// Logs a device in and gives its token.
pub(crate) async fn log_in(device: &Device, address: SocketAddr, clock: &dyn Clock) -> String {
    let assertion = device.book.tokens().assertion(&clock.now(), 0, &mut chance).unwrap();
    let form = format!("grant_type=client_credentials&client_assertion_type={ASSERTION_TYPE}&client_assertion={assertion}");
    let head = "POST /v1/token HTTP/1.1\r\ncontent-type: application/x-www-form-urlencoded";
    over(address, head, form.as_bytes()).await.json::<TokenAnswer>().access_token
}

/// The head of an exchange, without the lines that say how long its body is.
pub(crate) fn exchange_head(token: &str) -> String {
    format!("POST /v1/exchange HTTP/1.1\r\nauthorization: Bearer {token}\r\ncontent-type: application/cbor")
}

/// One request over one connection.
pub(crate) async fn over(address: SocketAddr, head: &str, body: &[u8]) -> Answer {
    let head = format!("{head}\r\nhost: 127.0.0.1\r\nconnection: close\r\ncontent-length: {}\r\n\r\n", body.len());
    ask(TcpStream::connect(address).await.unwrap(), &head, body).await
}

/// The same from another address of this computer.
pub(crate) async fn over_from(source: &str, address: SocketAddr, head: &str, body: &[u8]) -> Answer {
    let head = format!("{head}\r\nhost: 127.0.0.1\r\nconnection: close\r\ncontent-length: {}\r\n\r\n", body.len());
    let socket = TcpSocket::new_v4().unwrap();
    socket.bind(SocketAddr::new(source.parse().unwrap(), 0)).unwrap();
    ask(socket.connect(address).await.unwrap(), &head, body).await
}

async fn ask(mut stream: TcpStream, head: &str, body: &[u8]) -> Answer {
    stream.write_all(head.as_bytes()).await.unwrap();
    // The server may answer and close before it has read all of what is too large.
    let _ = stream.write_all(body).await;
    read(stream).await
}

/// Bytes as they are, and everything that comes back until the server closes, which it must.
pub(crate) async fn raw(address: SocketAddr, bytes: &[u8]) -> String {
    let mut stream = TcpStream::connect(address).await.unwrap();
    let _ = stream.write_all(bytes).await;
    String::from_utf8_lossy(&rest(&mut stream).await).into_owned()
}

/// Everything until the other side closes or cuts, which it must.
pub(crate) async fn rest(stream: &mut (impl AsyncRead + Unpin)) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut part = [0; 4096];
    let all = async {
        while let Ok(n @ 1..) = stream.read(&mut part).await {
            bytes.extend_from_slice(&part[..n]);
        }
    };
    tokio::time::timeout(SOON, all).await.expect("the server must close");
    bytes
}

/// The one answer that comes before the server closes.
pub(crate) async fn read(mut stream: impl AsyncRead + Unpin) -> Answer {
    let bytes = rest(&mut stream).await;
    let split = bytes.windows(4).position(|w| w == b"\r\n\r\n").unwrap_or_else(|| panic!("no head: {bytes:?}"));
    let head = String::from_utf8(bytes[..split].to_vec()).unwrap();
    let mut lines = head.lines();
    let status = lines.next().unwrap().split(' ').nth(1).unwrap().parse().unwrap();
    let mut headers = axum::http::HeaderMap::new();
    for line in lines {
        let (name, value) = line.split_once(": ").unwrap();
        headers.append(name.parse::<axum::http::HeaderName>().unwrap(), value.parse().unwrap());
    }
    Answer { status, headers, body: bytes[split + 4..].to_vec() }
}
