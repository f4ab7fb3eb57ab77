//! No wrong hand: whoever decides has the right when the record reaches the shop. Who may write what is told here once more, from the
//! design's table.

use shared::ids::DocId;
use shared::problem::Code;
use shared::record::Body;
use shared::role::Role;
use shared::wire::ExchangeAnswer;
use sync_core::judge::permissions::DocKind;
use sync_core::store::{QuarantineState, Store};

use super::super::insider::{Fate, Forged};
use super::super::world::{Broken, SHOP, World};
use super::Truth;

/// The kinds that are the office's alone.
const OFFICE: [&str; 6] = ["shop", "person", "role", "device-revoked", "assignment", "day-closed"];

/// Whether a kind settles something, so that its author needs the right on arrival too.
pub(super) fn decides(kind: &str) -> bool {
    OFFICE.contains(&kind)
        || ["device", "arrival", "engine-card", "property", "machine", "void", "ruling", "finding-cleared", "sign-off"].contains(&kind)
}

/// Whether somebody in a role may write this, by the design's table. A version that nobody reads yet is of its kind all the same.
pub(super) fn may(forged: &Forged, role: Option<Role>, truth: &Truth, store: &Store) -> bool {
    let Some(role) = role else { return false };
    let office = role == Role::Office;
    let held = |id| store.records().held(id).ok().flatten().map(|held| held.entry.record);
    let shop = truth.roster.root.shop;
    let of_shop = [shop.roster(), shop.engines(), shop.days()].contains(&forged.doc);
    match (&forged.body, forged.body.kind()) {
        (_, kind) if OFFICE.contains(&kind) => office,
        (_, "device" | "arrival") => false,
        (_, "engine-card" | "property") => matches!(role, Role::Office | Role::Lead),
        (_, "machine") if of_shop => false,
        (Body::Machine(card), _) if card.provisional && forged.founds => true,
        (_, "machine") => matches!(role, Role::Office | Role::Lead),
        (Body::Void(void), _) => held(void.target).is_none_or(|target| {
            // What somebody wrote is of the role that they had then, whatever has become of them since.
            let written_ms = store.records().ledger_of(target.doc).map_or(forged.at_ms, |ledger| ledger.time(target.id).ms);
            let lower = || truth.roles_at(target.by, written_ms).into_iter().any(|role| role != Some(Role::Lead));
            let of_office = OFFICE.contains(&target.body.kind());
            office || (!of_office && (target.by == forged.by || (role == Role::Lead && lower())))
        }),
        (Body::Ruling(ruling), _) => {
            let own = ruling.of.iter().filter_map(|id| held(*id)).any(|r| r.by == forged.by || r.measurer() == forged.by);
            office || (role == Role::Lead && !own)
        }
        (_, "ruling") => matches!(role, Role::Office | Role::Lead),
        (_, "finding-cleared" | "sign-off") => role != Role::Helper,
        (Body::Unknown(unknown), kind) if !decides(kind) && !Body::KINDS.contains(&unknown.kind.as_str()) => office || !of_shop,
        _ => true,
    }
}

impl World {
    /// Looks whether something forged has come into the shop's book since the last look, and by what right.
    pub(in crate::sim) fn watch_hands(&mut self, before: &Truth) -> Result<(), Broken> {
        let Some(shop) = self.nodes[SHOP].book.as_ref() else { return Ok(()) };
        let store = shop.store();
        let is_in = |forged: &Forged| store.records().held(forged.record).ok().flatten().is_some_and(|held| held.bytes == forged.bytes);
        let outside = self.forged.iter().enumerate().filter(|(_, forged)| forged.fate == Fate::Out);
        let new: Vec<(usize, &Forged)> = outside.filter(|(_, forged)| is_in(forged)).collect();
        let ids: Vec<_> = new.iter().map(|(_, forged)| forged.record).collect();
        let Some(after) = self.truth_without(&ids) else { return Ok(()) };
        let mut fates = Vec::new();
        for (n, forged) in new {
            let released = || {
                let waiting = store.quarantine().quarantined().unwrap_or_default();
                waiting.iter().any(|q| q.state == QuarantineState::Released && q.bytes == forged.bytes)
            };
            let lawful = [before, &after].into_iter().any(|truth| {
                let may_here = !self.is_shut(forged.doc, truth, store) || self.is_open(truth, forged.by, forged.doc, store);
                may_here && truth.roles(forged.by).into_iter().any(|role| may(forged, role, truth, store))
            });
            let by_claim = || may(forged, self.role_then(forged.by, forged.claimed_ms), &after, store);
            let fate = if !lawful && released() { Fate::Released { by_claim: by_claim() } } else { Fate::In { lawful } };
            fates.push((n, fate));
        }
        for (n, fate) in fates {
            self.forged[n].fate = fate;
            let forged = &self.forged[n];
            if fate == (Fate::In { lawful: false }) {
                let seen = format!(
                    "the shop took a {} (version {}) of {}, who is {:?}, into {}",
                    forged.body.kind(),
                    forged.body.version(),
                    self.nodes[forged.node].name,
                    after.roles(forged.by),
                    self.shop_place_name(forged.doc)
                );
                return Err(Broken { promise: "no wrong hand", seen });
            }
        }
        Ok(())
    }

    /// Looks at what the shop would not take of an honest phone: what is in its book already is not judged again, whatever has become
    /// of its author since. That another change with it finds no room is no judgement of the record.
    pub(in crate::sim) fn watch_refusals(&self, phone: usize, answer: &ExchangeAnswer) -> Result<(), Broken> {
        let Some(shop) = self.nodes[SHOP].book.as_ref() else { return Ok(()) };
        let refused = answer
            .docs
            .iter()
            .flat_map(|doc| &doc.refused)
            .filter(|refusal| !matches!(refusal.code, Code::IdTaken | Code::DocumentFull | Code::DayFull));
        let again = refused
            .filter_map(|refusal| refusal.record.map(|record| (record, refusal.code)))
            .find(|(record, _)| shop.store().records().holds_record(*record).unwrap_or(false));
        match again {
            Some((record, code)) if !self.is_insider(phone) => {
                let seen = format!("{record}, which {} carries, is in the shop's book, and refused: {code:?}", self.nodes[phone].name);
                Err(Broken { promise: "what is in the book is not judged again", seen })
            }
            _ => Ok(()),
        }
    }

    /// Looks whether an honest phone has taken something forged just now whose author had no right, by what that phone knows or by what
    /// is true.
    pub(in crate::sim) fn watch_phone(&self, phone: usize) -> Result<(), Broken> {
        let (Some(truth), Some(book)) = (self.truth(), self.nodes[phone].book.as_ref()) else { return Ok(()) };
        if self.is_insider(phone) {
            return Ok(());
        }
        // By what it would know without them: a grant that it took lawfully may have been of the author's own other role.
        let store = book.store();
        let is_here = |forged: &&Forged| store.records().held(forged.record).ok().flatten().is_some_and(|held| held.bytes == forged.bytes);
        let all = self.forged.iter().filter(|forged| forged.fate == Fate::Out).filter(is_here).map(|forged| forged.record).collect();
        let Some(roster) = self.roster_without(phone, &all) else { return Ok(()) };
        // Whose record is undone, and what their role is, it knows by its own roster too.
        let known = Truth::of_phone(roster.clone());
        for forged in self.forged.iter().filter(|forged| forged.fate == Fate::Out && decides(forged.body.kind())) {
            let roles = || truth.roles(forged.by).into_iter().chain([roster.role_now(forged.by), self.role_then(forged.by, forged.at_ms)]);
            if is_here(&forged) && !roles().any(|role| may(forged, role, &truth, store) || may(forged, role, &known, store)) {
                let (kind, name) = (forged.body.kind(), &self.nodes[phone].name);
                let seen = format!("{name} took a {kind} of {}, who is {:?}", self.nodes[forged.node].name, roster.role_now(forged.by));
                return Err(Broken { promise: "no wrong hand on a phone", seen });
            }
        }
        Ok(())
    }

    /// Whether a document is of those that nobody was given at any time of the story: its writers are its readers.
    fn is_shut(&self, doc: DocId, truth: &Truth, store: &Store) -> bool {
        let lives_at = || store.machine_rows().machine(doc).ok().flatten().and_then(|row| row.state.property());
        doc == truth.roster.root.shop.days() || doc == self.closed_yard.doc() || lives_at() == Some(self.closed_yard)
    }

    pub(super) fn shop_place_name(&self, doc: DocId) -> &'static str {
        let place = self.nodes[SHOP].book.as_ref().and_then(|book| book.store().documents().place(doc).ok().flatten());
        place.map_or("nothing", DocKind::name)
    }
}
