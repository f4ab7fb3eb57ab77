//! How the engine's own structures become the records that cross to the other language, and back.

use shared::adjuster::{self, Way};
use shared::bytes::Bytes32;
use shared::hours::Hours;
use shared::ids::RecordId;
use shared::leaf::Feeler;
use shared::length::{self, Length};
use shared::record::FindingKind;
use shared::verdict;
use shared::wire::EnrolAnswer;
use sync_core::book::photo::{OwnPhoto, Whereabouts};
use sync_core::commands::{FinishOutcome, HoursOutcome, ReadingEntry, ReadingOutcome, Tried, VisitEntry, VisitOutcome};
use sync_core::sync::bundle;
use sync_core::sync::{RefusedLine, Report};
use tappet_kit::{KitError, KitStatus};

use crate::asking::given;
use crate::plain::{
    BundleMade, BundleTaken, Call, Enrolled, Exchanged, Finished, Grade, HoursKept, LeafTried, Leaves, LengthRead, LengthUnit, LogIn,
    Moved, NewReading, NewVisit, NextLeaf, PhotoKept, PhotoOf, ReadingKept, Refused, Salvaged, Stage, Turn, TurnRange, Verdict,
    VisitOpened,
};
use crate::status::{KeysAtRest, Status};

const fn count(n: usize) -> u64 {
    n as u64
}

fn lengths(given: &[i64]) -> Vec<Length> {
    given.iter().copied().map(Length::from_tenth_um).collect()
}

fn tenths(lengths: &[Length]) -> Vec<i64> {
    lengths.iter().map(|length| length.tenth_um()).collect()
}

/// Two enumerations that mean the same, each way.
macro_rules! same {
    ($ours:ident, $theirs:path, $($variant:ident),+) => {
        impl From<$ours> for $theirs {
            fn from(one: $ours) -> Self {
                match one { $($ours::$variant => Self::$variant),+ }
            }
        }

        impl From<$theirs> for $ours {
            fn from(one: $theirs) -> Self {
                match one { $(<$theirs>::$variant => Self::$variant),+ }
            }
        }
    };
}

same!(Stage, shared::record::Stage, Found, Set, Left);
same!(LengthUnit, length::LengthUnit, Thou, Inch, Mm);
same!(Grade, FindingKind, Watch, Hold);
same!(LogIn, tappet_kit::LogIn, Done, Again);
same!(KeysAtRest, tappet_kit::KeysAtRest, Clear, Sealed, Locked);

impl From<verdict::Verdict> for Verdict {
    fn from(verdict: verdict::Verdict) -> Self {
        match verdict {
            verdict::Verdict::InSpec => Self::InSpec,
            verdict::Verdict::Tight => Self::Tight,
            verdict::Verdict::Loose => Self::Loose,
            verdict::Verdict::NotSettled(_) => Self::NotSettled,
        }
    }
}

impl From<tappet_kit::Call> for Call {
    fn from(call: tappet_kit::Call) -> Self {
        let headers = call.headers.into_iter().map(|(name, value)| (name.to_owned(), value)).collect();
        Self { method: call.method.to_owned(), path: call.path.into_owned(), headers, body: call.body }
    }
}

impl From<KitStatus> for Status {
    fn from(status: KitStatus) -> Self {
        let level = status.level.as_ref();
        Self {
            enrolled: status.enrolled,
            shop: level.map(|level| level.shop.clone()),
            person: level.map(|level| level.person.clone()),
            role: level.and_then(|level| level.role).map(|role| role.name().to_owned()),
            measures: level.is_some_and(|level| level.measures),
            signs_off: level.is_some_and(|level| level.signs_off),
            time_zone: level.map(|level| level.time_zone.clone()),
            server: level.map(|level| level.server.clone()),
            machines: level.map_or(0, |level| count(level.machines)),
            records: level.map_or(0, |level| level.records),
            waiting: level.map_or(0, |level| level.waiting),
            photos_waiting: count(status.photos_waiting),
            oldest_waiting_ms: level.and_then(|level| level.oldest_waiting_ms),
            quarantined: level.map_or(0, |level| count(level.quarantined)),
            unverified: level.map_or(0, |level| count(level.unverified)),
            last_exchange_ms: level.and_then(|level| level.last_exchange_ms),
            clock_offset_ms: level.and_then(|level| level.clock_offset_ms),
            now_ms: status.now_ms,
            mark: status.mark,
            keys: status.keys.into(),
        }
    }
}

impl From<EnrolAnswer> for Enrolled {
    fn from(answer: EnrolAnswer) -> Self {
        Self { shop: answer.shop_name, person: answer.person_name, role: answer.role.map(|role| role.name().to_owned()) }
    }
}

fn refusals(lines: Vec<RefusedLine>) -> Vec<Refused> {
    let refused = |line: RefusedLine| Refused {
        doc: line.doc.to_string(),
        record: line.record.map(|record| record.to_string()),
        code: line.code.name().to_owned(),
        sentence: line.detail,
    };
    lines.into_iter().map(refused).collect()
}

impl From<Report> for Exchanged {
    fn from(report: Report) -> Self {
        Self {
            more: report.more,
            taken: count(report.taken),
            received: count(report.received),
            refused: refusals(report.refused),
            healed: count(report.healed),
            shop_restored: report.shop_restored,
        }
    }
}

impl From<tappet_kit::Moved> for Moved {
    fn from(moved: tappet_kit::Moved) -> Self {
        let documents = moved.documents.iter().map(ToString::to_string).collect();
        Self { mark: moved.mark, everything: moved.everything, documents }
    }
}

impl From<bundle::Made> for BundleMade {
    fn from(made: bundle::Made) -> Self {
        Self { bundles: made.bundles, documents: count(made.documents), unsent: count(made.unsent) }
    }
}

impl From<bundle::Salvaged> for Salvaged {
    fn from(saved: bundle::Salvaged) -> Self {
        let bundle::Salvaged { bundles, documents, changes, quarantined, unreadable } = saved;
        let [documents, changes, quarantined, unreadable] = [documents, changes, quarantined, unreadable].map(count);
        Self { bundles, documents, changes, quarantined, unreadable }
    }
}

impl From<bundle::Taken> for BundleTaken {
    fn from(taken: bundle::Taken) -> Self {
        Self { taken: count(taken.taken), held: count(taken.held), refused: refusals(taken.refused), saved: count(taken.saved) }
    }
}

impl From<tappet_kit::Leaves> for Leaves {
    fn from(leaves: tappet_kit::Leaves) -> Self {
        let tappet_kit::Leaves { own, set, words, unit, inches } = leaves;
        Self { own, leaves_tenth_um: tenths(set.leaves()), words, unit: unit.into(), inches }
    }
}

impl From<tappet_kit::LengthRead> for LengthRead {
    fn from(read: tappet_kit::LengthRead) -> Self {
        Self { tenth_um: read.length.tenth_um(), inches: read.inches }
    }
}

impl From<LeafTried> for Tried {
    fn from(tried: LeafTried) -> Self {
        let thickness = Length::from_tenth_um(tried.thickness_tenth_um);
        let leaves = if tried.leaves_tenth_um.is_empty() { vec![thickness] } else { lengths(&tried.leaves_tenth_um) };
        Self { feeler: Feeler { thickness, leaves }, goes: tried.goes }
    }
}

/// The leaf to try next, said in a unit.
pub(crate) fn next_leaf(leaf: &verdict::NextLeaf, unit: length::LengthUnit) -> NextLeaf {
    NextLeaf {
        words: leaf.feeler.words(unit),
        thickness_tenth_um: leaf.feeler.thickness.tenth_um(),
        leaves_tenth_um: tenths(&leaf.feeler.leaves),
        settles: leaf.settles,
        if_enters: leaf.if_enters.into(),
        if_refused: leaf.if_refused.into(),
    }
}

/// What a reading means, said in a unit.
pub(crate) fn reading_kept(outcome: ReadingOutcome, unit: length::LengthUnit) -> ReadingKept {
    ReadingKept {
        record: outcome.record.to_string(),
        visit: outcome.visit.map(|visit| visit.to_string()),
        bracket: outcome.bracket_words,
        judged: outcome.judged.map(Into::into),
        verdict: outcome.verdict,
        next: outcome.next,
        next_leaf: outcome.next_leaf.map(|leaf| next_leaf(&leaf, unit)),
        turn: outcome.turn.map(|range| TurnRange { least: turn(range.least), most: turn(range.most) }),
        contested: outcome.contested,
        doubt: outcome.doubt,
    }
}

fn turn(turn: adjuster::Turn) -> Turn {
    Turn {
        degrees_milli: turn.degrees_milli,
        sixths_hundredth: turn.sixths_hundredth,
        closes: turn.closes,
        clockwise: turn.right_hand == Way::Clockwise,
    }
}

impl NewReading {
    /// # Errors
    /// Where the valve is none.
    pub(crate) fn entry(&self) -> Result<ReadingEntry, KitError> {
        Ok(ReadingEntry {
            valve: given(&self.valve, "valve, as in 1I or 2E")?,
            stage: self.stage.into(),
            go: self.go_tenth_um.map(Length::from_tenth_um),
            no_go: self.no_go_tenth_um.map(Length::from_tenth_um),
            leaves: lengths(&self.leaves_tenth_um),
            adjusted: self.adjusted,
            cold: self.cold,
        })
    }
}

impl From<NewVisit> for VisitEntry {
    fn from(visit: NewVisit) -> Self {
        Self {
            cold: visit.cold,
            engine_tenth_c: visit.engine_tenth_c,
            cautions_confirmed: visit.cautions_confirmed,
            purpose: visit.purpose,
            meter: visit.meter_tenth_h.map(Hours::from_tenths),
        }
    }
}

impl From<HoursOutcome> for HoursKept {
    fn from(outcome: HoursOutcome) -> Self {
        Self { record: outcome.record.to_string(), doubt: outcome.doubt }
    }
}

impl From<VisitOutcome> for VisitOpened {
    fn from(outcome: VisitOutcome) -> Self {
        Self {
            visit: outcome.visit.to_string(),
            hours: outcome.hours.map(Into::into),
            also_open: count(outcome.also_open),
            holds: outcome.holds.into_iter().map(|hold| hold.what).collect(),
        }
    }
}

impl From<(RecordId, Bytes32)> for PhotoKept {
    fn from((record, sha256): (RecordId, Bytes32)) -> Self {
        Self { record: record.to_string(), sha256: sha256.to_string() }
    }
}

impl From<OwnPhoto> for PhotoOf {
    fn from(photo: OwnPhoto) -> Self {
        let let_go_ms = photo.let_go_ms();
        let (at_shop, stopped) = match photo.bytes {
            Whereabouts::Here => (None, None),
            Whereabouts::AtShop { since_ms, .. } => (Some(since_ms), None),
            Whereabouts::Stopped { code } => (None, Some(format!("{}.", code.title()))),
        };
        Self {
            record: photo.record.to_string(),
            doc: photo.doc.to_string(),
            sha256: photo.sha256.to_string(),
            size_bytes: photo.size_bytes,
            caption: photo.caption,
            at_shop_since_ms: at_shop,
            let_go_ms,
            stopped,
        }
    }
}

impl From<FinishOutcome> for Finished {
    fn from(outcome: FinishOutcome) -> Self {
        Self { record: outcome.record.to_string(), visit: outcome.visit.to_string(), complete: outcome.complete, open: outcome.open }
    }
}
