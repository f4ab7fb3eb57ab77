//! Start-up and stop, and the server over a real socket.

use std::sync::Arc;

use server::{Clock, Limits, ServerError, SystemClock, start};
use shared::ids::PropertyId;
use shared::problem::Code;
use shared::record::{Body as Stated, Note, PropertyCard};
use shared::wire::{ExchangeAnswer, LARGEST_BODY};
use sync_core::book::Draft;
use sync_core::sync::{read_body, write_body};
use sync_core::sys::rng::fresh_doc;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

use crate::support::{Device, HandClock, chance, config};
use crate::wire::{Served, exchange_head, log_in, over, read};

#[tokio::test]
async fn a_whole_round_over_the_wire_and_the_issuer_outlives_the_port() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("deep/shop");
    let clock = Arc::new(SystemClock::new().unwrap());
    let running = start(config(&data), clock.clone()).await.unwrap();
    let address = running.address;
    assert_ne!(address.port(), 0);
    assert!(!format!("{running:?}").contains(running.first_code.as_deref().unwrap()));
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        assert_eq!(std::fs::metadata(&data).unwrap().permissions().mode() & 0o777, 0o700);
    }

    let mut desk = Device::blank();
    let request = desk.book.enrol_request(running.first_code.as_deref().unwrap(), "desk", &clock.now(), &mut chance).unwrap();
    let json = serde_json::to_vec(&request).unwrap();
    let answer = over(address, "POST /v1/enrol HTTP/1.1\r\ncontent-type: application/json", &json).await;
    let url = running.url();
    desk.book.enrolled(&answer.json(), &url).unwrap();
    assert_eq!(desk.book.identity().unwrap().issuer, url);

    let token = log_in(&desk, address, &*clock).await;
    let sent_at = clock.now();
    let head = exchange_head(&token);
    let packed = format!("{head}\r\ncontent-encoding: zstd\r\naccept-encoding: zstd");
    let answer = over(address, &packed, &write_body(&desk.book.outgoing().offer(&sent_at).unwrap(), true).unwrap()).await;
    let answer: ExchangeAnswer = read_body(&answer.body, true).unwrap();
    assert!(desk.book.peer().take_answer(&sent_at, &answer, &clock.now(), &mut chance).unwrap().received >= 1);
    // Announced endless: refused once it is too large, not once it ends.
    let mut endless = TcpStream::connect(address).await.unwrap();
    endless
        .write_all(format!("{head}\r\nhost: 127.0.0.1\r\nconnection: close\r\ncontent-length: 1099511627776\r\n\r\n").as_bytes())
        .await
        .unwrap();
    let _ = endless.write_all(&vec![0; LARGEST_BODY + 1]).await;
    let refused = tokio::time::timeout(std::time::Duration::from_secs(10), read(endless)).await.unwrap();
    refused.problem(413, Code::TooLarge);

    // A second server must not have the same book.
    let second = start(config(&data), clock.clone()).await.unwrap_err();
    assert!(matches!(second, ServerError::Book(_)) && second.to_string().contains("another program"), "{second}");

    running.shutdown().await;
    assert!(TcpStream::connect(address).await.is_err());

    // Another port, and nothing said about the shop: it is the same shop, under the same issuer.
    let mut bare = server::Config::new(&data);
    bare.listen = "127.0.0.1:0".parse().unwrap();
    let again = start(bare, clock.clone()).await.unwrap();
    assert!(again.first_code.is_none());
    assert_ne!(again.address, address);
    log_in(&desk, again.address, &*clock).await;
    again.shutdown().await;
    let found = server::lifecycle::verify(&config(&data)).unwrap();
    assert!(found.faults.is_empty() && found.records > 0, "{found:?}");
}

#[tokio::test]
async fn what_cannot_be_started_leaves_no_book_behind() {
    let folder = tempfile::tempdir().unwrap();
    let clock = Arc::new(HandClock::default());
    let mut open = config(folder.path());
    open.listen = "0.0.0.0:0".parse().unwrap();
    assert!(start(open, clock.clone()).await.unwrap_err().to_string().contains("--behind-tls-proxy"));
    let mut nameless = config(folder.path());
    nameless.shop_name = None;
    let refused = start(nameless, clock.clone()).await.unwrap_err();
    assert!(matches!(&refused, ServerError::Config(why) if why.contains("--shop-name")), "{refused}");
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let mut busy = config(folder.path());
    busy.listen = taken.local_addr().unwrap();
    assert!(matches!(start(busy, clock.clone()).await.unwrap_err(), ServerError::Address { .. }));
    assert!(!folder.path().join("shop.db").exists());
    assert!(matches!(server::lifecycle::verify(&config(folder.path())), Err(ServerError::NoBook(_))));
    assert!(!folder.path().join("shop.db").exists());

    std::fs::write(folder.path().join("shop.db"), b"a shopping list, and surely no database of any kind").unwrap();
    let refused = start(config(folder.path()), clock).await.unwrap_err();
    assert!(matches!(refused, ServerError::Book(_)), "{refused}");
    assert!(std::fs::read(folder.path().join("shop.db")).unwrap().starts_with(b"a shopping list"));
}

#[tokio::test]
async fn what_is_no_request_does_no_harm_and_a_request_under_way_is_finished() {
    let folder = tempfile::tempdir().unwrap();
    let running = start(config(folder.path()), Arc::new(HandClock::default())).await.unwrap();
    let address = running.address;
    let mut noise = TcpStream::connect(address).await.unwrap();
    noise.write_all(b"\x16\x03\x01 not http at all\r\n\r\n").await.unwrap();
    assert_eq!(read(noise).await.status.as_u16(), 400);
    let long = format!("GET /health HTTP/1.1\r\nx-long: {}", "a".repeat(600_000));
    assert_eq!(over(address, &long, b"").await.status.as_u16(), 431);

    // Half sent when the stop comes, the rest after it.
    let mut half = TcpStream::connect(address).await.unwrap();
    half.write_all(b"POST /v1/enrol HTTP/1.1\r\nhost: 127.0.0.1\r\ncontent-type: application/json\r\ncontent-length: 2\r\n\r\n{")
        .await
        .unwrap();
    tokio::time::sleep(std::time::Duration::from_millis(100)).await;
    let stopping = tokio::spawn(running.shutdown());
    tokio::time::sleep(std::time::Duration::from_millis(100)).await;
    assert!(TcpStream::connect(address).await.is_err());
    half.write_all(b"}").await.unwrap();
    read(half).await.problem(400, Code::Unreadable);
    stopping.await.unwrap();
}

#[tokio::test(start_paused = true)]
async fn who_never_finishes_asking_is_shown_out() {
    let folder = tempfile::tempdir().unwrap();
    let running = start(config(folder.path()), Arc::new(HandClock::default())).await.unwrap();
    let mut sleeper = TcpStream::connect(running.address).await.unwrap();
    sleeper.write_all(b"GET /health HTTP/1.1\r\nhost:").await.unwrap();
    // Time runs ahead while nothing else happens: the limit comes before the hour does.
    let mut left = Vec::new();
    tokio::time::timeout(std::time::Duration::from_secs(3600), sleeper.read_to_end(&mut left)).await.unwrap().unwrap();
    running.shutdown().await;
}

/// A page of the database and its head in the log.
const LOGGED_PAGE: u64 = 4096 + 24;

#[tokio::test]
async fn the_log_of_the_book_is_copied_beside_the_answers() {
    let served = Served::with(Limits::default()).await;
    let mut desk = served.office().await;
    served.exchange(&mut desk).await;
    for n in 0..10 {
        let now = served.clock.now();
        let property = PropertyId(fresh_doc(&now, desk.book.identity().unwrap().device, &mut chance).0);
        let card = PropertyCard { name: format!("Court {n}"), address: String::new(), access: String::new(), season: None };
        let note = || {
            let mut noise = [0; 1_950];
            chance(&mut noise);
            Stated::from(Note { text: noise.iter().map(|byte| format!("{byte:02x}")).collect(), visit: None })
        };
        let said: Vec<Stated> = std::iter::once(card.into()).chain(std::iter::repeat_with(note).take(1_000)).collect();
        for some in said.chunks(500) {
            let drafts = some.iter().map(|body| Draft::new(property.doc(), body.clone())).collect();
            desk.book.write(drafts, &now, &mut chance).unwrap();
        }
        served.exchange(&mut desk).await;
        // One device brings no more than so much in a day.
        served.clock.on(86_400_000);
        desk.token = log_in(&desk, served.address(), &*served.clock).await;
    }
    // Ten such days make some 10,000 pages, and the exchanges by themselves copy them at 16,384.
    let pages = served.log_bytes() / LOGGED_PAGE;
    assert!((1_000..7_000).contains(&pages), "{pages} pages");
    served.running.shutdown().await;
}

#[tokio::test]
async fn a_dropped_server_stops() {
    let folder = tempfile::tempdir().unwrap();
    let running = start(config(folder.path()), Arc::new(HandClock::default())).await.unwrap();
    let address = running.address;
    drop(running);
    for _ in 0..100 {
        if TcpStream::connect(address).await.is_err() {
            return;
        }
        tokio::time::sleep(std::time::Duration::from_millis(20)).await;
    }
    panic!("it still listens");
}
