//! The roster: people, roles over time, devices and their keys, assignments, the shop's settings.
//!
//! A function of the roster document's records.

use std::collections::{BTreeMap, BTreeSet};

use shared::bytes::Bytes32;
use shared::ids::{DeviceId, PersonId, PropertyId, RecordId, ShopId};
use shared::record::{Body, Device, Record, RoleGrant, ShopCard};
use shared::role::Role;

use crate::judge::ledger::{Entry, Ledger};
use crate::judge::permissions::{self, DocKind, Site, Target};
use crate::judge::standing::stands;

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
    /// Enrolled at this time of the shop's, ms since 1970 UTC.
    pub enrolled_ms: i64,
    /// Revoked at this corrected time.
    pub revoked_ms: Option<i64>,
}

/// Each person's roles over time.
type Roles = BTreeMap<PersonId, BTreeMap<InTime, Option<Role>>>;

/// The role that is in force at a time; before the first grant, the first one's.
fn role_in(changes: &BTreeMap<InTime, Option<Role>>, ms: i64) -> Option<Role> {
    let in_force = changes.range(..=(ms, usize::MAX, LAST_ID)).next_back();
    in_force.or_else(|| changes.first_key_value()).and_then(|(_, role)| *role)
}

/// No id is greater: up to here is all of a moment.
const LAST_ID: RecordId = RecordId::from_bytes([u8::MAX; 16]);

/// A place in time: corrected time, and among equal times by what had seen what.
type InTime = (i64, usize, RecordId);

/// A grant of a role, or its taking away.
struct Grant<'a> {
    entry: &'a Entry,
    given: &'a RoleGrant,
    in_time: InTime,
    /// Not yet: at the end of time.
    arrived_ms: i64,
    /// The office decided that it counts, whatever its author's role on arrival.
    released: bool,
}

impl<'a> Grant<'a> {
    fn of(entry: &'a Entry, ledger: &Ledger) -> Option<Self> {
        let Body::Role(given) = &entry.record.body else { return None };
        let id = entry.record.id;
        let (arrived_ms, released) = ledger.receipt(id).map_or((i64::MAX, false), |receipt| (receipt.at_ms, receipt.released));
        Some(Self { entry, given, in_time: (ledger.time(id).ms, ledger.depth(id), id), arrived_ms, released })
    }

    fn enter(&self, roles: &mut Roles) {
        roles.entry(self.given.person).or_default().insert(self.in_time, self.given.role);
    }

    fn may_be_by(&self, role: Option<Role>) -> bool {
        permissions::may_write(&self.entry.record, role, false, &Target::default()).is_ok()
    }

    /// It changes its own author's role.
    fn is_own(&self) -> bool {
        self.given.person == self.entry.record.by
    }
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
    /// Who began or ceased to look after a property, by corrected time.
    assigned: BTreeMap<(PersonId, PropertyId), BTreeMap<(i64, RecordId), bool>>,
    /// Role changes of each person, by corrected time, and among equal times by what had seen what.
    roles: Roles,
    /// Those that people made of their own role, with their arrival, ms of shop time: see [`Roster::role_on_arrival`].
    own_changes: BTreeMap<PersonId, Vec<(InTime, i64)>>,
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
            assigned: BTreeMap::new(),
            roles: BTreeMap::new(),
            own_changes: BTreeMap::new(),
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
        roster.read_assigned(ledger, &first);
        roster.read_devices(ledger);
        roster
    }

    /// Reads grants of roles. First in the order in which they arrived at the shop: each by the roles that those before it have made, as
    /// the shop judged it then. So nobody who lost a role can give it back by a grant with an earlier time, nor can two people who take
    /// each other's role away leave it open who was first.
    ///
    /// A dismissal may reach the shop late. So those that held are asked once more by the roles as they are known now: what was granted
    /// after it, or arrived after it with an earlier time, does not count. Each round only takes grants away, so the rounds end.
    fn read_roles(&mut self, ledger: &Ledger, voids: Option<&Self>) {
        let mut grants: Vec<_> = ledger
            .entries()
            .filter_map(|entry| Grant::of(entry, ledger))
            .filter(|grant| voids.is_none_or(|roster| ledger.voided_by(grant.in_time.2, roster).is_none()))
            .collect();
        // What the shop states itself has no receipt, and needs none.
        grants.sort_by_key(|grant| {
            let of_shop = self.is_shops(grant.entry);
            (if of_shop { grant.in_time.0 } else { grant.arrived_ms }, !of_shop, grant.in_time)
        });
        let mut held = Vec::with_capacity(grants.len());
        for grant in grants {
            if permissions::had_right(grant.entry, ledger, self).is_ok() {
                grant.enter(&mut self.roles);
                if grant.is_own() {
                    self.own_changes.entry(grant.given.person).or_default().push((grant.in_time, grant.arrived_ms));
                }
                held.push(grant);
            }
        }
        held.sort_by_key(|grant| grant.in_time);
        let on_arrival = std::mem::take(&mut self.roles);
        loop {
            self.roles = self.in_order_of_time(&held, &on_arrival);
            let asked = held.len();
            let had_right = |grant: &Grant<'_>| grant.may_be_by(self.role_on_arrival(grant.entry.record.by, grant.arrived_ms));
            held.retain(|grant| self.is_shops(grant.entry) || grant.released || had_right(grant));
            if held.len() == asked {
                return;
            }
        }
    }

    /// The roles that grants make in the order of their time, each by those before it.
    fn in_order_of_time(&self, held: &[Grant<'_>], on_arrival: &Roles) -> Roles {
        let mut roles = Roles::new();
        for grant in held {
            let author = grant.entry.record.by;
            // Before a person's first grant the role of that grant holds: clocks are seconds apart.
            let known = roles.get(&author).or_else(|| on_arrival.get(&author));
            if self.is_shops(grant.entry) || grant.may_be_by(known.and_then(|changes| role_in(changes, grant.in_time.0))) {
                grant.enter(&mut roles);
            }
        }
        roles
    }

    fn is_shops(&self, entry: &Entry) -> bool {
        entry.device == self.root.device
    }

    fn read_assigned(&mut self, ledger: &Ledger, first: &Self) {
        for entry in ledger.entries() {
            let id = entry.record.id;
            if let Body::Assignment(a) = &entry.record.body
                && permissions::had_right(entry, ledger, first).is_ok()
                && ledger.voided_by(id, first).is_none()
            {
                self.assigned.entry((a.person, a.property)).or_default().insert((ledger.time(id).ms, id), a.active);
            }
        }
    }

    /// A device's card is the shop's own word on an enrolment, and its keys never change: of two cards for one device the earlier
    /// holds. A revocation is for ever.
    fn read_devices(&mut self, ledger: &Ledger) {
        let mut cards: Vec<_> = ledger
            .entries()
            .filter(|entry| self.is_shops(entry))
            .filter_map(|entry| match &entry.record.body {
                Body::Device(card) => Some((ledger.time(entry.record.id).ms, entry.record.id, card)),
                _ => None,
            })
            .collect();
        cards.sort_by_key(|(at, id, _)| (*at, *id));
        for (enrolled_ms, _, card) in cards {
            let device = || RosterDevice { card: Device::clone(card), enrolled_ms, revoked_ms: None };
            self.devices.entry(card.device).or_insert_with(device);
        }
        for entry in ledger.entries() {
            if let Body::DeviceRevoked(revoked) = &entry.record.body
                && permissions::had_right(entry, ledger, self).is_ok()
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
        role_in(self.roles.get(&person)?, ms)
    }

    /// The role by which what a person wrote counts on its arrival. Who gives up their own role does not undo what comes with that word, or
    /// came before it; from then on it holds for whatever arrives, however old it says it is. What others change holds from its own time.
    #[must_use]
    pub fn role_on_arrival(&self, person: PersonId, arrived_ms: i64) -> Option<Role> {
        let changes = self.roles.get(&person)?;
        let own = self.own_changes.get(&person).map_or(&[][..], Vec::as_slice);
        let not_yet: Vec<InTime> = own.iter().filter(|(_, came_ms)| *came_ms >= arrived_ms).map(|(in_time, _)| *in_time).collect();
        if not_yet.is_empty() {
            return role_in(changes, arrived_ms);
        }
        let mut changes = changes.clone();
        changes.retain(|in_time, _| !not_yet.contains(in_time));
        role_in(&changes, arrived_ms)
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

    /// Whether a device on the roster gives the ids that this one would give.
    #[must_use]
    pub fn gives_ids_of(&self, device: DeviceId) -> bool {
        self.devices.keys().chain([&self.root.device]).any(|known| known.made(device.0))
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

    /// Whether a person may read a document, as far as the roster says: nobody without a role reads anything.
    #[must_use]
    pub fn may_read(&self, person: PersonId, site: &Site) -> bool {
        if self.role_now(person).is_none() {
            return false;
        }
        let common = matches!(site.place, DocKind::Roster | DocKind::Engines);
        let given = site.property.is_some_and(|property| self.assignments.contains(&(person, property)));
        common || self.sees_all(person) || site.founder == Some(person) || given
    }

    /// Whether a person may write in a document what the office need not look at first: who may read it, or could at the time of
    /// writing. For what decides, that is not enough.
    #[must_use]
    pub fn may_write_in(&self, record: &Record, site: &Site, written_ms: i64) -> bool {
        let then = || {
            let given = site.property.and_then(|property| self.assigned.get(&(record.by, property)));
            given.and_then(|changes| changes.range(..=(written_ms, LAST_ID)).next_back()).is_some_and(|(_, active)| *active)
        };
        self.may_read(record.by, site) || (!permissions::decides(record.body.kind()) && self.role_now(record.by).is_some() && then())
    }

    /// The people whose roles over time differ between two rosters, or when what they said of their own arrived.
    #[must_use]
    pub fn roles_differ(&self, other: &Self) -> BTreeSet<PersonId> {
        let differ = |p: &&PersonId| self.roles.get(p) != other.roles.get(p) || self.own_changes.get(p) != other.own_changes.get(p);
        self.roles.keys().chain(other.roles.keys()).filter(differ).copied().collect()
    }
}
