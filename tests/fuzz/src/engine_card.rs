//! A file of engine cards, as an office takes it in.

use std::collections::BTreeSet;

use shared::engine_card::EngineCard;
use shared::engine_card::file::{self, Change, Settled};
use shared::ids::{CardId, DocId, PersonId, RecordId};
use shared::length::Length;
use shared::record::{Clearance, ClockEvidence, LARGEST_RECORD, Record, Stage};
use shared::verdict;

/// Files for a first corpus.
#[must_use]
pub fn seeds() -> Vec<Vec<u8>> {
    let card = tests::engine_card();
    let full = EngineCard { past_tdc: Some(Length::from_thou(250)), ..card.clone() };
    let bare = EngineCard { name: "Bare".into(), card: CardId::from_bytes([1; 16]), source: None, adjuster: None, ..card.clone() };
    let nameless = file::write(std::slice::from_ref(&card)).replace(&format!("\"card\": \"{}\",", card.card), "");
    let nought = EngineCard { past_tdc: Some(Length::ZERO), ..card.clone() };
    let escape = EngineCard { name: "a\u{1b}[2J".into(), ..card.clone() };
    let files = [vec![card], vec![full, bare], vec![nought], vec![escape]].map(|cards| file::write(&cards));
    let files = files.into_iter().chain([nameless]);
    let table = "name,cylinders,intake_low_thou,intake_high_thou,exhaust_low_mm,exhaust_high_mm,commercial_h,homeowner_months,thread,rocker,\
                 rocker_ratio,manual,page\n'=A,2,4,6,0.13,0.18,100,12,pitch 1.000 mm,rocker-stud-nut,1.3,Invented,3\n";
    files.map(String::into_bytes).chain([table.as_bytes().to_vec()]).collect()
}

/// The bytes are the file.
pub fn once(bytes: &[u8]) {
    let Ok((listed, _)) = file::read_either(bytes) else { return };
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
        let words = [Some(&card.name), card.source.as_ref().map(|s| &s.manual), card.source.as_ref().map(|s| &s.page)];
        assert!(words.iter().flatten().all(|words| words.len() <= file::LONGEST_WORDS && !words.contains(char::is_control)));
        assert!(card.past_tdc.is_none_or(|length| Length::ZERO < length && length <= file::LONGEST));
        never_judged_without_a_source(card);
        let record = Record {
            id: RecordId::from_bytes([1; 16]),
            doc: DocId::from_bytes([2; 16]),
            by: PersonId::from_bytes([3; 16]),
            measured_by: None,
            at_ms: 0,
            clock: ClockEvidence::default(),
            seen: Vec::new(),
            body: card.clone().into(),
        };
        let bytes = record.encode().expect("a card of a file is a record");
        assert!(bytes.len() < LARGEST_RECORD - 1_024, "a record with room for its envelope");
        assert_eq!(Record::decode(&bytes), Ok(record));
    }
}

fn never_judged_without_a_source(card: &EngineCard) {
    let clearance = Clearance {
        valve: "1I".parse().expect("a valve"),
        stage: Stage::Found,
        go: card.intake.map(|range| range.low),
        no_go: card.intake.map(|range| range.high),
        leaves: Vec::new(),
        cold: true,
        engine_tenth_c: None,
        adjusted: false,
        visit: None,
    };
    let judged = verdict::judge_on_card(&clearance, card).is_settled();
    assert!(card.source.is_some() || !judged, "judged against a card without a source");
}
