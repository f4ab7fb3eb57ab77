use shared::ids::DocId;
use shared::record::{Body, Person, RoleGrant};
use shared::role::Role;

use super::*;
use crate::book::enrol::Founding;
use crate::book::{Book, Draft};
use crate::store::Store;
use crate::sys::clock::ClockReading;

const MORNING: i64 = 1_780_300_000_000;

fn entropy() -> impl FnMut(&mut [u8]) {
    let mut n: u8 = 0;
    move |buffer: &mut [u8]| {
        for byte in buffer {
            n = n.wrapping_mul(31).wrapping_add(17);
            *byte = n;
        }
    }
}

fn shop_with_people(people: usize) -> (Book, DocId) {
    let mut chance = entropy();
    let mut book = Book::over(Store::in_memory().unwrap(), &mut chance).unwrap();
    let founding = Founding {
        shop: shared::record::ShopCard::usual("Test shop", "UTC"),
        office_name: "Office".into(),
        issuer: "http://127.0.0.1".into(),
    };
    book.found_shop(&founding, &ClockReading::at(MORNING), &mut chance).unwrap();
    let roster = book.identity().unwrap().root.shop.roster();
    more_people(&mut book, roster, people, &mut chance);
    (book, roster)
}

fn more_people(book: &mut Book, roster: DocId, people: usize, mut chance: &mut dyn FnMut(&mut [u8])) {
    let mut now = MORNING;
    for n in 0..people {
        now += 60_000;
        let person = crate::sys::rng::fresh_person(&ClockReading::at(now), &mut chance);
        let said: Vec<Body> =
            vec![Person { person, name: format!("Person {n}") }.into(), RoleGrant { person, role: Some(Role::Tech) }.into()];
        book.write(said.into_iter().map(|body| Draft::new(roster, body)).collect(), &ClockReading::at(now), &mut chance).unwrap();
    }
}

#[test]
fn what_moves_after_a_look_is_found_at_the_next() {
    let (mut book, roster) = shop_with_people(12);
    assert!(book.store.incarnation.is_some(), "a shop's book");
    let end = book.store.log().log_end().unwrap();
    assert_eq!([book.upkeep().tidy(9).unwrap(), book.upkeep().tidy(9).unwrap()], [1, 0]);
    assert_eq!(book.store.looked_through.get(), end);
    let mut n = 0;
    more_people(&mut book, roster, 12, &mut |buffer: &mut [u8]| {
        n += 1;
        buffer.fill(n);
    });
    assert_eq!([book.upkeep().tidy(9).unwrap(), book.upkeep().tidy(9).unwrap()], [1, 0]);
    let undone = book.store.atomically(|_| Err::<(), _>(StoreError::Full));
    assert!(undone.is_err() && book.store.looked_through.get() == 0, "after a step that was undone, all is looked through again");
}

#[test]
fn tidying_changes_no_change_and_no_row_and_ends() {
    let (book, roster) = shop_with_people(12);
    let num = book.store().documents().document(roster).unwrap().unwrap().num;
    let changes = |book: &Book| book.store().log().changes_of(num).unwrap().into_iter().map(|logged| logged.recipe).collect::<Vec<_>>();
    let segments = |book: &Book| book.store().log().segments_of(num).unwrap().iter().map(|segment| segment.pos).collect::<Vec<_>>();
    let (before, positions) = (changes(&book), segments(&book));
    assert_eq!(book.upkeep().tidy(9).unwrap(), 1);
    assert_eq!(changes(&book), before);
    let (last, kept) = (&positions[positions.len() - KEPT - 1..], segments(&book));
    assert_eq!(kept, last, "the newest segments stay where they were, and the others stand where the last of them stood");
    assert_eq!(book.upkeep().tidy(9).unwrap(), 0);
    assert!(book.upkeep().vacuum().unwrap() && !book.upkeep().vacuum().unwrap());
    assert_eq!(book.verify().unwrap().faults, Vec::<String>::new());
}

#[test]
fn what_the_shop_does_not_hold_or_nobody_has_proved_is_left_alone() {
    let (book, roster) = shop_with_people(12);
    let num = book.store().documents().document(roster).unwrap().unwrap().num;
    let third = book.store().log().segments_of(num).unwrap()[3].pos;
    for sql in ["UPDATE segments SET at_shop = 0 WHERE pos = ?1", "UPDATE segments SET at_shop = 1, verified = 0 WHERE pos = ?1"] {
        book.store().connection.execute(sql, [signed(third)]).unwrap();
        book.upkeep().tidy(9).unwrap();
        assert!(book.store().log().segments_of(num).unwrap().iter().any(|segment| segment.pos == third), "{sql}");
        assert_eq!(book.verify().unwrap().faults, Vec::<String>::new());
    }
}
