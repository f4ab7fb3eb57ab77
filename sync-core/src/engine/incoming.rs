//! A batch: what a message brings of one document, before anything is judged. Records opened, changes built again from
//! their recipes, signatures checked: pure work, for whichever core is free.

use std::collections::{BTreeMap, BTreeSet};

use ed25519_dalek::VerifyingKey;
use shared::bytes::{Blob, Bytes32};
use shared::ids::{DeviceId, DocId, PersonId, RecordId};
use shared::record::{Arrival, Body, Receipted};
use shared::wire::{Reader, Recipe, ShortRecipe};

use crate::change::replica;
use crate::change::segment_codec::encode;
use crate::crypto::envelope::{self, EnvelopeError, Opened};
use crate::judge::roster::Roster;

/// The records of a document that the shop's signed receipts name, each by its id and its bytes: something else under the same id
/// is not vouched for, nor is the record in another document.
#[derive(Debug, Default)]
pub struct Vouched(BTreeSet<Receipted>);

impl Vouched {
    /// Notes a receipt that the shop signed for the document.
    pub(crate) fn hear(&mut self, arrival: &Arrival) {
        self.0.extend(&arrival.records);
    }

    /// Whether a receipt is for this very record.
    #[must_use]
    pub fn covers(&self, opened: &Opened) -> bool {
        self.names(opened.record.id, opened.sha256)
    }

    /// Whether a receipt names this id with these bytes.
    #[must_use]
    pub fn names(&self, record: RecordId, sha256: Bytes32) -> bool {
        self.0.contains(&Receipted { record, sha256 })
    }
}

/// What a message brings of one document.
#[derive(Debug)]
pub struct IncomingBatch {
    /// Which document.
    pub doc: DocId,
    /// Its changes, in the order in which they came.
    pub changes: Vec<IncomingChange>,
    /// Records for which the shop's signed receipt is in the same batch: rights were judged when they arrived.
    pub vouched: Vouched,
    /// The list as it came, packed, where it came in short: if all of it is taken, it is kept as it is.
    pub packed: Option<Vec<u8>>,
}

/// A change that was brought.
#[derive(Debug)]
pub struct IncomingChange {
    /// The recipe, with everything that the list left out, and the hash that the change has, or claims where it is at fault.
    pub recipe: Recipe,
    /// Why no such change can be, in a sentence.
    pub fault: Option<String>,
    /// Its records.
    pub records: Vec<IncomingRecord>,
}

/// A record that was brought.
#[derive(Debug)]
pub struct IncomingRecord {
    /// What it says, or why it cannot be read.
    pub opened: Result<Opened, EnvelopeError>,
    /// Whose device signed it and whether that holds; `None` where the device is not known, or nobody has looked yet.
    pub signature: Option<(PersonId, Result<(), EnvelopeError>)>,
}

/// Says that a list leaves out what nothing before it says.
const LEAVES_OUT: &str = "The change does not fit what is held: its recipe leaves out what nothing before it says.";
const WRONG_HASH: &str = "The change does not fit what is held: it is not the change that its hash names.";

fn open(doc: DocId, list: Vec<ShortRecipe>) -> Vec<IncomingChange> {
    let mut changes: Vec<IncomingChange> = Vec::with_capacity(list.len());
    let mut reader = Reader::default();
    // How many changes at the end of what is opened have no hash of their own yet.
    let mut uncovered = 0;
    for short in list {
        let records: Vec<IncomingRecord> = short
            .records
            .iter()
            .map(|Blob(bytes)| IncomingRecord { opened: envelope::decode_unverified(bytes), signature: None })
            .collect();
        let Some(facts) = reader.next(&short) else {
            fail(&mut changes, uncovered, LEAVES_OUT);
            uncovered = 0;
            changes.push(IncomingChange { recipe: bare(short), fault: Some(LEAVES_OUT.to_owned()), records });
            continue;
        };
        let first_ms = records.first().and_then(|record| record.opened.as_ref().ok()).map_or(0, |opened| opened.record.at_ms);
        let deps = facts.deps.unwrap_or_else(|| changes.last().map(|before| before.recipe.hash).into_iter().collect());
        let named = short.hash;
        let time = short.time.unwrap_or_else(|| replica::change_time(first_ms));
        let mut recipe = Recipe {
            hash: named.unwrap_or(Bytes32([0; 32])),
            actor: facts.actor,
            seq: facts.seq,
            start_op: facts.start_op,
            deps,
            time,
            records: short.records,
        };
        let ids: Option<Vec<RecordId>> = records.iter().map(|r| r.opened.as_ref().ok().map(|o| o.record.id)).collect();
        let fault = match ids.as_ref().map(|ids| replica::hash_of(doc, &recipe, ids)) {
            // A record that cannot be read is what is wrong with the change: that is said of it.
            None => None,
            Some(Ok(hash)) if named.is_none_or(|named| named == hash) => {
                recipe.hash = hash;
                None
            }
            Some(Ok(_)) => Some(WRONG_HASH.to_owned()),
            Some(Err(error)) => Some(format!("The change is not taken: {error}.")),
        };
        if named.is_some() && fault.is_some() {
            fail(&mut changes, uncovered, WRONG_HASH);
        }
        uncovered = if named.is_some() { 0 } else { uncovered + 1 };
        changes.push(IncomingChange { recipe, fault, records });
    }
    if !reader.may_end() {
        fail(&mut changes, uncovered, LEAVES_OUT);
    }
    changes
}

/// The last so many changes are at fault: no hash that holds covers them.
fn fail(changes: &mut [IncomingChange], last: usize, why: &str) {
    let from = changes.len().saturating_sub(last);
    for change in changes.iter_mut().skip(from) {
        change.fault.get_or_insert_with(|| why.to_owned());
    }
}

/// What can be told of a recipe that says too little: enough to name and keep its records.
fn bare(short: ShortRecipe) -> Recipe {
    Recipe {
        hash: short.hash.unwrap_or(Bytes32([0; 32])),
        actor: short.actor.unwrap_or(shared::bytes::Bytes16([0; 16])),
        seq: short.seq.unwrap_or_default(),
        start_op: short.start_op.unwrap_or_default(),
        deps: short.deps.unwrap_or_default(),
        time: short.time.unwrap_or_default(),
        records: short.records,
    }
}

/// Keys as they are needed, each decoded once.
struct SignerKeys<'r> {
    roster: &'r Roster,
    new_devices: BTreeMap<DeviceId, (Bytes32, PersonId)>,
    decoded: BTreeMap<DeviceId, Option<(PersonId, Option<VerifyingKey>)>>,
}

impl SignerKeys<'_> {
    fn of(&mut self, device: DeviceId) -> Option<&(PersonId, Option<VerifyingKey>)> {
        let (roster, new) = (self.roster, &self.new_devices);
        let decoded = self.decoded.entry(device).or_insert_with(|| {
            let (key, person) = new.get(&device).copied().or_else(|| roster.signer(device))?;
            Some((person, VerifyingKey::from_bytes(&key.0).ok()))
        });
        decoded.as_ref()
    }
}

impl IncomingBatch {
    /// Opens what a message brings of a document: its list of recipes.
    #[must_use]
    pub fn open(doc: DocId, recipes: Vec<ShortRecipe>) -> Self {
        let short = recipes.len() == 1 || recipes.iter().any(|recipe| recipe.actor.is_none());
        let packed = if short { encode(&recipes).ok() } else { None };
        Self { doc, changes: open(doc, recipes), vouched: Vouched::default(), packed }
    }

    /// Takes the shop's word for every signature: whose device it is is looked up, no more.
    pub fn trust(&mut self, roster: &Roster) {
        for record in self.changes.iter_mut().flat_map(|change| &mut change.records) {
            let Ok(opened) = &record.opened else { continue };
            record.signature = roster.signer(opened.device).map(|(_, person)| (person, Ok(())));
        }
        self.hear_the_shop(roster.root.device, &mut BTreeMap::new());
    }

    /// Checks every signature: the shop's own first, since with them it vouches for records and names new devices.
    pub fn check(&mut self, roster: &Roster) {
        let root = roster.root;
        let mut keys = SignerKeys { roster, new_devices: BTreeMap::new(), decoded: BTreeMap::new() };
        for of_shop in [true, false] {
            for record in self.changes.iter_mut().flat_map(|change| &mut change.records) {
                let Ok(opened) = &record.opened else { continue };
                if (opened.device == root.device) != of_shop {
                    continue;
                }
                record.signature = keys.of(opened.device).map(|(person, key)| {
                    let holds = key.as_ref().ok_or(EnvelopeError::Key).and_then(|key| opened.verify_with(key, root.shop));
                    (*person, holds)
                });
            }
            if of_shop {
                self.hear_the_shop(root.device, &mut keys.new_devices);
            }
        }
    }

    /// Notes the receipts that the shop signed, and the devices whose cards it signed.
    fn hear_the_shop(&mut self, shop: DeviceId, new_devices: &mut BTreeMap<DeviceId, (Bytes32, PersonId)>) {
        for record in self.changes.iter().flat_map(|change| &change.records) {
            let (Ok(opened), Some((_, Ok(())))) = (&record.opened, &record.signature) else { continue };
            if opened.device != shop || opened.record.doc != self.doc {
                continue;
            }
            match &opened.record.body {
                Body::Arrival(arrival) => self.vouched.hear(arrival),
                Body::Device(card) => {
                    new_devices.insert(card.device, (card.record_key, card.person));
                }
                _ => {}
            }
        }
    }

    /// Every record, in the order in which they came, with its bytes.
    pub fn records(&self) -> impl Iterator<Item = (&IncomingRecord, &Blob)> {
        self.changes.iter().flat_map(|change| change.records.iter().zip(&change.recipe.records))
    }
}
