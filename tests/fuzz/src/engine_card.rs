//! A file of engine cards, as an office takes it in.

use std::collections::BTreeSet;

use shared::engine_card::EngineCard;
use shared::engine_card::file::{self, Change, Settled};
use shared::ids::{CardId, DocId, PersonId, RecordId};
use shared::record::{Body, ClockEvidence, LARGEST_RECORD, Record};

/// Files for a first corpus.
#[must_use]
pub fn seeds() -> Vec<Vec<u8>> {
    let card = tests::engine_card();
    let full = EngineCard { past_tdc: Some(shared::length::Length::from_thou(250)), ..card.clone() };
    let bare = EngineCard { name: "Bare".into(), card: CardId::from_bytes([1; 16]), source: None, adjuster: None, ..card.clone() };
    let nameless = file::write(std::slice::from_ref(&card)).replace(&format!("\"card\": \"{}\",", card.card), "");
    let files = [file::write(std::slice::from_ref(&card)), file::write(&[full, bare]), nameless];
    files.map(String::into_bytes).to_vec()
}

/// The bytes are the file.
pub fn once(bytes: &[u8]) {
    let Ok(listed) = file::read(bytes) else { return };
    assert!((1..=file::MOST_CARDS).contains(&listed.len()));
    let known = [tests::engine_card()];
    let mut drawn = 0_u128;
    let fresh = || {
        drawn += 1;
        CardId(uuid::Uuid::from_u128(drawn << 64))
    };
    let Ok(settled) = file::settle(listed, &known, fresh) else { return };
    let cards: Vec<EngineCard> = settled.iter().map(|one| one.card.clone()).collect();
    cards_can_be(&cards);
    // What is written of them is read, and changes nothing among themselves.
    let again = file::read(file::write(&cards).as_bytes()).expect("what is written is read");
    let again = file::settle(again, &cards, || unreachable!("a written file names every id")).expect("and settled");
    assert_eq!(again, cards.into_iter().map(|card| Settled { card, change: Change::Same }).collect::<Vec<_>>());
}

fn cards_can_be(cards: &[EngineCard]) {
    let ids: BTreeSet<CardId> = cards.iter().map(|card| card.card).collect();
    let names: BTreeSet<String> = cards.iter().map(|card| card.name.trim().to_lowercase()).collect();
    assert_eq!((ids.len(), names.len()), (cards.len(), cards.len()), "each card once");
    for card in cards {
        card.check().expect("a card of a file can be");
        assert!(!card.name.contains(char::is_control));
        let record = Record {
            id: RecordId::from_bytes([1; 16]),
            doc: DocId::from_bytes([2; 16]),
            by: PersonId::from_bytes([3; 16]),
            measured_by: None,
            at_ms: 0,
            clock: ClockEvidence::default(),
            seen: Vec::new(),
            body: Body::EngineCard(card.clone()),
        };
        let bytes = record.encode().expect("a card of a file is a record");
        assert!(bytes.len() < LARGEST_RECORD - 1_024, "a record with room for its envelope");
        assert_eq!(Record::decode(&bytes), Ok(record));
    }
}
