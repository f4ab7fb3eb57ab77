//! A machine's history: every record in a line, with what became of it.

use std::collections::BTreeMap;

use serde::Serialize;
use shared::ids::{DocId, RecordId};
use shared::length::LengthUnit;
use shared::record::{Body, Decision, FindingKind};
use shared::text::count;

use super::bounds::cut;
use super::short;
use crate::engine::BookError;
use crate::judge::ledger::Ledger;
use crate::judge::roster::Roster;
use crate::judge::standing::Standing;
use crate::queries::MachineReader;

/// What became of a record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Fate {
    /// It stands.
    Stands,
    /// It contends with the one that stands, or agrees with it.
    Contends,
    /// Something later has seen and replaced it, or it fell out of the window.
    Replaced,
    /// It does not stand by itself.
    Aside,
    /// It was taken back.
    Voided,
    /// It needs a newer program to be understood.
    NotUnderstood,
}

impl Fate {
    /// The fate in a word or two.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Stands => "stands",
            Self::Contends => "contends",
            Self::Replaced => "replaced",
            Self::Aside => "not used",
            Self::Voided => "undone",
            Self::NotUnderstood => "not understood",
        }
    }
}

/// A record in a line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct HistoryLine {
    /// Which.
    pub record: RecordId,
    /// How people name it.
    pub short: String,
    /// Its kind.
    pub kind: String,
    /// Corrected time, ms since 1970 UTC.
    pub at_ms: i64,
    /// Who stated it.
    pub by: String,
    /// What it says, in words.
    pub words: String,
    /// What became of it.
    pub fate: Fate,
    /// The shop of this epoch is known to hold it.
    pub at_shop: bool,
}

/// What a record says, in words.
#[must_use]
pub fn describe(body: &Body, unit: LengthUnit, roster: &Roster) -> String {
    match body {
        Body::Clearance(b) => {
            let bracket = b.bracket().map_or_else(|_| "no reading".to_owned(), |bracket| bracket.show(unit));
            let warm = if b.cold { "" } else { ", cold not confirmed" };
            let adjusted = if b.adjusted { ", adjuster turned" } else { "" };
            format!("{} {}: {bracket}{warm}{adjusted}", b.valve, b.stage)
        }
        Body::Hours(b) => format!("hour meter {} h", b.meter),
        Body::MeterChange(b) => {
            let when = b.changed_ms.map_or_else(String::new, |ms| format!(" on {}", roster.local(ms)));
            format!("hour meter changed{when}: old one at {} h, new one from {} h", b.old, b.new)
        }
        Body::Visit(b) => {
            let purpose = if b.purpose.is_empty() { String::new() } else { format!(": {}", b.purpose) };
            let begun = if b.resumes.is_some() { "gone on with" } else { "opened" };
            format!("visit {begun}, engine {}{purpose}", if b.cold { "cold" } else { "not cold" })
        }
        Body::SignOff(b) => {
            let how = if b.complete { "complete" } else { "with something left open" };
            let remark = if b.remark.is_empty() { String::new() } else { format!(": {}", b.remark) };
            format!("visit finished, {how}{remark}")
        }
        Body::Finding(b) => format!("{}: {}", if b.grade == FindingKind::Hold { "HOLD, do not run" } else { "finding" }, b.what),
        Body::FindingCleared(b) => format!("finding {} cleared: {}", short(&b.finding), b.how),
        Body::Note(b) => format!("note: {}", b.text),
        Body::Photo(b) => format!("photo {} ({} bytes, {})", &b.sha256.to_string()[..8], b.size_bytes, b.media_type),
        Body::Void(b) => format!("undoes {}: {}", short(&b.target), b.reason),
        Body::Ruling(b) => {
            let decision = match b.decision {
                Decision::Stands(id) => format!("{} stands", short(&id)),
                Decision::Recheck => "measure again".to_owned(),
            };
            let reason = if b.reason.is_empty() { String::new() } else { format!(" ({})", b.reason) };
            format!("ruling on {}: {decision}{reason}", b.slot.words())
        }
        Body::Arrival(b) => format!("{} received", count(b.records.len(), "record", "records")),
        Body::Machine(b) => format!("machine card {}{}", b.tag, if b.provisional { " (provisional)" } else { "" }),
        Body::Property(b) => format!("property {}", b.name),
        Body::EngineCard(b) => format!("engine card {}", b.name),
        Body::Person(b) => format!("person {}", b.name),
        Body::Role(b) => match b.role {
            Some(role) => format!("{} is {role}", roster.name(b.person)),
            None => format!("{} has no role any more", roster.name(b.person)),
        },
        Body::Device(b) => format!("device {} of {}", b.name, roster.name(b.person)),
        Body::DeviceRevoked(b) => format!("device {} revoked: {}", short(&b.device), b.reason),
        Body::Assignment(b) => {
            format!("property {} {} {}", short(&b.property), if b.active { "given to" } else { "taken from" }, roster.name(b.person))
        }
        Body::DayClosed(b) => {
            let part = if b.parts > 1 { format!(" (part {} of {})", b.part, b.parts) } else { String::new() };
            let open = if b.left_open.is_empty() { String::new() } else { format!(", left open: {}", b.left_open) };
            format!("day {} closed with {} come in{open}{part}", b.day, count(b.counts.records as usize, "record", "records"))
        }
        Body::Shop(b) => format!("shop settings: conflict window {} min", b.conflict_window_min),
        Body::Unknown(b) => format!("a {} of version {}: a newer program understands it", b.kind, b.v),
    }
}

/// What a history is cut to: lines after a place in it, and at most so many.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stretch {
    /// Only what is older than this time and, of the same time, has a lesser id.
    pub(super) before: Option<(i64, RecordId)>,
    /// The most lines.
    pub(super) most: usize,
}

impl MachineReader<'_> {
    /// The history of a document, newest first; the shop's receipts left out. With how many more there are beyond the stretch.
    pub(super) fn history_lines(
        &self,
        doc: DocId,
        ledger: &Ledger,
        standings: &[Standing],
        unit: LengthUnit,
        stretch: Stretch,
    ) -> Result<(Vec<HistoryLine>, usize), BookError> {
        let (places, more) = places(ledger, stretch);
        let at_shop = self.book.store.records().at_shop_of(doc, places.iter().map(|(_, id)| *id))?;
        let (roster, fates) = (self.book.roster()?, Fates::of(standings));
        let line = |(at_ms, id): (i64, RecordId)| {
            let entry = ledger.get(id)?;
            Some(HistoryLine {
                record: id,
                short: short(&id),
                kind: entry.record.body.kind().to_owned(),
                at_ms,
                by: by(entry, roster),
                words: describe(&entry.record.body, unit, roster),
                fate: fates.fate(id, &entry.record.body, ledger, roster),
                at_shop: at_shop.contains(&id),
            })
        };
        Ok((places.into_iter().filter_map(line).collect(), more))
    }
}

/// What a stretch holds: corrected times in ms, and records, newest first. With how many more there are beyond it.
fn places(ledger: &Ledger, stretch: Stretch) -> (Vec<(i64, RecordId)>, usize) {
    let told = ledger.entries().filter(|entry| !matches!(entry.record.body, Body::Arrival(_)));
    let mut places: Vec<(i64, RecordId)> = told.map(|entry| (ledger.time(entry.record.id).ms, entry.record.id)).collect();
    places.retain(|place| stretch.before.is_none_or(|before| *place < before));
    places.sort_unstable_by_key(|place| std::cmp::Reverse(*place));
    let more = cut(&mut places, stretch.most);
    (places, more)
}

/// Who stated a record: the author, or whom the office wrote it down for.
pub(super) fn by(entry: &crate::judge::ledger::Entry, roster: &Roster) -> String {
    match entry.record.measured_by {
        Some(measurer) => format!("{}, written down by {}", roster.name(measurer), roster.name(entry.record.by)),
        None => roster.name(entry.record.by),
    }
}

/// What became of each record of a document that a standing names. Made once for all lines that ask.
#[derive(Debug)]
pub(super) struct Fates(BTreeMap<RecordId, Fate>);

impl Fates {
    pub(super) fn of(standings: &[Standing]) -> Self {
        let mut fates = BTreeMap::new();
        for standing in standings {
            let stands = standing.stands.iter().map(|id| (*id, Fate::Stands));
            let contends = standing.contenders.iter().map(|id| (*id, Fate::Contends));
            let aside = standing.aside.iter().map(|aside| (aside.id, Fate::Aside));
            for (id, fate) in stands.chain(contends).chain(aside) {
                fates.entry(id).or_insert(fate);
            }
        }
        Self(fates)
    }

    pub(super) fn fate(&self, id: RecordId, body: &Body, ledger: &Ledger, roster: &Roster) -> Fate {
        if matches!(body, Body::Unknown(_)) {
            return Fate::NotUnderstood;
        }
        if ledger.voided_by(id, roster).is_some() {
            return Fate::Voided;
        }
        self.0.get(&id).copied().unwrap_or(Fate::Replaced)
    }
}
