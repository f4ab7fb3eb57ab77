//! What a wrong hand would decide: one value for each kind of record that moves something. Dated now or earlier, by someone who has
//! the right, never had it, or has it no more.

use shared::ids::{DocId, PersonId, PropertyId, RecordId};
use shared::length::Length;
use shared::record::{
    Assignment, Body, DayClosed, DayCounts, Decision, DeviceRevoked, FindingCleared, MachineCard, Person, PropertyCard, RoleGrant, Ruling,
    ShopCard, SignOff, Stage, Void,
};
use shared::role::Role;
use shared::slot::Slot;

use super::super::world::{Broken, OFFICE, SHOP, World};
use super::Door;
use super::forge::{Draft, on_genesis};
use crate::crew::{Dice, engine_card};

/// Something that decides.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[expect(missing_docs, reason = "each is named after what it does")]
pub enum Deed {
    VoidsRecord(usize),
    VoidsOwnRole,
    TakesRole(Role),
    GivesRole(usize, Role),
    Rules(usize),
    ClearsHold(usize),
    SignsOff,
    ChangesEngineCard,
    ChangesProperty,
    ChangesMachine(usize),
    TakesProperty,
    ChangesSettings,
    RevokesOffice,
    ClosesDay,
    RenamesPerson,
    WritesReceipt(usize),
}

impl Deed {
    /// Every deed, with these numbers for what it is done to.
    #[must_use]
    pub const fn any(which: usize, at: usize) -> Self {
        match which % 18 {
            0 | 1 => Self::VoidsRecord(at),
            2 => Self::VoidsOwnRole,
            3 => Self::TakesRole(Role::Office),
            4 => Self::TakesRole(Role::Lead),
            5 => Self::GivesRole(at, Role::Office),
            6 | 7 => Self::Rules(at),
            8 | 9 => Self::ClearsHold(at),
            10 => Self::SignsOff,
            11 => Self::ChangesEngineCard,
            12 => Self::ChangesProperty,
            13 => Self::ChangesMachine(at),
            14 => Self::TakesProperty,
            15 => Self::ChangesSettings,
            16 => Self::RevokesOffice,
            _ => match at % 3 {
                0 => Self::ClosesDay,
                1 => Self::RenamesPerson,
                _ => Self::WritesReceipt(at),
            },
        }
    }
}

impl World {
    /// The record that a deed is, and its document: `None` where there is nothing to do it to. An insider knows every id.
    pub(super) fn deed(&mut self, node: usize, deed: Deed, dice: &mut Dice) -> Option<(DocId, Body)> {
        let me: PersonId = self.nodes[node].person;
        let shop = self.nodes[SHOP].book.as_ref()?;
        let root = shop.identity().ok()?.root;
        let (roster, days) = (root.shop.roster(), root.shop.days());
        let other = self.nodes[self.phone(match deed {
            Deed::GivesRole(n, _) => n,
            _ => 0,
        })]
        .person;
        let machines: Vec<DocId> = shop.store().machine_rows().machines().ok()?.iter().map(|row| row.doc).collect();
        let machine = |n: usize| machines.get(n % machines.len().max(1)).copied();
        let closed = self.closed_yard;
        Some(match deed {
            Deed::VoidsRecord(n) => {
                let others = self.kept.keys().filter_map(|id| shop.store().records().held(*id).ok().flatten());
                let others: Vec<_> = others.filter(|held| held.entry.record.by != me).collect();
                let held = others.get(n % others.len().max(1))?;
                (held.doc, Void { target: held.entry.record.id, reason: "gone".to_owned() }.into())
            }
            Deed::VoidsOwnRole => {
                let grant = self.grants.iter().rev().find(|grant| grant.person == me)?;
                (roster, Void { target: grant.record, reason: "gone".to_owned() }.into())
            }
            Deed::TakesRole(role) => (roster, RoleGrant { person: me, role: Some(role) }.into()),
            Deed::GivesRole(_, role) => (roster, RoleGrant { person: other, role: Some(role) }.into()),
            Deed::Rules(n) => {
                let slot = Slot::Lash("1I".parse().expect("valve"), Stage::Found);
                let ruled = machines.iter().cycle().skip(n % machines.len().max(1)).take(machines.len());
                let (doc, of) = ruled
                    .filter_map(|doc| Some((*doc, shop.store().projections().standing(*doc, &slot).ok().flatten()?.contenders)))
                    .find(|(_, of)| !of.is_empty())?;
                let decision = if n.is_multiple_of(2) { Decision::Recheck } else { Decision::Stands(*of.first()?) };
                (doc, Ruling { slot, of, decision, reason: String::new() }.into())
            }
            Deed::ClearsHold(n) => {
                let finding = *self.findings.get(n % self.findings.len().max(1))?;
                let held = shop.store().records().held(finding).ok().flatten()?;
                (held.doc, FindingCleared { finding, how: "looked at".to_owned() }.into())
            }
            Deed::SignsOff => {
                let visit = RecordId::from_bytes(sync_core::sys::rng::random(dice));
                (machine(0)?, SignOff { visit, complete: true, remark: String::new() }.into())
            }
            Deed::ChangesEngineCard => {
                let mut card = engine_card();
                card.intake.as_mut().expect("a range").high = Length::from_thou(9);
                (root.shop.engines(), card.into())
            }
            Deed::ChangesProperty => {
                (closed.doc(), PropertyCard { name: "Mine".to_owned(), address: String::new(), access: String::new(), season: None }.into())
            }
            Deed::ChangesMachine(n) => {
                let doc = machine(n)?;
                let card = shop.store().machine_rows().machine(doc).ok().flatten()?.state.card?;
                (doc, MachineCard { tag: format!("{}x", card.tag), provisional: false, ..card }.into())
            }
            Deed::TakesProperty => (roster, Assignment { person: me, property: PropertyId(closed.0), active: true }.into()),
            Deed::ChangesSettings => (roster, ShopCard { conflict_window_min: 1, ..ShopCard::usual("Mine", "UTC") }.into()),
            // By someone of the office it would be lawful, and the end of the story's office.
            Deed::RevokesOffice if shop.roster().ok()?.role_now(me) == Some(Role::Office) => return None,
            Deed::RevokesOffice => (roster, DeviceRevoked { device: self.nodes[OFFICE].device, reason: "mine".to_owned() }.into()),
            Deed::ClosesDay => {
                let day = shop.roster().ok()?.day(self.now_ms);
                let counts = DayCounts::default();
                let closing =
                    DayClosed { day, counts, left_open: String::new(), position: 1, part: 1, parts: 1, since: None, covers: vec![] };
                (days, closing.into())
            }
            Deed::RenamesPerson => (roster, Person { person: other, name: "Somebody else".to_owned() }.into()),
            Deed::WritesReceipt(n) => {
                let doc = machine(n)?;
                let ledger = shop.store().records().ledger_of(doc).ok()?;
                let receipt = ledger.entries().find(|entry| matches!(entry.record.body, Body::Arrival(_)))?;
                (doc, receipt.record.body.clone())
            }
        })
    }

    /// Decides something, dated back.
    pub(super) fn decide(&mut self, node: usize, deed: Deed, back_min: u16, door: Door, dice: &mut Dice) -> Result<(), Broken> {
        let Some((doc, body)) = self.deed(node, deed, dice) else { return Ok(()) };
        let draft = Draft { back_ms: i64::from(back_min) * 60_000, ..Draft::new(doc, body) };
        let Some(bytes) = self.forge(node, draft, dice) else { return Ok(()) };
        let recipe = on_genesis(doc, vec![bytes], dice);
        self.send(node, door, vec![(doc, vec![recipe])], dice)
    }
}
