use proptest::prelude::*;
use shared::bytes::Bytes16;
use shared::ids::{DocId, PersonId, RecordId};
use shared::record::{Body, Note};

use super::*;
use crate::sys::clock::ClockReading;

fn written(at_ms: i64, clock: ClockEvidence) -> Record {
    Record {
        id: RecordId::from_bytes([1; 16]),
        doc: DocId::from_bytes([2; 16]),
        by: PersonId::from_bytes([3; 16]),
        measured_by: None,
        at_ms,
        clock,
        seen: vec![],
        body: Body::Note(Note { text: "x".into(), visit: None }),
    }
}

const HOUR: i64 = 3_600_000;

fn unknown(contact_ms: Option<i64>) -> ClockEvidence {
    ClockEvidence { stepped: true, offset_ms: Some(0), contact_ms, uncertainty_ms: Some(50) }
}

#[test]
fn own_evidence_first_then_the_arrival_then_the_wall_clock() {
    let known = ClockEvidence { offset_ms: Some(HOUR), uncertainty_ms: Some(50), ..ClockEvidence::default() };
    let receipt = Receipt::measured(100 * HOUR, -HOUR, 70);
    assert_eq!(correct(&written(10 * HOUR, known), Some(&receipt), None).ms, 11 * HOUR);
    let stepped = ClockEvidence { stepped: true, ..known };
    assert_eq!(correct(&written(10 * HOUR, stepped), Some(&receipt), None).ms, 9 * HOUR);
    assert_eq!(correct(&written(10 * HOUR, ClockEvidence::default()), None, None).ms, 10 * HOUR);
}

#[test]
fn the_clock_of_a_carrier_says_nothing() {
    let (writer, carrier) = (DeviceId::from_bytes([8; 16]), DeviceId::from_bytes([9; 16]));
    let receipt = Receipt::measured(9_000_000, -HOUR, 70);
    let record = written(8_000_000, ClockEvidence::default());
    assert_eq!(correct(&record, Some(&receipt.of_record(writer, writer)), None).ms, 4_400_000);
    let carried = correct(&record, Some(&receipt.of_record(writer, carrier)), None);
    assert_eq!(carried, Corrected { ms: 8_000_000, uncertainty_ms: 1_000_000, in_doubt: false });
    assert_eq!(correct(&written(9_500_000, ClockEvidence::default()), Some(&receipt.of_record(writer, carrier)), None).ms, 9_000_000);
}

/// Set right before the exchange, a clock that was flat says at its arrival that it is right.
#[test]
fn a_clock_that_says_what_cannot_be_tells_nothing() {
    let receipt = Receipt::measured(110 * HOUR, 0, 70);
    let room = Corrected { ms: 105 * HOUR, uncertainty_ms: 5 * HOUR, in_doubt: true };
    for said in [-8_000 * HOUR, 99 * HOUR, 112 * HOUR, 9_000 * HOUR] {
        assert_eq!(correct(&written(said, unknown(Some(100 * HOUR))), Some(&receipt), None), room, "{said}");
        assert_eq!(correct(&written(said, unknown(Some(20 * HOUR))), Some(&receipt), Some(100 * HOUR)), room, "{said}");
    }
    // Within the room it counts, as uncertain as the room is wide.
    let within = Corrected { ms: 102 * HOUR, uncertainty_ms: 8 * HOUR, in_doubt: false };
    assert_eq!(correct(&written(102 * HOUR, unknown(Some(100 * HOUR))), Some(&receipt), None), within);
    // A last contact after the arrival is no word to go by.
    assert_eq!(correct(&written(102 * HOUR, unknown(Some(200 * HOUR))), Some(&receipt), Some(100 * HOUR)), within);
    // Before it arrives it is no older than the last contact; with nothing to go by, it is off by what it is shown to be.
    let here = correct(&written(3 * HOUR, unknown(Some(100 * HOUR))), None, None);
    assert_eq!(here, Corrected { ms: 100 * HOUR, uncertainty_ms: IGNORED_OFFSET_MS, in_doubt: true });
    let ahead = correct(&written(150 * HOUR, unknown(None)), Some(&receipt), None);
    assert_eq!(ahead, Corrected { ms: 110 * HOUR, uncertainty_ms: 40 * HOUR, in_doubt: true });
}

#[test]
fn never_later_than_the_arrival_and_small_offsets_are_none() {
    let receipt = Receipt::measured(5_000_000, 0, 70);
    assert_eq!(correct(&written(9_000_000, ClockEvidence::default()), Some(&receipt), None).ms, 5_000_000);
    let small = ClockEvidence { offset_ms: Some(-119_999), uncertainty_ms: Some(5), ..ClockEvidence::default() };
    assert_eq!(correct(&written(9_000_000, small), None, None), Corrected { ms: 9_000_000, uncertainty_ms: 120_004, in_doubt: false });
}

#[test]
fn a_moved_wall_clock_or_a_restart_is_a_step() {
    let boot = Bytes16([1; 16]);
    let contact = Contact::measured(
        &ClockReading { wall_ms: 1_000, steady_ms: 50, boot },
        &ClockReading { wall_ms: 1_200, steady_ms: 250, boot },
        61_100,
    );
    assert_eq!((contact.offset_ms, contact.uncertainty_ms), (60_000, 101));
    let later = ClockReading { wall_ms: 11_200, steady_ms: 10_250, boot };
    assert!(!contact.evidence(&later).stepped);
    assert_eq!(contact.evidence(&later).contact_ms, Some(61_200));
    assert!(contact.evidence(&ClockReading { wall_ms: 20_000, ..later }).stepped);
    assert!(contact.evidence(&ClockReading { boot: Bytes16([2; 16]), ..later }).stepped);
}

proptest! {
    /// However a clock was set before a record was written and again before it arrived, and whose phone brought it: the truth lies in
    /// what is said of its time.
    #[test]
    fn the_time_of_a_record_is_never_said_more_surely_than_it_is_known(
        (contact_h, entered_h) in (prop::option::of(0..100_i64), prop::option::of(0..100_i64)),
        (until_written_h, until_arrival_h) in (0..200_i64, 0..200_i64),
        (off_when_written_h, off_at_arrival_h, carried) in (-9_000..9_000_i64, -9_000..9_000_i64, any::<bool>()),
    ) {
        let from_h = contact_h.max(entered_h).unwrap_or(0);
        let truth_ms = (from_h + until_written_h) * HOUR;
        let arrived_ms = truth_ms + until_arrival_h * HOUR;
        let clock = ClockEvidence { contact_ms: contact_h.map(|h| h * HOUR), ..unknown(None) };
        let record = written(truth_ms + off_when_written_h * HOUR, clock);
        let measured = Receipt::measured(arrived_ms, -off_at_arrival_h * HOUR, 70);
        let receipt = if carried { Receipt { skew_ms: 0, uncertainty_ms: IGNORED_OFFSET_MS, of_writer: false, ..measured } } else { measured };
        let time = correct(&record, Some(&receipt), entered_h.map(|h| h * HOUR));
        prop_assert!(time.ms <= arrived_ms);
        if contact_h.is_some() || entered_h.is_some() {
            prop_assert!((time.earliest_ms()..=time.latest_ms()).contains(&truth_ms), "{time:?}, and it was {truth_ms}");
        }
    }
}
