//! One record in full: what it says, who and on which device, by which clocks, what it had seen, and what became of it.

use serde::Serialize;
use sha2::{Digest, Sha256};
use shared::bytes::Bytes32;
use shared::ids::{DocId, RecordId};
use shared::length::LengthUnit;
use shared::record::{Body, ClockEvidence};
use shared::slot::Slot;

use super::history::{self, Fate, Fates};
use super::{describe, short};
use crate::engine::BookError;
use crate::judge::standing::Standing;
use crate::judge::words::apart;
use crate::queries::Reader;
use crate::store::HeldRecord;

/// Another record, as far as it is named beside one.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct NamedRecord {
    /// Which.
    pub record: RecordId,
    /// How people name it.
    pub short: String,
    /// What it says; empty where this book does not hold it.
    pub words: String,
}

/// One record in full.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct WholeRecord {
    /// Which.
    pub record: RecordId,
    /// How people name it.
    pub short: String,
    /// Its document.
    pub doc: DocId,
    /// The document is a machine.
    pub of_machine: bool,
    /// What the document is called.
    pub title: String,
    /// Its kind.
    pub kind: String,
    /// The version of its kind.
    pub version: u32,
    /// What it speaks about, where that is a slot.
    pub slot: Option<Slot>,
    /// What it says, in words.
    pub words: String,
    /// Who stated it, and for whom.
    pub by: String,
    /// The role in force when it was stated.
    pub role: String,
    /// The device that signed it.
    pub device: String,
    /// What the device's clock showed, in the shop's zone.
    pub device_time: String,
    /// What the device knew of its clock, in words.
    pub clock: String,
    /// Corrected time, in the shop's zone.
    pub corrected: String,
    /// How far off that may be, in words.
    pub uncertainty: String,
    /// What the device said of its clock contradicts what the shop measured.
    pub clock_in_doubt: bool,
    /// When the shop received it, in the shop's zone; absent without a receipt.
    pub received: Option<String>,
    /// What the device knew in this slot when it wrote.
    pub seen: Vec<NamedRecord>,
    /// What became of it.
    pub fate: Fate,
    /// Why, in words; empty where there is nothing to say.
    pub why: String,
    /// The record that took it back.
    pub voided_by: Option<NamedRecord>,
    /// How many signed bytes it has.
    pub bytes: usize,
    /// SHA-256 of them.
    pub sha256: Bytes32,
}

impl Reader<'_> {
    /// One record in full.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where the book has no such record.
    pub fn whole_record(&self, record: RecordId, unit: LengthUnit) -> Result<WholeRecord, BookError> {
        let held = self.book.store.records().held(record)?.ok_or_else(|| BookError::Unknown("this book has no such record".to_owned()))?;
        let HeldRecord { doc, bytes, entry, received_ms } = held;
        let at_shop = self.book.store.records().at_shop_of(doc, [record].into_iter())?.contains(&record);
        let roster = self.book.roster()?;
        let ledger = self.book.store.records().ledger_of(doc)?;
        let standings = self.book.store.projections().standings(doc)?;
        let (body, time) = (&entry.record.body, ledger.time(record));
        let slot = Slot::of(&entry.record);
        let standing =
            slot.as_ref().and_then(|slot| standings.binary_search_by(|s| s.slot.cmp(slot)).ok().and_then(|at| standings.get(at)));
        let voided_by = ledger.voided_by(record, roster);
        let mut seen = Vec::with_capacity(entry.record.seen.len());
        for id in &entry.record.seen {
            seen.push(self.named(*id, unit)?);
        }
        let fate = match body {
            // The receipts are the shop's own word and speak about no slot.
            Body::Arrival(_) => Fate::Stands,
            _ => Fates::of(&standings).fate(record, body, &ledger, roster),
        };
        let why = match fate {
            Fate::Voided => String::new(),
            _ => standing.map(|s| reason(s, record)).unwrap_or_default(),
        };
        Ok(WholeRecord {
            record,
            short: short(&record),
            doc,
            of_machine: self.book.store.machine_rows().machine(doc)?.is_some(),
            title: self.title(doc)?,
            kind: body.kind().to_owned(),
            version: body.version(),
            slot,
            words: describe(body, unit, roster),
            by: history::by(&entry, roster),
            role: roster.role_at(entry.record.by, time.ms).map_or("no role", shared::role::Role::name).to_owned(),
            device: if entry.device == roster.root.device {
                "the shop's server".to_owned()
            } else {
                roster.devices.get(&entry.device).map_or_else(|| format!("device {}", short(&entry.device)), |d| d.card.name.clone())
            },
            device_time: roster.local(entry.record.at_ms),
            clock: clock_words(&entry.record.clock),
            corrected: roster.local(time.ms),
            uncertainty: apart(time.uncertainty_ms),
            clock_in_doubt: time.in_doubt,
            received: received_ms.filter(|_| at_shop).map(|ms| roster.local(ms)),
            seen,
            fate,
            why,
            voided_by: voided_by.map(|id| self.named(id, unit)).transpose()?,
            sha256: Bytes32(Sha256::digest(&bytes).into()),
            bytes: bytes.len(),
        })
    }

    fn named(&self, record: RecordId, unit: LengthUnit) -> Result<NamedRecord, BookError> {
        let words = match self.book.store.records().held(record)? {
            Some(held) => describe(&held.entry.record.body, unit, self.book.roster()?),
            None => String::new(),
        };
        Ok(NamedRecord { record, short: short(&record), words })
    }
}

/// Why a record stands or does not, by its slot's standing.
fn reason(standing: &Standing, record: RecordId) -> String {
    standing.aside.iter().find(|aside| aside.id == record).map_or_else(|| standing.reason.to_string(), |aside| aside.why.to_string())
}

fn clock_words(clock: &ClockEvidence) -> String {
    if clock.stepped {
        return "the clock was moved, or the device restarted, since it last spoke with the shop: the time is as uncertain as the last contact and the arrival leave it".to_owned();
    }
    match (clock.offset_ms, clock.uncertainty_ms) {
        (None, _) => "the device had not compared its clock with the shop's".to_owned(),
        (Some(offset), uncertainty) => {
            let off = match offset {
                ..=-1_000 => format!("{} ahead of", apart(offset)),
                1_000.. => format!("{} behind", apart(offset)),
                _ => "level with".to_owned(),
            };
            let sure = uncertainty.map_or_else(String::new, |ms| format!(", give or take {}", apart(ms)));
            format!("{off} the shop's clock when they last compared{sure}")
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_device_knew_of_its_clock_is_said() {
        let knew =
            |offset_ms, uncertainty_ms, stepped| clock_words(&ClockEvidence { offset_ms, uncertainty_ms, stepped, contact_ms: None });
        assert_eq!(knew(None, None, false), "the device had not compared its clock with the shop's");
        assert!(knew(Some(600_000), Some(60_000), false).contains("behind the shop's clock"));
        assert!(knew(Some(-600_000), None, false).contains("ahead of the shop's clock"));
        assert!(knew(Some(999), Some(400), false).starts_with("level with the shop's clock"));
        assert!(knew(Some(600_000), None, true).starts_with("the clock was moved"));
    }
}
