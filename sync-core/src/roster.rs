//! The roster: people, roles over time, devices and their keys, assignments, the shop's settings.
//!
//! A function of the roster document's records.

use std::collections::{BTreeMap, BTreeSet};

use shared::bytes::Bytes32;
use shared::ids::{DeviceId, PersonId, PropertyId, RecordId, ShopId};
use shared::record::{Body, Device, ShopCard};
use shared::role::Role;

use crate::ledger::Ledger;
use crate::standing::stands;

/// Who the shop is: known from enrolment, and the root of all trust in the roster.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct ShopRoot {
    /// The shop.
    pub shop: ShopId,
    /// The device id under which its server signs.
    pub device: DeviceId,
    /// The key under which its server signs.
    pub key: Bytes32,
}

/// A device on the roster.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RosterDevice {
    /// Its card.
    pub card: Device,
    /// Revoked at this corrected time.
    pub revoked_ms: Option<i64>,
}

/// The roster at one state of its document.
#[derive(Debug, Clone)]
pub struct Roster {
    /// Who the shop is.
    pub root: ShopRoot,
    /// The shop's settings.
    pub settings: ShopCard,
    /// Names of people.
    pub people: BTreeMap<PersonId, String>,
    /// Devices.
    pub devices: BTreeMap<DeviceId, RosterDevice>,
    /// Who looks after which property.
    pub assignments: BTreeSet<(PersonId, PropertyId)>,
    /// Role changes of each person, by corrected time.
    roles: BTreeMap<PersonId, Vec<(i64, Option<Role>)>>,
}

impl Roster {
    /// An empty roster: only the shop is known.
    #[must_use]
    pub fn empty(root: ShopRoot) -> Self {
        Self {
            root,
            settings: ShopCard::usual("The shop", "UTC"),
            people: BTreeMap::new(),
            devices: BTreeMap::new(),
            assignments: BTreeSet::new(),
            roles: BTreeMap::new(),
        }
    }

    /// The roster that a roster document's records make.
    #[must_use]
    pub fn build(root: ShopRoot, ledger: &Ledger) -> Self {
        // Voids count only from people with the right, and rights come from roles: so first the roles as granted,
        // then the voids that those roles allow, then the roles without what is voided.
        let mut first = Self::empty(root);
        first.read_roles(ledger, None);
        let mut roster = Self::empty(root);
        roster.read_roles(ledger, Some(&first));
        for slot in ledger.slots() {
            let Some(entry) = stands(slot, ledger, &first).stands.and_then(|id| ledger.get(id)) else { continue };
            match &entry.record.body {
                Body::Shop(shop) => roster.settings = shop.clone(),
                Body::Person(person) => {
                    roster.people.insert(person.person, person.name.clone());
                }
                Body::Assignment(a) if a.active => {
                    roster.assignments.insert((a.person, a.property));
                }
                _ => {}
            }
        }
        roster.read_devices(ledger);
        roster
    }

    fn read_roles(&mut self, ledger: &Ledger, voids: Option<&Self>) {
        // A grant that has seen another is never older, and at the same time comes after it.
        let mut grants: BTreeMap<(PersonId, i64, usize, RecordId), Option<Role>> = BTreeMap::new();
        for entry in ledger.entries() {
            let id = entry.record.id;
            if let Body::Role(grant) = &entry.record.body
                && voids.is_none_or(|roster| ledger.voided_by(id, roster).is_none())
            {
                grants.insert((grant.person, ledger.time(id).ms, ledger.depth(id), id), grant.role);
            }
        }
        for ((person, at, ..), role) in grants {
            self.roles.entry(person).or_default().push((at, role));
        }
    }

    /// A device's keys never change: of two cards for one device the earlier holds. A revocation is for ever.
    fn read_devices(&mut self, ledger: &Ledger) {
        let mut cards: Vec<_> = ledger
            .entries()
            .filter_map(|entry| match &entry.record.body {
                Body::Device(card) => Some((ledger.time(entry.record.id).ms, entry.record.id, card)),
                _ => None,
            })
            .collect();
        cards.sort_by_key(|(at, id, _)| (*at, *id));
        for (_, _, card) in cards {
            self.devices.entry(card.device).or_insert_with(|| RosterDevice { card: Device::clone(card), revoked_ms: None });
        }
        for entry in ledger.entries() {
            if let Body::DeviceRevoked(revoked) = &entry.record.body
                && let Some(device) = self.devices.get_mut(&revoked.device)
            {
                let at = ledger.time(entry.record.id).ms;
                device.revoked_ms = Some(device.revoked_ms.map_or(at, |held| held.min(at)));
            }
        }
    }

    /// The role in force at a corrected time. Before the first grant, the first grant's role: an office clock a few
    /// seconds ahead must not turn a person's first records into nobody's.
    #[must_use]
    pub fn role_at(&self, person: PersonId, ms: i64) -> Option<Role> {
        let changes = self.roles.get(&person)?;
        let after = changes.partition_point(|(at, _)| *at <= ms);
        changes.get(after.saturating_sub(1)).and_then(|(_, role)| *role)
    }

    /// The role in force now, as far as the roster goes.
    #[must_use]
    pub fn role_now(&self, person: PersonId) -> Option<Role> {
        self.role_at(person, i64::MAX)
    }

    /// The key that verifies what a device signed, and whose device it is.
    #[must_use]
    pub fn signer(&self, device: DeviceId) -> Option<(Bytes32, PersonId)> {
        if device == self.root.device {
            return Some((self.root.key, PersonId::shop(self.root.shop)));
        }
        self.devices.get(&device).map(|d| (d.card.record_key, d.card.person))
    }

    /// The name of a person, or what stands in for one.
    #[must_use]
    pub fn name(&self, person: PersonId) -> String {
        if person == PersonId::shop(self.root.shop) {
            return self.settings.name.clone();
        }
        self.people.get(&person).cloned().unwrap_or_else(|| format!("person {}", &person.to_string()[..8]))
    }

    /// Whether a person may see every document: leads and the office.
    #[must_use]
    pub fn sees_all(&self, person: PersonId) -> bool {
        matches!(self.role_now(person), Some(Role::Lead | Role::Office))
    }

    /// The people whose roles over time differ between two rosters.
    #[must_use]
    pub fn roles_differ(&self, other: &Self) -> BTreeSet<PersonId> {
        self.roles.keys().chain(other.roles.keys()).filter(|p| self.roles.get(p) != other.roles.get(p)).copied().collect()
    }
}
