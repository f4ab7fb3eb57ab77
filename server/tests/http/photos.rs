//! The bytes of photos: who may send them, what is refused, who may see them, and that half a picture is never there.

use std::time::Duration;

use axum::body::Body;
use axum::http::{Method, StatusCode, header};
use server::Limits;
use shared::bytes::Bytes32;
use shared::ids::DocId;
use shared::picture::LARGEST_PICTURE;
use shared::problem::Code;
use shared::record::{Body as Stated, Photo, Void};
use shared::role::Role;
use sync_core::book::pictures::{Pictures, sha256};

use crate::browser::Browser;
use crate::support::{Answer, Device, World, asked, chance};

const JPEG: &[u8] = b"\xff\xd8\xff\xe0 an invented meter";
const PNG: &[u8] = b"\x89PNG\r\n\x1a\n an invented plate";

fn noted(bytes: &[u8]) -> Stated {
    let (sha256, size_bytes) = (sha256(bytes), bytes.len() as u64);
    Photo { sha256, size_bytes, media_type: "image/jpeg".to_owned(), caption: "hour meter".to_owned(), visit: None }.into()
}

fn at(doc: DocId, hash: Bytes32) -> String {
    format!("/v1/photos/{doc}/{hash}")
}

async fn put(world: &World, path: &str, token: &str, bytes: &[u8]) -> Answer {
    world.send(asked(Method::PUT, path, token).body(Body::from(bytes.to_vec())).unwrap()).await
}

/// A shop with a machine, and a tech who looks after it and has noted some pictures there.
async fn yard(pictures: &[&[u8]]) -> (World, Device, Device, DocId) {
    let world = World::new();
    let mut office = world.office().await;
    let (property, machine) = world.machine(&mut office, "A-12").await;
    let mut ben = world.join(&mut office, "Ben", Role::Tech, Some(property)).await;
    ben.state(&world, machine, pictures.iter().map(|bytes| noted(bytes)).collect());
    (world, office, ben, machine)
}

#[tokio::test]
async fn a_picture_is_sent_once_its_record_is_there_and_twice_is_once() {
    let (world, office, mut ben, machine) = yard(&[JPEG, PNG]).await;
    let path = at(machine, sha256(JPEG));
    let early = put(&world, &path, &ben.token, JPEG).await.problem(404, Code::NotFound);
    assert!(early.detail.contains("Exchange first"), "{}", early.detail);
    ben.level(&world).await;
    world.get(&path, &office.token).await.problem(404, Code::NotFound);
    for _ in 0..2 {
        let answer = put(&world, &path, &ben.token, JPEG).await;
        assert_eq!((answer.status, answer.body.len()), (StatusCode::NO_CONTENT, 0));
    }
    let seen = world.get(&path, &office.token).await;
    assert_eq!((seen.status, seen.body.as_slice()), (StatusCode::OK, JPEG));
    let says = |name: header::HeaderName| seen.headers[name].to_str().unwrap().to_owned();
    assert_eq!(says(header::CONTENT_TYPE), "image/jpeg");
    assert_eq!(says(header::X_CONTENT_TYPE_OPTIONS), "nosniff");
    assert_eq!(says(header::CACHE_CONTROL), "private, max-age=31536000, immutable");
    assert_eq!(says(header::ETAG), format!("\"{}\"", sha256(JPEG)));
    // The type is told by the bytes, whatever the record says.
    put(&world, &at(machine, sha256(PNG)), &ben.token, PNG).await;
    assert_eq!(world.get(&at(machine, sha256(PNG)), &ben.token).await.headers[header::CONTENT_TYPE], "image/png");

    let known = asked(Method::GET, &path, &ben.token).header(header::IF_NONE_MATCH, says(header::ETAG)).body(Body::empty()).unwrap();
    let known = world.send(known).await;
    assert_eq!((known.status, known.body.len()), (StatusCode::NOT_MODIFIED, 0));
    let head = world.send(asked(Method::HEAD, &path, &ben.token).body(Body::empty()).unwrap()).await;
    assert_eq!((head.status, head.body.len(), head.headers[header::ETAG].clone()), (StatusCode::OK, 0, seen.headers[header::ETAG].clone()));
}

#[tokio::test]
async fn what_is_not_that_picture_is_refused_and_leaves_nothing() {
    let text: &[u8] = b"a text file named plate.jpg";
    let (world, _, mut ben, machine) = yard(&[JPEG, text]).await;
    ben.level(&world).await;
    let path = at(machine, sha256(JPEG));
    put(&world, &path, &ben.token, PNG).await.problem(400, Code::BodyInvalid);
    put(&world, &path, &ben.token, b"").await.problem(415, Code::Unreadable);
    put(&world, &at(machine, sha256(text)), &ben.token, text).await.problem(415, Code::Unreadable);
    let mut large = JPEG.to_vec();
    large.resize(LARGEST_PICTURE + 1, 0);
    put(&world, &path, &ben.token, &large).await.problem(413, Code::TooLarge);
    for wrong in ["A0".repeat(32), "a0".repeat(31), "..".to_owned(), "shop.db".to_owned()] {
        put(&world, &format!("/v1/photos/{machine}/{wrong}"), &ben.token, JPEG).await.problem(404, Code::NotFound);
    }
    put(&world, &format!("/v1/photos/A-12/{}", sha256(JPEG)), &ben.token, JPEG).await.problem(404, Code::DocumentClosed);
    assert!(!world.folder.path().join("photos").exists());
}

#[tokio::test]
async fn the_largest_picture_is_taken() {
    let mut large = JPEG.to_vec();
    large.resize(LARGEST_PICTURE, 0);
    let (world, _, mut ben, machine) = yard(&[&large]).await;
    ben.level(&world).await;
    let path = at(machine, sha256(&large));
    assert_eq!(put(&world, &path, &ben.token, &large).await.status, StatusCode::NO_CONTENT);
    assert_eq!(world.get(&path, &ben.token).await.body, large);
}

#[tokio::test]
async fn whoever_may_not_see_the_machine_may_neither_send_nor_see_its_photos() {
    let (world, mut office, mut ben, machine) = yard(&[JPEG]).await;
    ben.level(&world).await;
    let path = at(machine, sha256(JPEG));
    put(&world, &path, &ben.token, JPEG).await;
    let helper = world.join(&mut office, "Dov", Role::Helper, None).await;
    put(&world, &path, &helper.token, JPEG).await.problem(404, Code::DocumentClosed);
    world.get(&path, &helper.token).await.problem(404, Code::DocumentClosed);
    // A device of another shop: its token is no token here.
    let elsewhere = World::new();
    let stranger = elsewhere.office().await;
    put(&world, &path, &stranger.token, JPEG).await.problem(401, Code::TokenInvalid);
    put(&world, &path, "", JPEG).await.problem(401, Code::TokenInvalid);
    world.get(&path, "").await.problem(401, Code::TokenInvalid);
}

#[tokio::test]
async fn a_hash_known_from_elsewhere_opens_no_picture() {
    let (world, mut office, mut ben, machine) = yard(&[JPEG]).await;
    ben.level(&world).await;
    put(&world, &at(machine, sha256(JPEG)), &ben.token, JPEG).await;
    // A helper elsewhere has seen the hash, and notes it in a machine of their own.
    let (yard, own) = world.machine(&mut office, "B-7").await;
    let mut helper = world.join(&mut office, "Dov", Role::Helper, Some(yard)).await;
    helper.state(&world, own, vec![noted(JPEG)]);
    helper.level(&world).await;
    let path = at(own, sha256(JPEG));
    for method in [Method::GET, Method::HEAD] {
        let request = asked(method, &path, &helper.token).header(header::IF_NONE_MATCH, "*").body(Body::empty()).unwrap();
        assert_eq!(world.send(request).await.status, StatusCode::NOT_FOUND);
    }
    put(&world, &path, &helper.token, PNG).await.problem(400, Code::BodyInvalid);
    world.get(&path, &helper.token).await.problem(404, Code::NotFound);
    // The office's page of that machine does not say that the picture came, either.
    let mut browser = Browser::of(&world, &office, &office).await;
    assert!(!browser.page(&world, &format!("/office/machines/{own}")).await.html.contains("<img"));
    // Who has the picture sends it, though the shop has it of another machine, and it is shown in both.
    assert_eq!(put(&world, &path, &helper.token, JPEG).await.status, StatusCode::NO_CONTENT);
    assert_eq!(world.get(&path, &helper.token).await.body, JPEG);
    assert_eq!(world.get(&at(machine, sha256(JPEG)), &ben.token).await.body, JPEG);
}

#[tokio::test]
async fn a_photo_that_was_taken_back_is_served_no_more() {
    let (world, office, mut ben, machine) = yard(&[JPEG]).await;
    ben.level(&world).await;
    let path = at(machine, sha256(JPEG));
    put(&world, &path, &ben.token, JPEG).await;
    let target = ben.book.photos().own().unwrap()[0].record;
    ben.state(&world, machine, vec![Void { target, reason: "wrong machine".to_owned() }.into()]);
    ben.level(&world).await;
    for answer in [world.get(&path, &office.token).await, put(&world, &path, &ben.token, JPEG).await] {
        assert!(answer.problem(404, Code::NotFound).detail.contains("undone"));
    }
    // Nothing is deleted.
    assert!(Pictures::of_shop(&world.folder.path().join("shop.db")).has(machine, sha256(JPEG)));
}

#[tokio::test]
async fn one_device_sends_so_many_at_once_and_a_body_that_never_ends_holds_no_more() {
    let (world, _, mut ben, machine) = yard(&[JPEG]).await;
    ben.level(&world).await;
    let path = at(machine, sha256(JPEG));
    let endless = || {
        let body = Body::from_stream(futures_util::stream::pending::<Result<Vec<u8>, std::io::Error>>());
        tokio::spawn(tower::ServiceExt::oneshot(world.router.clone(), asked(Method::PUT, &path, &ben.token).body(body).unwrap()))
    };
    let mut under_way = [endless(), endless(), endless()].into_iter().collect::<futures_util::stream::FuturesUnordered<_>>();
    let refused = futures_util::StreamExt::next(&mut under_way).await.unwrap().unwrap().unwrap();
    assert_eq!((refused.status(), under_way.len()), (StatusCode::TOO_MANY_REQUESTS, 2));
    assert!(refused.headers().contains_key(header::RETRY_AFTER));
    put(&world, &path, &ben.token, JPEG).await.problem(429, Code::TooMany);
    // Those that are over make room.
    under_way.iter().for_each(tokio::task::JoinHandle::abort);
    while futures_util::StreamExt::next(&mut under_way).await.is_some() {}
    assert_eq!(put(&world, &path, &ben.token, JPEG).await.status, StatusCode::NO_CONTENT);
}

#[tokio::test]
async fn a_picture_may_take_longer_than_any_other_request_and_not_for_ever() {
    let answer = Duration::from_millis(600);
    let world = World::bounded(Box::new(chance), Limits { answer, ..Limits::default() });
    let mut office = world.office().await;
    let (_, machine) = world.machine(&mut office, "A-12").await;
    office.state(&world, machine, vec![noted(JPEG)]);
    office.level(&world).await;
    let endless = Body::from_stream(futures_util::stream::pending::<Result<Vec<u8>, std::io::Error>>());
    let started = std::time::Instant::now();
    let request = asked(Method::PUT, &at(machine, sha256(JPEG)), &office.token).body(endless).unwrap();
    world.send(request).await.problem(408, Code::Internal);
    let took = started.elapsed();
    assert!(took >= answer * 3 && took < answer * 10, "{took:?}");
}

#[tokio::test]
async fn the_office_sees_the_picture_on_the_machines_page_and_says_where_only_the_record_came() {
    let (world, office, mut ben, machine) = yard(&[JPEG, PNG]).await;
    ben.level(&world).await;
    put(&world, &at(machine, sha256(JPEG)), &ben.token, JPEG).await;
    let mut browser = Browser::of(&world, &office, &office).await;
    let page = browser.page(&world, &format!("/office/machines/{machine}")).await;
    assert!(page.headers[header::CONTENT_SECURITY_POLICY].to_str().unwrap().contains("img-src 'self'"));
    let picture = format!("/office/photos/{machine}/{}", sha256(JPEG));
    assert!(page.html.contains(&format!("<a href=\"{picture}\"><img src=\"{picture}\" alt=\"Photo: hour meter\"")), "{}", page.html);
    assert_eq!(page.html.matches("<img").count(), 1);
    assert!(page.words().contains("The picture is not here yet"), "{}", page.words());
    let request = browser.asks(Method::GET, &picture).body(Body::empty()).unwrap();
    let answer = world.send(request).await;
    assert_eq!((answer.status, answer.body.as_slice()), (StatusCode::OK, JPEG));
    assert_eq!(answer.headers[header::CACHE_CONTROL], "private, max-age=31536000, immutable");
    assert_eq!(answer.headers[header::X_CONTENT_TYPE_OPTIONS], "nosniff");
    // Not here yet, not noted, and not signed in.
    for missing in [sha256(PNG), sha256(b"nothing")] {
        let request = browser.asks(Method::GET, &format!("/office/photos/{machine}/{missing}")).body(Body::empty()).unwrap();
        assert_eq!(world.send(request).await.status, StatusCode::NOT_FOUND);
    }
    let nobody = world.send(Browser::default().asks(Method::GET, &picture).body(Body::empty()).unwrap()).await;
    assert_eq!((nobody.status, nobody.headers.contains_key(header::ETAG)), (StatusCode::SEE_OTHER, false));
}
