//! The bytes of a photo on their way from a phone on the façade to the shop, and everything that may become of them.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

mod common;

use shared::problem::{Code, Problem};
use sync_core::book::photo::{STAYS_MS, Whereabouts};
use sync_core::book::pictures::sha256;
use sync_core::store::MetaKey;

use common::shop;

const JPEG: &[u8] = b"\xff\xd8\xff\xe0 an invented meter";

fn refusal(code: Code, status: u16) -> Vec<u8> {
    serde_json::to_vec(&Problem::new(code, status, "No.")).unwrap()
}

#[test]
fn a_photo_goes_to_the_shop_after_its_record_and_its_bytes_stay_a_week() {
    let mut shop = shop();
    let (machine, mut kit) = (shop.machine, shop.phone(0));
    shop.enrol(&mut kit);
    let known: Option<Vec<serde_json::Value>> = kit.book().store().meta(&MetaKey::new("photos")).unwrap();
    assert_eq!(known, Some(vec![]), "a new device's book is never looked through for photos");
    shop.level(&mut kit);
    let (record, hash) = kit.add_photo(machine, JPEG, "meter").unwrap();
    assert_eq!(hash, sha256(JPEG));
    let due = kit.photos_due().unwrap();
    assert_eq!((due.len(), due[0].photo.record, due[0].ready), (1, record, false));
    shop.level(&mut kit);
    assert!(kit.photos_due().unwrap()[0].ready);
    let call = kit.photo_call(machine, hash, JPEG).unwrap();
    assert_eq!((call.method, &*call.path), ("PUT", &*format!("/v1/photos/{machine}/{hash}")));
    assert!(call.headers.iter().any(|(name, value)| *name == "content-type" && value == "image/jpeg"));
    let (status, body) = shop.serve(&call);
    assert_eq!(kit.photo_let_go(machine, hash).unwrap_err().code(), "role-may-not");
    kit.photo_sent(machine, hash, status, &body).unwrap();
    assert_eq!((shop.pictures.as_slice(), kit.photos_due().unwrap()), ([JPEG.to_vec()].as_slice(), vec![]));
    assert!(matches!(kit.own_photos().unwrap()[0].photo.bytes, Whereabouts::AtShop { .. }));
    assert_eq!(kit.photos_to_let_go().unwrap(), vec![]);
    shop.world.0.lock().unwrap().0 += STAYS_MS;
    assert_eq!(kit.photos_to_let_go().unwrap().len(), 1);
    kit.photo_let_go(machine, hash).unwrap();
    assert_eq!(kit.own_photos().unwrap(), vec![]);
}

#[test]
fn a_refusal_is_tried_again_or_not_by_what_it_is() {
    let mut shop = shop();
    let (machine, mut kit) = (shop.machine, shop.phone(0));
    shop.enrol(&mut kit);
    shop.level(&mut kit);
    let (_, hash) = kit.add_photo(machine, JPEG, "").unwrap();
    shop.level(&mut kit);
    let mut refused = |status, body: &[u8]| {
        let code = kit.photo_sent(machine, hash, status, body).unwrap_err().code();
        let due = kit.photos_due().unwrap();
        (code, due.len(), due.first().is_some_and(|due| due.ready))
    };
    assert_eq!(refused(502, b"<html>"), ("shop-away", 1, true));
    assert_eq!(refused(429, &refusal(Code::TooMany, 429)), ("too-many", 1, true));
    assert_eq!(refused(404, &refusal(Code::DocumentClosed, 404)), ("document-closed", 1, false));
    assert_eq!(refused(413, &refusal(Code::TooLarge, 413)), ("too-large", 0, false));
    let own = kit.own_photos().unwrap();
    assert_eq!(own[0].photo.bytes, Whereabouts::Stopped { code: Code::TooLarge });
    assert_eq!(own[0].stopped.as_deref(), Some("Larger than agreed."));
}

#[test]
fn bytes_that_are_gone_or_spoilt_are_said_and_not_tried_for_ever() {
    let mut shop = shop();
    let (machine, mut kit) = (shop.machine, shop.phone(0));
    shop.enrol(&mut kit);
    shop.level(&mut kit);
    let other = [JPEG, b"!"].concat();
    let (_, gone) = kit.add_photo(machine, JPEG, "").unwrap();
    let (_, spoilt) = kit.add_photo(machine, &other, "").unwrap();
    shop.level(&mut kit);
    kit.photo_gone(machine, gone).unwrap();
    assert_eq!(kit.photo_call(machine, spoilt, &other[..20]).unwrap_err().code(), "given-unreadable");
    assert_eq!(kit.photos_due().unwrap(), vec![]);
    assert!(kit.own_photos().unwrap().iter().all(|photo| matches!(&photo.photo.bytes, Whereabouts::Stopped { code: Code::PhotoGone })));
}

#[test]
fn what_the_shop_does_not_take_is_not_noted() {
    let mut shop = shop();
    let (machine, mut kit) = (shop.machine, shop.phone(0));
    shop.enrol(&mut kit);
    shop.level(&mut kit);
    let mut large = JPEG.to_vec();
    large.resize(shared::picture::LARGEST_PICTURE + 1, 0);
    for bytes in [b"a text".as_slice(), &large] {
        let error = kit.add_photo(machine, bytes, "").unwrap_err();
        assert_eq!(error.code(), "entry-invalid");
        assert!(error.sentence().ends_with("Nothing was kept."), "{}", error.sentence());
    }
    assert_eq!((kit.photos_due().unwrap(), kit.status().unwrap().level.unwrap().waiting), (vec![], 0));
}
