//! What a record names: every id in it, so that none is one that names nothing.

use uuid::Uuid;

use super::{Body, Decision, Record};
use crate::ids::names_nothing;

impl Record {
    /// Refuses ids that name nothing, the record's own and those of what it speaks about.
    pub(super) fn check_ids(&self) -> Result<(), String> {
        let own = [("its own id", self.id.0), ("its document", self.doc.0), ("its author", self.by.0)];
        let others = self.measured_by.map(|person| ("who measured", person.0));
        let seen = self.seen.iter().map(|seen| ("a record that it has seen", seen.0));
        let mut all = own.into_iter().chain(others).chain(seen).chain(self.body.named());
        match all.find(|(_, id)| names_nothing(*id)) {
            None => Ok(()),
            Some((what, id)) => Err(format!("{what} is {id}, an id that names nothing (RFC 9562, sections 5.9 and 5.10)")),
        }
    }
}

impl Body {
    /// The ids in a body. What stands in one that is not known, nobody can tell.
    fn named(&self) -> Vec<(&'static str, Uuid)> {
        const PERSON: &str = "a person that it names";
        const DEVICE: &str = "a device that it names";
        const PROPERTY: &str = "its property";
        const RECORD: &str = "a record that it speaks about";
        let visit = |visit: Option<crate::ids::RecordId>| visit.map(|id| ("its visit", id.0)).into_iter().collect();
        match self {
            Self::Shop(_) | Self::Property(_) | Self::MeterChange(_) | Self::Unknown(_) => Vec::new(),
            Self::Visit(opened) => visit(opened.resumes),
            Self::Person(card) => vec![(PERSON, card.person.0)],
            Self::Role(grant) => vec![(PERSON, grant.person.0)],
            Self::Device(card) => vec![(DEVICE, card.device.0), (PERSON, card.person.0), (PERSON, card.issued_by.0)],
            Self::DeviceRevoked(revoked) => vec![(DEVICE, revoked.device.0)],
            Self::Assignment(given) => vec![(PERSON, given.person.0), (PROPERTY, given.property.0)],
            Self::EngineCard(card) => vec![("the engine card", card.card.0)],
            Self::Machine(card) => {
                let engine = card.engine_card.map(|id| ("its engine card", id.0));
                [(PROPERTY, card.property.0)].into_iter().chain(engine).collect()
            }
            Self::SignOff(signed) => visit(Some(signed.visit)),
            Self::Hours(reading) => visit(reading.visit),
            Self::Clearance(reading) => visit(reading.visit),
            Self::Finding(finding) => visit(finding.visit),
            Self::Note(note) => visit(note.visit),
            Self::Photo(photo) => visit(photo.visit),
            Self::FindingCleared(cleared) => vec![(RECORD, cleared.finding.0)],
            Self::Void(void) => vec![(RECORD, void.target.0)],
            Self::Ruling(ruling) => {
                let picked = match ruling.decision {
                    Decision::Stands(id) => Some(id),
                    Decision::Recheck => None,
                };
                ruling.of.iter().copied().chain(picked).map(|id| (RECORD, id.0)).collect()
            }
            Self::Arrival(arrival) => {
                let by = arrival.released_by.map(|person| (PERSON, person.0));
                let receipted = arrival.records.iter().map(|receipted| (RECORD, receipted.record.0));
                [(DEVICE, arrival.brought_by.0)].into_iter().chain(by).chain(receipted).collect()
            }
            Self::DayClosed(day) => {
                let since = day.since.map(|id| (RECORD, id.0));
                since.into_iter().chain(day.covers.iter().map(|covered| ("a document that it covers", covered.doc.0))).collect()
            }
        }
    }
}
