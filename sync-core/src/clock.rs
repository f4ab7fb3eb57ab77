//! Corrected time: when a record was written, as well as the evidence lets us say.
//!
//! The device's clock is evidence, never trusted and never a reason to refuse.

use shared::ids::DeviceId;
use shared::record::{ClockEvidence, Record};

/// Offsets below this count as none: phones drift that much, and nobody's reading should win by it.
pub const IGNORED_OFFSET_MS: i64 = 120_000;

/// A time and how far off it may be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Corrected {
    /// Shop time, ms since 1970 UTC.
    pub ms: i64,
    /// It may be off by so much either way, in ms.
    pub uncertainty_ms: i64,
    /// What the device said of its clock and what the shop measured contradict each other.
    pub in_doubt: bool,
}

impl Corrected {
    /// No time at all: of a record that is not there.
    pub const NONE: Self = Self { ms: 0, uncertainty_ms: 0, in_doubt: false };
}

/// What the shop measured when a record arrived.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Receipt {
    /// Shop time of arrival.
    pub at_ms: i64,
    /// Shop time minus the bringing device's time.
    pub skew_ms: i64,
    /// How far off that skew may be.
    pub uncertainty_ms: i64,
    /// The skew is of the clock that the record was written by.
    pub of_writer: bool,
    /// The office let the record in from quarantine.
    pub released: bool,
}

impl Receipt {
    /// What was measured of a device's own clock, at a time of the shop's.
    #[must_use]
    pub const fn measured(at_ms: i64, skew_ms: i64, uncertainty_ms: i64) -> Self {
        Self { at_ms, skew_ms, uncertainty_ms, of_writer: true, released: false }
    }

    /// The receipt as it counts for a record that one device wrote and another brought: the skew that was measured is
    /// the bringing device's, and says nothing of the clock that the record was written by.
    #[must_use]
    pub fn of_record(self, written_on: DeviceId, brought_by: DeviceId) -> Self {
        if written_on == brought_by { self } else { Self { skew_ms: 0, uncertainty_ms: IGNORED_OFFSET_MS, of_writer: false, ..self } }
    }
}

/// The corrected time of a record, before anything that it has seen is considered.
///
/// The device's own evidence where its clock is known not to have stepped; else the skew measured on arrival; else the
/// wall clock as it is. Never later than the arrival.
///
/// Where the device's evidence and the shop's measure of the same clock contradict each other, one of them is false or the clock was
/// set in between: the evidence still counts, as uncertain as the two are apart.
#[must_use]
pub fn correct(record: &Record, receipt: Option<&Receipt>) -> Corrected {
    let said = evidence(&record.clock);
    let (offset, uncertainty) = said.or_else(|| receipt.map(|r| (r.skew_ms, r.uncertainty_ms))).unwrap_or((0, IGNORED_OFFSET_MS));
    let apart = said.zip(receipt.filter(|r| r.of_writer)).and_then(|(said, receipt)| contradiction(said, receipt));
    let uncertainty = apart.map_or(uncertainty, |apart| uncertainty.max(apart));
    let (offset, uncertainty) =
        if offset.abs() < IGNORED_OFFSET_MS { (0, uncertainty.saturating_add(offset.abs())) } else { (offset, uncertainty) };
    let ms = record.at_ms.saturating_add(offset);
    let ms = receipt.map_or(ms, |r| ms.min(r.at_ms));
    Corrected { ms, uncertainty_ms: uncertainty, in_doubt: apart.is_some() }
}

/// How far a device's word on its clock and the shop's measure of it may be apart at most, where they are further apart than both
/// may be off, and than clocks drift unnoticed.
fn contradiction((offset_ms, uncertainty_ms): (i64, i64), receipt: &Receipt) -> Option<i64> {
    let apart = offset_ms.saturating_sub(receipt.skew_ms).saturating_abs();
    let allowed = uncertainty_ms.saturating_add(receipt.uncertainty_ms).max(IGNORED_OFFSET_MS);
    (apart > allowed).then(|| apart.saturating_add(receipt.uncertainty_ms))
}

fn evidence(clock: &ClockEvidence) -> Option<(i64, i64)> {
    match clock {
        ClockEvidence { offset_ms: Some(offset), uncertainty_ms, stepped: false } => {
            Some((*offset, uncertainty_ms.unwrap_or(IGNORED_OFFSET_MS)))
        }
        _ => None,
    }
}

/// What a device knows of its clock now, from its last contact with the shop.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Contact {
    /// Shop time minus device wall time at that contact, in ms.
    pub offset_ms: i64,
    /// Half of the round trip, in ms.
    pub uncertainty_ms: i64,
    /// Device wall clock then.
    pub wall_ms: i64,
    /// Device steady clock then.
    pub steady_ms: i64,
    /// Which boot the steady clock belongs to.
    pub boot: shared::bytes::Bytes16,
}

/// A wall clock that moves against the steady clock by more than this has been set by hand, or by the network.
const STEP_MS: i64 = 2_000;
/// A steady clock may drift from the shop's by so many parts in a million.
const DRIFT_PPM: i64 = 100;

impl Contact {
    /// The contact measured by one request: sent and answered by the device's clocks, answered at by the shop's.
    #[must_use]
    pub fn measured(sent: &crate::moment::Moment, back: &crate::moment::Moment, shop_ms: i64) -> Self {
        let round_trip = back.steady_ms.saturating_sub(sent.steady_ms).max(0);
        let middle = back.wall_ms.saturating_sub(round_trip / 2);
        Self {
            offset_ms: shop_ms.saturating_sub(middle),
            uncertainty_ms: round_trip / 2 + 1,
            wall_ms: back.wall_ms,
            steady_ms: back.steady_ms,
            boot: back.boot,
        }
    }

    /// The evidence that goes into a record written now.
    #[must_use]
    pub fn evidence(&self, now: &crate::moment::Moment) -> ClockEvidence {
        let since = now.steady_ms.saturating_sub(self.steady_ms);
        let moved = now.wall_ms.saturating_sub(self.wall_ms).saturating_sub(since);
        let stepped = now.boot != self.boot || since < 0 || moved.abs() > STEP_MS;
        let drift = since.max(0) / 1_000_000 * DRIFT_PPM;
        ClockEvidence { offset_ms: Some(self.offset_ms), uncertainty_ms: Some(self.uncertainty_ms.saturating_add(drift)), stepped }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moment::Moment;
    use shared::bytes::Bytes16;
    use shared::ids::{DocId, PersonId, RecordId};
    use shared::record::{Body, Note};

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

    #[test]
    fn own_evidence_first_then_the_arrival_then_the_wall_clock() {
        let hour = 3_600_000;
        let known = ClockEvidence { offset_ms: Some(hour), uncertainty_ms: Some(50), stepped: false };
        let receipt = Receipt::measured(100 * hour, -hour, 70);
        assert_eq!(correct(&written(10 * hour, known), Some(&receipt)).ms, 11 * hour);
        let stepped = ClockEvidence { stepped: true, ..known };
        assert_eq!(correct(&written(10 * hour, stepped), Some(&receipt)).ms, 9 * hour);
        assert_eq!(correct(&written(10 * hour, ClockEvidence::default()), None).ms, 10 * hour);
    }

    #[test]
    fn the_clock_of_whoever_carried_it_says_nothing() {
        let (writer, carrier) = (DeviceId::from_bytes([8; 16]), DeviceId::from_bytes([9; 16]));
        let receipt = Receipt::measured(9_000_000, -3_600_000, 70);
        let record = written(8_000_000, ClockEvidence::default());
        assert_eq!(correct(&record, Some(&receipt.of_record(writer, writer))).ms, 4_400_000);
        let carried = correct(&record, Some(&receipt.of_record(writer, carrier)));
        assert_eq!(carried, Corrected { ms: 8_000_000, uncertainty_ms: IGNORED_OFFSET_MS, in_doubt: false });
        assert_eq!(correct(&written(9_500_000, ClockEvidence::default()), Some(&receipt.of_record(writer, carrier))).ms, 9_000_000);
    }

    #[test]
    fn never_later_than_the_arrival_and_small_offsets_are_none() {
        let receipt = Receipt::measured(5_000_000, 0, 70);
        assert_eq!(correct(&written(9_000_000, ClockEvidence::default()), Some(&receipt)).ms, 5_000_000);
        let small = ClockEvidence { offset_ms: Some(-119_999), uncertainty_ms: Some(5), stepped: false };
        assert_eq!(correct(&written(9_000_000, small), None), Corrected { ms: 9_000_000, uncertainty_ms: 120_004, in_doubt: false });
    }

    #[test]
    fn a_moved_wall_clock_or_a_restart_is_a_step() {
        let boot = Bytes16([1; 16]);
        let contact =
            Contact::measured(&Moment { wall_ms: 1_000, steady_ms: 50, boot }, &Moment { wall_ms: 1_200, steady_ms: 250, boot }, 61_100);
        assert_eq!((contact.offset_ms, contact.uncertainty_ms), (60_000, 101));
        let later = Moment { wall_ms: 11_200, steady_ms: 10_250, boot };
        assert!(!contact.evidence(&later).stepped);
        assert!(contact.evidence(&Moment { wall_ms: 20_000, ..later }).stepped);
        assert!(contact.evidence(&Moment { boot: Bytes16([2; 16]), ..later }).stepped);
    }
}
