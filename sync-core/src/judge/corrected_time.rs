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

    /// It is no earlier than this, ms since 1970 UTC.
    #[must_use]
    pub const fn earliest_ms(self) -> i64 {
        self.ms.saturating_sub(self.uncertainty_ms)
    }

    /// It is no later than this, ms since 1970 UTC.
    #[must_use]
    pub const fn latest_ms(self) -> i64 {
        self.ms.saturating_add(self.uncertainty_ms)
    }
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

/// The corrected time of a record, before anything that it has seen is considered. Never later than its arrival.
///
/// `entered_ms`: its document is no older than this, ms since 1970 UTC; `None` where nothing tells.
#[must_use]
pub fn correct(record: &Record, receipt: Option<&Receipt>, entered_ms: Option<i64>) -> Corrected {
    match evidence(&record.clock) {
        Some(said) => by_evidence(record.at_ms, said, receipt),
        None => by_facts(record, receipt, entered_ms),
    }
}

/// By the device's own evidence: its clock has not stepped since the shop was last asked.
///
/// Where the evidence and the shop's measure of the same clock contradict each other, one of them is false or the clock was set in
/// between: the evidence still counts, as uncertain as the two are apart.
fn by_evidence(at_ms: i64, said: (i64, i64), receipt: Option<&Receipt>) -> Corrected {
    let apart = receipt.filter(|r| r.of_writer).and_then(|receipt| contradiction(said, receipt));
    let (offset, uncertainty) = said;
    let (offset, uncertainty) = without_small(offset, apart.map_or(uncertainty, |apart| uncertainty.max(apart)));
    let ms = at_ms.saturating_add(offset);
    Corrected { ms: receipt.map_or(ms, |r| ms.min(r.at_ms)), uncertainty_ms: uncertainty, in_doubt: apart.is_some() }
}

/// Of a clock that may have been set or restarted: it may have been right or not, and may have been set again before the shop could
/// measure it. The record is no older than the device's last contact and its document, and no younger than its arrival. What the clock
/// says counts where that leaves room for it, and the middle of the room where not; either is as uncertain as the room is wide.
fn by_facts(record: &Record, receipt: Option<&Receipt>, entered_ms: Option<i64>) -> Corrected {
    let (skew, off) = receipt.filter(|r| r.of_writer).map_or((0, IGNORED_OFFSET_MS), |r| (r.skew_ms, r.uncertainty_ms));
    let (skew, off) = without_small(skew, off);
    let said = record.at_ms.saturating_add(skew);
    let upper = receipt.map(|r| r.at_ms);
    let lower = record.clock.contact_ms.into_iter().chain(entered_ms).filter(|lower| upper.is_none_or(|upper| *lower <= upper)).max();
    let early = lower.is_some_and(|lower| said < lower.saturating_sub(off));
    let late = upper.is_some_and(|upper| said > upper.saturating_add(off));
    let ms = match (lower, upper) {
        (Some(lower), Some(upper)) if early || late => lower + (upper - lower) / 2,
        _ => said.min(upper.unwrap_or(i64::MAX)).max(lower.unwrap_or(i64::MIN)),
    };
    // With nothing to bound it below, a clock shown to be ahead may have been so all along.
    let before = lower.map_or_else(|| said.saturating_sub(ms).max(0), |lower| ms.saturating_sub(lower));
    let after = upper.map_or(0, |upper| upper.saturating_sub(ms));
    Corrected { ms, uncertainty_ms: off.max(before).max(after), in_doubt: early || late }
}

/// An offset that counts as none makes the time as much less certain.
const fn without_small(offset_ms: i64, uncertainty_ms: i64) -> (i64, i64) {
    if offset_ms.abs() < IGNORED_OFFSET_MS { (0, uncertainty_ms.saturating_add(offset_ms.abs())) } else { (offset_ms, uncertainty_ms) }
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
        ClockEvidence { offset_ms: Some(offset), uncertainty_ms, stepped: false, .. } => {
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
    pub fn measured(sent: &crate::sys::clock::ClockReading, back: &crate::sys::clock::ClockReading, shop_ms: i64) -> Self {
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
    pub fn evidence(&self, now: &crate::sys::clock::ClockReading) -> ClockEvidence {
        let since = now.steady_ms.saturating_sub(self.steady_ms);
        let moved = now.wall_ms.saturating_sub(self.wall_ms).saturating_sub(since);
        let stepped = now.boot != self.boot || since < 0 || moved.abs() > STEP_MS;
        let drift = since.max(0) / 1_000_000 * DRIFT_PPM;
        ClockEvidence {
            offset_ms: Some(self.offset_ms),
            contact_ms: Some(self.wall_ms.saturating_add(self.offset_ms).max(0)),
            uncertainty_ms: Some(self.uncertainty_ms.saturating_add(drift)),
            stepped,
        }
    }
}

#[cfg(test)]
mod tests;
