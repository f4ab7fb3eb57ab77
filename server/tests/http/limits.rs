//! Every limit of the wire, over a real socket: too much, too slow, too many.

use std::time::{Duration, Instant};

use server::Limits;
use shared::picture::LARGEST_PICTURE;
use shared::problem::Code;
use shared::record::{Photo, PropertyCard};
use shared::wire::LARGEST_BODY;
use sync_core::book::Draft;
use sync_core::book::pictures::sha256;
use sync_core::sync::write_body;
use sync_core::sys::rng::fresh_doc;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpSocket, TcpStream};

use crate::support::{Answer, chance};
use crate::wire::{SOON, Served, exchange_head, over, raw, read, rest};

const HEALTH: &str = "GET /health HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n";

/// A body in chunks of 4 KiB that does not say how long it is, and goes on until the server has had enough.
async fn in_chunks(shop: &Served, head: &str, most: usize) -> Answer {
    let stream = TcpStream::connect(shop.address()).await.unwrap();
    let (mut from, mut into) = stream.into_split();
    into.write_all(format!("{head}\r\nhost: 127.0.0.1\r\ntransfer-encoding: chunked\r\n\r\n").as_bytes()).await.unwrap();
    let pouring = tokio::spawn(async move {
        let chunk = [b"1000\r\n".as_slice(), &[0; 4096], b"\r\n"].concat();
        for _ in 0..most / 4096 {
            if into.write_all(&chunk).await.is_err() {
                break;
            }
        }
        // Kept open, and never ended: it is for the server to close.
        into
    });
    let answer = read(&mut from).await;
    drop(pouring.await.unwrap());
    answer
}

#[tokio::test]
async fn a_body_too_large_is_refused_declared_or_in_chunks() {
    let shop = Served::with(Limits::default()).await;
    let office = shop.office().await;
    let enrol = "POST /v1/enrol HTTP/1.1\r\ncontent-type: application/json";
    over(shop.address(), enrol, &vec![b'['; 20_000]).await.problem(413, Code::TooLarge);
    in_chunks(&shop, enrol, 64 * 1024).await.problem(413, Code::TooLarge);
    over(shop.address(), &exchange_head(&office.token), &vec![0; LARGEST_BODY + 1]).await.problem(413, Code::TooLarge);
    in_chunks(&shop, &exchange_head(&office.token), LARGEST_BODY + 64 * 1024).await.problem(413, Code::TooLarge);
    // Nobody reads a stranger's body at all.
    in_chunks(&shop, &exchange_head("nobody"), LARGEST_BODY).await.problem(401, Code::TokenInvalid);
}

#[tokio::test]
async fn a_head_too_large_or_of_too_many_fields_is_refused() {
    let shop = Served::with(Limits::default()).await;
    let status = async |head: String| over(shop.address(), &head, b"").await.status.as_u16();
    assert_eq!(status("GET /health HTTP/1.1".to_owned()).await, 200);
    assert_eq!(status(format!("GET /health HTTP/1.1\r\nx: {}", "a".repeat(16_000))).await, 200);
    assert_eq!(status(format!("GET /health HTTP/1.1\r\nx: {}", "a".repeat(33_000))).await, 431);
    assert_eq!(status(format!("GET /health HTTP/1.1{}", "\r\nx: a".repeat(61))).await, 200);
    assert_eq!(status(format!("GET /health HTTP/1.1{}", "\r\nx: a".repeat(62))).await, 431);
    // A head without end is cut off, and not collected.
    let endless = format!("GET /health HTTP/1.1\r\nx: {}", "a".repeat(4_000_000));
    assert!(raw(shop.address(), endless.as_bytes()).await.starts_with("HTTP/1.1 431"));
}

#[tokio::test]
async fn who_is_slow_to_ask_is_shown_out_and_so_is_who_asks_nothing_more() {
    let shop = Served::with(Limits { head: Duration::from_millis(300), ..Limits::default() }).await;
    for begun in ["", "GET /health HTTP/1.1\r\nhost:", HEALTH] {
        let mut sleeper = TcpStream::connect(shop.address()).await.unwrap();
        sleeper.write_all(begun.as_bytes()).await.unwrap();
        let started = Instant::now();
        let answered = rest(&mut sleeper).await;
        assert_eq!(answered.starts_with(b"HTTP/1.1 200"), begun == HEALTH, "{begun}");
        assert!(started.elapsed() >= Duration::from_millis(250), "{begun}: before its time");
    }
    // One field after another, each in time: the head as a whole is not.
    let mut dripping = TcpStream::connect(shop.address()).await.unwrap();
    dripping.write_all(b"GET /health HTTP/1.1\r\n").await.unwrap();
    let started = Instant::now();
    while dripping.write_all(b"x: a\r\n").await.is_ok() {
        assert!(started.elapsed() < SOON, "it drips for ever");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

#[tokio::test]
async fn a_body_that_trickles_is_given_up() {
    let shop = Served::with(Limits { answer: Duration::from_millis(400), ..Limits::default() }).await;
    let office = shop.office().await;
    for head in [exchange_head(&office.token), "POST /v1/enrol HTTP/1.1\r\ncontent-type: application/json".to_owned()] {
        let (mut from, mut into) = TcpStream::connect(shop.address()).await.unwrap().into_split();
        into.write_all(format!("{head}\r\nhost: 127.0.0.1\r\ncontent-length: 1000\r\n\r\n").as_bytes()).await.unwrap();
        let trickle = tokio::spawn(async move {
            for _ in 0..1000 {
                if into.write_all(b" ").await.is_err() {
                    return;
                }
                tokio::time::sleep(Duration::from_millis(40)).await;
            }
        });
        read(&mut from).await.problem(408, Code::Internal);
        trickle.abort();
    }
}

#[tokio::test]
async fn a_connection_ends_in_time_however_lively_it_is() {
    let limits = Limits { connection: Duration::from_millis(400), last: Duration::from_millis(400), ..Limits::default() };
    let shop = Served::with(limits).await;
    let mut lively = TcpStream::connect(shop.address()).await.unwrap();
    let started = Instant::now();
    let mut part = [0; 4096];
    let mut answers = 0;
    while lively.write_all(HEALTH.as_bytes()).await.is_ok() && lively.read(&mut part).await.is_ok_and(|n| n > 0) {
        assert!(started.elapsed() < SOON, "it lives for ever");
        answers += 1;
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    assert!(answers > 2, "{answers}");

    // Whoever asks and asks and never reads an answer fills every buffer; the place comes back all the same.
    const ASKED: usize = 100_000;
    let (mut from, mut into) = TcpStream::connect(shop.address()).await.unwrap().into_split();
    let asking = tokio::spawn(async move {
        let _ = into.write_all(HEALTH.repeat(ASKED).as_bytes()).await;
        into
    });
    tokio::time::sleep(Duration::from_secs(2)).await;
    let answered = rest(&mut from).await.windows(13).filter(|w| w == b"HTTP/1.1 200 ").count();
    assert!(answered < ASKED, "all {answered} were answered");
    drop(asking.await.unwrap());
}

#[cfg(target_os = "linux")]
#[tokio::test]
async fn one_address_does_not_take_every_place() {
    let shop = Served::with(Limits { connections: 3, of_one_address: Some(2), ..Limits::default() }).await;
    let ask_from = async |own: &str| {
        let socket = TcpSocket::new_v4().unwrap();
        socket.bind(format!("{own}:0").parse().unwrap()).unwrap();
        let mut stream = socket.connect(shop.address()).await.unwrap();
        let _ = stream.write_all(HEALTH.as_bytes()).await;
        let mut part = [0; 4096];
        let n = tokio::time::timeout(SOON, stream.read(&mut part)).await.unwrap().unwrap_or(0);
        (stream, n > 0)
    };
    let (first, answered) = ask_from("127.0.0.1").await;
    assert!(answered);
    let (_second, answered) = ask_from("127.0.0.1").await;
    assert!(answered);
    assert!(!ask_from("127.0.0.1").await.1, "a third place of three");
    assert!(ask_from("127.0.0.2").await.1, "another address finds the place free");
    drop(first);
    let started = Instant::now();
    while !ask_from("127.0.0.1").await.1 {
        assert!(started.elapsed() < SOON, "a place given back is not given again");
    }
}

#[tokio::test]
async fn connections_beyond_the_most_wait_and_are_served_when_others_go() {
    let shop = Served::with(Limits { connections: 2, ..Limits::default() }).await;
    let first = TcpStream::connect(shop.address()).await.unwrap();
    let _second = TcpStream::connect(shop.address()).await.unwrap();
    tokio::time::sleep(Duration::from_millis(100)).await;
    let mut third = TcpStream::connect(shop.address()).await.unwrap();
    third.write_all(HEALTH.as_bytes()).await.unwrap();
    let mut part = [0; 4096];
    assert!(tokio::time::timeout(Duration::from_millis(300), third.read(&mut part)).await.is_err(), "served beyond the most");
    drop(first);
    assert!(tokio::time::timeout(SOON, third.read(&mut part)).await.unwrap().unwrap() > 0);
}

#[tokio::test]
async fn one_device_has_only_so_many_exchanges_under_way() {
    let shop = Served::with(Limits { exchanges_of_one: 1, ..Limits::default() }).await;
    let office = shop.office().await;
    let body = write_body(&office.book.outgoing().offer(&server::Clock::now(&*shop.clock)).unwrap(), false).unwrap();
    let head = exchange_head(&office.token);
    let mut first = TcpStream::connect(shop.address()).await.unwrap();
    let lengths = format!("{head}\r\nhost: 127.0.0.1\r\nconnection: close\r\ncontent-length: {}\r\n\r\n", body.len());
    first.write_all(lengths.as_bytes()).await.unwrap();
    first.write_all(&body[..10]).await.unwrap();
    tokio::time::sleep(Duration::from_millis(300)).await;
    let refused = over(shop.address(), &head, &body).await;
    refused.problem(429, Code::TooMany);
    assert_eq!(refused.headers["retry-after"], "1");
    first.write_all(&body[10..]).await.unwrap();
    assert_eq!(read(first).await.status.as_u16(), 200);
    assert_eq!(over(shop.address(), &head, &body).await.status.as_u16(), 200);
}

#[tokio::test]
async fn one_device_leaves_only_so_many_answers_unread() {
    let shop = Served::with(Limits { unread_of_one: 2, ..Limits::default() }).await;
    let mut office = shop.office().await;
    shop.exchange(&mut office).await;
    let picture = [&[0xff, 0xd8, 0xff, 0xe0][..], &vec![7; LARGEST_PICTURE - 4]].concat();
    let (now, device) = (server::Clock::now(&*shop.clock), office.book.identity().unwrap().device);
    let doc = fresh_doc(&now, device, &mut chance);
    let card = PropertyCard { name: "Court".to_owned(), address: String::new(), access: String::new(), season: None };
    let (sha256, size_bytes) = (sha256(&picture), picture.len() as u64);
    let photo = Photo { sha256, size_bytes, media_type: "image/jpeg".to_owned(), caption: String::new(), visit: None };
    office.book.write(vec![Draft::new(doc, card), Draft::new(doc, photo)], &now, &mut chance).unwrap();
    shop.exchange(&mut office).await;
    let head = |method: &str| {
        format!("{method} /v1/photos/{doc}/{sha256} HTTP/1.1\r\nauthorization: Bearer {}\r\ncontent-type: image/jpeg", office.token)
    };
    assert_eq!(over(shop.address(), &head("PUT"), &picture).await.status.as_u16(), 204);
    // Their answers have begun, and nobody reads on.
    let begun = async || {
        let mut stream = TcpStream::connect(shop.address()).await.unwrap();
        stream.write_all(format!("{}\r\nhost: 127.0.0.1\r\n\r\n", head("GET")).as_bytes()).await.unwrap();
        assert_eq!(stream.read(&mut [0; 64]).await.unwrap(), 64);
        stream
    };
    let (one, other) = (begun().await, begun().await);
    let refused = over(shop.address(), &head("GET"), b"").await;
    refused.problem(429, Code::TooMany);
    assert_eq!(refused.headers["retry-after"], "2");
    let body = write_body(&office.book.outgoing().offer(&now).unwrap(), false).unwrap();
    over(shop.address(), &exchange_head(&office.token), &body).await.problem(429, Code::TooMany);
    drop((one, other));
    let again = async {
        while over(shop.address(), &head("GET"), b"").await.body != picture {
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    };
    tokio::time::timeout(SOON, again).await.expect("a device that has gone holds nothing");
    assert_eq!(over(shop.address(), &exchange_head(&office.token), &body).await.status.as_u16(), 200);
}
