//! A panic in the middle of a step of the shop: nothing of the step is kept, and the next one is really committed.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use shared::record::ShopCard;
use sync_core::book::Book;
use sync_core::book::enrol::Founding;
use sync_core::server::{OpenedShop, SharedBook};
use sync_core::sys::clock::ClockReading;
use tests::MORNING_MS;

#[test]
fn a_panic_undoes_its_step_and_no_other() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("shop.db");
    let founding = Founding { shop: ShopCard::usual("Shop", "UTC"), office_name: "Office".into(), issuer: "http://127.0.0.1".into() };
    let now = ClockReading::at(MORNING_MS);
    // Draws until the source breaks; a negative number never comes down to nought.
    let left = Arc::new(AtomicI64::new(-1));
    let draws = Arc::clone(&left);
    let source = move |buffer: &mut [u8]| {
        assert_ne!(draws.fetch_sub(1, Ordering::SeqCst), 0, "the source of randomness broke");
        getrandom::fill(buffer).unwrap();
    };
    let OpenedShop { shop, first_code } = SharedBook::open(&path, &founding, &now, Box::new(source)).unwrap();
    let mut entropy = |buffer: &mut [u8]| getrandom::fill(buffer).unwrap();
    let device = Book::open(&folder.path().join("device.db"), &mut entropy).unwrap();
    let request = device.enrol_request(&first_code.unwrap(), "phone", &now, &mut entropy).unwrap();
    left.store(0, Ordering::SeqCst);
    assert!(
        catch_unwind(AssertUnwindSafe(|| shop.write(|book, entropy| book.admit_device(&request, &now, entropy)))).is_err(),
        "the step must break"
    );
    left.store(-1, Ordering::SeqCst);
    let answer = shop.write(|book, entropy| book.admit_device(&request, &now, entropy)).map_err(|_| "refused").unwrap();
    drop(shop);
    let again = Book::open(&path, &mut entropy).unwrap();
    assert!(again.roster().unwrap().devices.contains_key(&request.device), "what was answered was committed");
    assert_eq!(again.roster().unwrap().name(answer.person), "Office");
    assert_eq!(again.verify().unwrap().faults, Vec::<String>::new());
}
