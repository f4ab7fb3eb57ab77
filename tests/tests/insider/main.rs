//! An insider with a valid key whose program keeps to no rule: what it forges decides nothing, opens nothing and stops nobody.
//!
//! Each test is one rule of `sync_core::judge::rights`, `roster` and `delivery`; `wrong_hands.rs` has what one role may not write.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use ciborium::Value;
use fixtures::forge::{Forged, next_recipe, own_id, signed, slip_in};
use shared::bytes::{Bytes16, Bytes32};
use shared::ids::{DeviceId, DocId, PropertyId, RecordId};
use shared::length::LengthUnit;
use shared::problem::Code;
use shared::record::{
    Arrival, Body, ClockEvidence, Decision, Device, Finding, FindingCleared, FindingKind, MachineCard, Note, Receipted, Record, RoleGrant,
    Ruling, Stage, UnknownBody, Void,
};
use shared::role::Role;
use shared::slot::Slot;
use sync_core::book::Draft;
use sync_core::commands::VisitEntry;
use sync_core::crypto::envelope;
use sync_core::engine::BookError;
use sync_core::judge::corrected_time::{Receipt, correct};
use sync_core::judge::permissions::DocKind;
use sync_core::sync::bundle::Load;
use sync_core::sys::clock::ClockReading;
use tests::Crew;

mod deciding;
mod reading;
mod receipts;

const BAD: Bytes16 = Bytes16([0xbd; 16]);

fn forged(crew: &Crew, phone: usize, n: u8, doc: DocId, body: impl Into<Body>) -> Forged {
    Forged { id: own_id(&crew.phones[phone].book, n.into()), by: crew.phones[phone].person, doc, body: body.into() }
}

/// Slips a record into its writer's own book as if written at a time, past every check.
fn slip(crew: &Crew, phone: usize, place: DocKind, forged: &Forged, at_ms: i64) {
    slip_in(&crew.phones[phone].book, forged.doc, place, BAD, std::slice::from_ref(forged), at_ms);
}

/// The codes with which the shop refuses what a phone has to say.
fn refused(crew: &mut Crew, phone: usize) -> Vec<Code> {
    crew.exchange(phone).refused.iter().map(|line| line.code).collect()
}

fn held_by_shop(crew: &Crew, record: RecordId) -> bool {
    crew.shop.store().records().held(record).unwrap().is_some()
}

fn roster_of(crew: &Crew) -> DocId {
    crew.shop.identity().unwrap().root.shop.roster()
}

fn set_role(crew: &mut Crew, phone: usize, role: Option<Role>) -> RecordId {
    let person = crew.phones[phone].person;
    let grant = crew.on(0, |book, hand| book.author().set_role(person, role, hand).unwrap());
    crew.level(0);
    grant
}

fn clean(crew: &Crew) {
    assert_eq!(crew.shop.verify().unwrap().faults, Vec::<String>::new());
    for phone in &crew.phones {
        assert_eq!(phone.book.verify().unwrap().faults, Vec::<String>::new());
    }
}
