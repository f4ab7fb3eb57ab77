//! What the office keeps: people, roles, devices, assignments, cards, settings; and rulings.

use shared::bytes::Bytes32;
use shared::engine_card::{EngineCard, Interval};
use shared::ids::{DeviceId, DocId, PersonId, PropertyId, RecordId};
use shared::length::LengthUnit;
use shared::record::{Assignment, Decision, DeviceRevoked, MachineCard, Person, PropertyCard, RoleGrant, Ruling, ShopCard};
use shared::role::Role;
use shared::slot::Slot;
use shared::usage::Between;

use super::ActionContext;
use crate::book::Draft;
use crate::commands::{Advisor, Author};
use crate::engine::BookError;
use crate::judge::ledger::Ledger;
use crate::judge::roster::Roster;
use crate::judge::standing::{Standing, Standings};
use crate::queries::short;
use crate::sys::rng::{fresh_doc, fresh_person};

/// Settings to be changed; what is absent stays.
#[derive(Debug, Clone, Default)]
pub struct Settings {
    /// The shop's name.
    pub name: Option<String>,
    /// IANA name of its zone.
    pub time_zone: Option<String>,
    /// Conflict window, in minutes.
    pub conflict_window_min: Option<u32>,
    /// What a leaf may be off by when readings are compared, in tenths of a µm.
    pub leaf_tolerance_tenth_um: Option<u32>,
    /// Standard uncertainty of the feel of one leaf, in tenths of a µm.
    pub feel_tenth_um: Option<u32>,
    /// The unit of lengths on the shop's pages and papers.
    pub unit: Option<LengthUnit>,
    /// The level at which a reading proves something, in thousandths.
    pub conformance_milli: Option<u32>,
    /// What the shop asks of commercial machines beside their cards.
    pub commercial: Option<Interval>,
    /// The same of homeowners' machines.
    pub homeowner: Option<Interval>,
    /// When machines are in use; `Some(None)` for all year.
    pub season: Option<Option<Between>>,
}

impl Advisor<'_> {
    fn roster_doc(&self) -> Result<DocId, BookError> {
        Ok(self.book.identity()?.root.shop.roster())
    }
}

impl Author<'_> {
    /// Puts a person on the roster, with a role: both records, or neither.
    ///
    /// # Errors
    /// [`BookError`], having kept nothing.
    pub fn add_person(&mut self, name: &str, role: Role, hand: &mut ActionContext<'_>) -> Result<PersonId, BookError> {
        if self.book.finder().is_named(name)? {
            return Err(BookError::Entry(format!("The roster has a person named {name} already; a second one needs another name.")));
        }
        let doc = self.book.advisor().roster_doc()?;
        let person = fresh_person(&hand.now, hand.entropy);
        let drafts =
            vec![Draft::new(doc, Person { person, name: name.trim().to_owned() }), Draft::new(doc, RoleGrant { person, role: Some(role) })];
        self.book.write(drafts, &hand.now, hand.entropy)?;
        Ok(person)
    }

    /// Gives a person a role, or none.
    ///
    /// # Errors
    /// [`BookError`], having kept nothing.
    pub fn set_role(&mut self, person: PersonId, role: Option<Role>, hand: &mut ActionContext<'_>) -> Result<RecordId, BookError> {
        let doc = self.book.advisor().roster_doc()?;
        self.state_one(doc, RoleGrant { person, role }, hand)
    }

    /// Revokes a device, for ever.
    ///
    /// # Errors
    /// [`BookError`], having kept nothing.
    pub fn revoke_device(&mut self, device: DeviceId, reason: &str, hand: &mut ActionContext<'_>) -> Result<RecordId, BookError> {
        let doc = self.book.advisor().roster_doc()?;
        self.state_one(doc, DeviceRevoked { device, reason: reason.to_owned() }, hand)
    }

    /// Gives a property to a person, or takes it away.
    ///
    /// # Errors
    /// [`BookError`], having kept nothing.
    pub fn assign(
        &mut self,
        person: PersonId,
        property: PropertyId,
        active: bool,
        hand: &mut ActionContext<'_>,
    ) -> Result<RecordId, BookError> {
        let doc = self.book.advisor().roster_doc()?;
        self.state_one(doc, Assignment { person, property, active }, hand)
    }

    /// Changes the shop's settings.
    ///
    /// # Errors
    /// [`BookError::Entry`] for a zone that is none; any other having kept nothing.
    pub fn change_settings(&mut self, change: Settings, hand: &mut ActionContext<'_>) -> Result<ShopCard, BookError> {
        let old = self.book.roster()?.settings.clone();
        let new = ShopCard {
            name: change.name.unwrap_or(old.name),
            time_zone: change.time_zone.unwrap_or(old.time_zone),
            conflict_window_min: change.conflict_window_min.unwrap_or(old.conflict_window_min),
            leaf_tolerance_tenth_um: change.leaf_tolerance_tenth_um.unwrap_or(old.leaf_tolerance_tenth_um),
            feel_tenth_um: change.feel_tenth_um.unwrap_or(old.feel_tenth_um),
            unit: change.unit.unwrap_or(old.unit),
            conformance_milli: change.conformance_milli.unwrap_or(old.conformance_milli),
            commercial: change.commercial.unwrap_or(old.commercial),
            homeowner: change.homeowner.unwrap_or(old.homeowner),
            season: change.season.unwrap_or(old.season),
        };
        if jiff::tz::TimeZone::get(&new.time_zone).is_err() {
            return Err(BookError::Entry(format!("\"{}\" is not a time zone: use an IANA name as in Europe/Oslo.", new.time_zone)));
        }
        let doc = self.book.advisor().roster_doc()?;
        self.state_one(doc, new.clone(), hand)?;
        Ok(new)
    }

    /// Enters a property.
    ///
    /// # Errors
    /// [`BookError`], having kept nothing.
    pub fn add_property(&mut self, card: PropertyCard, hand: &mut ActionContext<'_>) -> Result<PropertyId, BookError> {
        if !self.book.finder().properties_named(&card.name)?.is_empty() {
            return Err(BookError::Entry(format!("The book has a property named {} already.", card.name)));
        }
        let doc = fresh_doc(&hand.now, self.book.writer()?.device, hand.entropy);
        self.state_one(doc, card, hand)?;
        Ok(PropertyId(doc.0))
    }

    /// Changes a property's card.
    ///
    /// # Errors
    /// [`BookError`], having kept nothing.
    pub fn restate_property(
        &mut self,
        property: PropertyId,
        card: PropertyCard,
        hand: &mut ActionContext<'_>,
    ) -> Result<RecordId, BookError> {
        if self.book.reader().property(property)?.is_none() {
            return Err(BookError::Unknown("this book has no such property".to_owned()));
        }
        if self.book.finder().properties_named(&card.name)?.iter().any(|other| *other != property) {
            return Err(BookError::Entry(format!("Another property is named {} already.", card.name)));
        }
        self.state_one(property.doc(), card, hand)
    }

    /// States a machine's card anew: its tag, property, engine card, duty. The office's word ends "provisional".
    ///
    /// # Errors
    /// [`BookError`], having kept nothing.
    pub fn restate_machine(&mut self, machine: DocId, card: MachineCard, hand: &mut ActionContext<'_>) -> Result<RecordId, BookError> {
        self.book.finder().known_machine(machine)?;
        if self.book.finder().tagged(&card.tag)?.iter().any(|other| *other != machine) {
            return Err(BookError::Entry(format!("Another machine is tagged {} already.", card.tag)));
        }
        let card = self.book.advisor().with_cylinders(MachineCard { provisional: false, ..card })?;
        self.state_one(machine, card, hand)
    }

    /// Keeps an engine card, new or restated.
    ///
    /// # Errors
    /// [`BookError`], having kept nothing.
    pub fn keep_engine_card(&mut self, card: EngineCard, hand: &mut ActionContext<'_>) -> Result<RecordId, BookError> {
        let doc = self.book.identity()?.root.shop.engines();
        if self
            .book
            .reader()
            .engine_cards()?
            .iter()
            .any(|other| other.card != card.card && other.name.eq_ignore_ascii_case(card.name.trim()))
        {
            return Err(BookError::Entry(format!(
                "Another engine card is named {} already; change that one, or name this otherwise.",
                card.name
            )));
        }
        self.state_one(doc, card, hand)
    }

    /// As [`Author::rule`], on the very readings that were looked at: `looked_at` is what [`crate::queries::weighed`] said of them. One that
    /// came in since has not been weighed.
    ///
    /// # Errors
    /// [`BookError::Moved`] where the slot has moved since; as [`Author::rule`].
    pub fn rule_as_weighed(
        &mut self,
        doc: DocId,
        slot: &Slot,
        looked_at: Bytes32,
        decision: Decision,
        reason: &str,
        hand: &mut ActionContext<'_>,
    ) -> Result<RecordId, BookError> {
        let now = self.book.store.projections().standing(doc, slot)?;
        if now.is_some_and(|now| crate::queries::weighed(&now) != looked_at) {
            return Err(BookError::Moved("another reading came in since the readings were looked at, or one was undone".to_owned()));
        }
        self.rule(doc, slot, decision, reason, hand)
    }

    /// Rules on a slot: a record stands, or it is to be measured again. All present contenders are weighed.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where there is nothing to rule on, [`BookError::Denied`] where it is not this person's to rule, or
    /// where the ruling would not decide.
    pub fn rule(
        &mut self,
        doc: DocId,
        slot: &Slot,
        decision: Decision,
        reason: &str,
        hand: &mut ActionContext<'_>,
    ) -> Result<RecordId, BookError> {
        let standing = self
            .book
            .store
            .projections()
            .standing(doc, slot)?
            .ok_or_else(|| BookError::Unknown(format!("nothing is stated about {}, so there is nothing to rule on", slot.words())))?;
        let mut of = standing.contenders.clone();
        of.extend(standing.aside.iter().map(|a| a.id));
        if let Decision::Stands(id) = decision
            && !of.contains(&id)
        {
            let held = self.book.store.records().held(id)?.filter(|h| h.doc == doc && Slot::of(&h.entry.record).as_ref() == Some(slot));
            held.ok_or_else(|| BookError::Unknown("that record is not one of this slot's".to_owned()))?;
            of.push(id);
        }
        of.sort_unstable();
        let ruling = Ruling { slot: slot.clone(), of, decision, reason: reason.to_owned() };
        let mut own = ActionContext { now: hand.now, entropy: &mut *hand.entropy, measured_by: None };
        self.book.as_one(|book| {
            let record = book.author().state_one(doc, ruling, &mut own)?;
            let (ledger, roster) = (book.store.records().ledger_of(doc)?, book.roster()?);
            let decides = Standings::new(&ledger, roster).are_decided_by(record, slot);
            if decides { Ok(record) } else { Err(BookError::Denied(would_not(decision, &standing, &ledger, roster))) }
        })
    }
}

/// Why a ruling that is to be made would not decide, in a sentence; `standing` is how the slot stands without it.
fn would_not(decision: Decision, standing: &Standing, ledger: &Ledger, roster: &Roster) -> String {
    let Decision::Stands(picked) = decision else {
        return "the ruling would decide nothing: nothing stands there that could be measured again".to_owned();
    };
    let named = short(&picked);
    let why = if ledger.voided_by(picked, roster).is_some() {
        format!("record {named} was undone. State it again, if it holds after all")
    } else if standing.outdated.contains(&picked) {
        format!("record {named} is history: the engine has run since, or its valve was set. To let it stand, undo what came after it")
    } else if !standing.open_ends().contains(&picked) {
        format!("record {named} was replaced by a later one, whose author knew of it. To let it stand, undo the later one")
    } else {
        format!("record {named} would not stand even so: {}", standing.reason)
    };
    format!("the ruling would decide nothing: {why}")
}
