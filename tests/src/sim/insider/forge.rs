//! How something is forged: records signed with a real device's keys, changes built by hand on a document's genesis, requests and
//! bundles that no honest program would make.

use shared::bytes::{Blob, Bytes16, Bytes32};
use shared::ids::{DocId, PersonId, RecordId};
use shared::record::{Body, ClockEvidence, Record};
use shared::wire::{BUNDLE, Bundle, BundledDoc, Cursor, DocOffer, ExchangeAnswer, ExchangeRequest, PROTOCOL, Recipe};
use sync_core::change::replica;
use sync_core::crypto::envelope;
use sync_core::judge::ledger::Entry;
use sync_core::sync::{read_body, write_body};
use sync_core::sys::rng::{fresh_record, random};

use super::super::world::{Broken, SHOP, World};
use super::Door;
use crate::crew::Dice;

/// What became of something forged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::sim) enum Fate {
    /// It is not in the shop's book.
    Out,
    /// It is there; whether its author had the right, as far as the shop could know.
    In { lawful: bool },
    /// The office let it in; whether its author had the right at the time that it claims.
    Released { by_claim: bool },
}

/// Something that an insider signed.
#[derive(Debug, Clone)]
pub(in crate::sim) struct Forged {
    pub(in crate::sim) node: usize,
    pub(in crate::sim) by: PersonId,
    pub(in crate::sim) record: RecordId,
    pub(in crate::sim) doc: DocId,
    pub(in crate::sim) body: Body,
    pub(in crate::sim) bytes: Vec<u8>,
    /// True time of writing, ms since 1970 UTC.
    pub(in crate::sim) at_ms: i64,
    /// The time of writing that it claims.
    pub(in crate::sim) claimed_ms: i64,
    /// The first record of a document that nobody had founded.
    pub(in crate::sim) founds: bool,
    /// Its own word about the clock is a lie, and its device's clock is right.
    pub(in crate::sim) lies: bool,
    pub(in crate::sim) fate: Fate,
}

impl Forged {
    /// Whether a record in a book is this one: another may have its id.
    pub(in crate::sim) fn is(&self, entry: &Entry) -> bool {
        envelope::decode_unverified(&self.bytes).is_ok_and(|opened| opened.sha256 == entry.sha256)
    }
}

/// What is to be signed.
pub(super) struct Draft {
    pub(super) doc: DocId,
    pub(super) body: Body,
    pub(super) id: Option<RecordId>,
    pub(super) by: Option<PersonId>,
    pub(super) back_ms: i64,
    pub(super) clock: ClockEvidence,
}

impl Draft {
    pub(super) fn new(doc: DocId, body: impl std::convert::Into<Body>) -> Self {
        Self { doc, body: body.into(), id: None, by: None, back_ms: 0, clock: ClockEvidence::default() }
    }
}

/// A change of an actor of its own on the document's genesis, which every holder of the document has.
pub(super) fn on_genesis(doc: DocId, records: Vec<Vec<u8>>, dice: &mut Dice) -> Recipe {
    on(doc, vec![replica::genesis_hash(doc)], 2, records, dice)
}

/// A change of an actor of its own that builds on another.
pub(super) fn on_top_of(doc: DocId, before: &Recipe, records: Vec<Vec<u8>>, dice: &mut Dice) -> Recipe {
    on(doc, vec![before.hash], before.start_op + before.records.len() as u64, records, dice)
}

fn on(doc: DocId, deps: Vec<Bytes32>, start_op: u64, records: Vec<Vec<u8>>, dice: &mut Dice) -> Recipe {
    let (actor, records) = (Bytes16(random(dice)), records.into_iter().map(Blob).collect());
    let mut recipe = Recipe { hash: Bytes32([0; 32]), actor, seq: 1, start_op, deps, time: 0, records };
    recipe.hash = replica::change_hash(doc, &recipe).expect("a change");
    recipe
}

impl World {
    /// Signs something with an insider's keys, and notes it.
    pub(super) fn forge(&mut self, node: usize, draft: Draft, dice: &mut Dice) -> Option<Vec<u8>> {
        let moment = self.nodes[node].moment(self.now_ms);
        let identity = self.nodes[node].book(dice)?.identity().ok()?.clone();
        let id = draft.id.unwrap_or_else(|| fresh_record(&moment, identity.device, dice));
        let record = Record {
            id,
            doc: draft.doc,
            by: draft.by.unwrap_or(identity.person),
            measured_by: None,
            at_ms: moment.wall_ms - draft.back_ms,
            clock: draft.clock,
            seen: vec![],
            body: draft.body,
        };
        let bytes = envelope::sign(&record, identity.device, identity.keys().ok()?.record(), identity.root.shop).ok()?;
        let founds = self.shop_place(draft.doc).is_none();
        let lies = record.clock != ClockEvidence::default() && self.nodes[node].clock_off_ms == 0;
        self.forged.push(Forged {
            node,
            by: identity.person,
            record: id,
            doc: draft.doc,
            body: record.body,
            bytes: bytes.clone(),
            at_ms: self.now_ms,
            claimed_ms: self.now_ms - draft.back_ms,
            founds,
            lies,
            fate: Fate::Out,
        });
        Some(bytes)
    }

    /// What kind of document the shop has under an id.
    pub(super) fn shop_place(&self, doc: DocId) -> Option<sync_core::judge::permissions::DocKind> {
        self.nodes[SHOP].book.as_ref()?.store().documents().place(doc).ok().flatten()
    }

    /// Sends changes by a door.
    pub(super) fn send(&mut self, node: usize, door: Door, docs: Vec<(DocId, Vec<Recipe>)>, dice: &mut Dice) -> Result<(), Broken> {
        self.say(&format!("    And {door}."));
        match door {
            Door::Shop => self.ask(node, docs, &[], Some(0), dice).map(|_| ()),
            Door::Phone(to) => self.put_on_phone(node, self.phone(to), docs, dice),
        }
    }

    /// A request made by hand: what it hands over, what it asks for, and how much it takes; the answer, where there is one.
    pub(super) fn ask(
        &mut self,
        node: usize,
        docs: Vec<(DocId, Vec<Recipe>)>,
        wanted: &[DocId],
        room: Option<u64>,
        dice: &mut Dice,
    ) -> Result<Option<ExchangeAnswer>, Broken> {
        let mut offers: Vec<DocOffer> = docs
            .into_iter()
            .map(|(id, recipes)| {
                let recipes = recipes.into_iter().map(Into::into).collect();
                DocOffer { id, heads: vec![], recipes, lacking: wanted.contains(&id) }
            })
            .collect();
        let named: Vec<DocId> = offers.iter().map(|offer| offer.id).collect();
        let asked = wanted.iter().filter(|doc| !named.contains(doc));
        offers.extend(asked.map(|doc| DocOffer { id: *doc, heads: vec![], recipes: vec![], lacking: true }));
        let device_time = self.nodes[node].moment(self.now_ms).wall_ms;
        let request =
            ExchangeRequest { v: PROTOCOL, device_time, epoch: None, cursor: Cursor::default(), segments: false, room, docs: offers };
        let Ok(body) = write_body(&request, true) else { return Ok(None) };
        let answer = self.at_the_shop(node, &body, None, dice)?;
        let answer: Option<ExchangeAnswer> = answer.and_then(|body| read_body(&body, true).ok());
        for refusal in answer.iter().flat_map(|answer| &answer.docs).flat_map(|doc| &doc.refused) {
            self.told.refused += 1;
            self.say(&format!("    Not taken: {} {}", refusal.code, refusal.detail));
        }
        Ok(answer)
    }

    fn put_on_phone(&mut self, node: usize, to: usize, docs: Vec<(DocId, Vec<Recipe>)>, dice: &mut Dice) -> Result<(), Broken> {
        if to == node {
            return Ok(());
        }
        let made_at = self.nodes[node].moment(self.now_ms).wall_ms;
        let Some(Ok(identity)) = self.nodes[node].book(dice).map(|book| book.identity().cloned()) else { return Ok(()) };
        let docs = docs.into_iter().map(|(id, recipes)| BundledDoc { id, recipes: recipes.into_iter().map(Into::into).collect() });
        let bundle = Bundle { bundle: BUNDLE, shop: identity.root.shop, from: identity.device, made_at, docs: docs.collect() };
        let Ok(bytes) = write_body(&bundle, true) else { return Ok(()) };
        if !self.ready(to, None, dice) {
            return Ok(());
        }
        let now = self.nodes[to].moment(self.now_ms);
        let name = self.nodes[to].name.clone();
        let Some(book) = self.nodes[to].book.as_mut() else { return Ok(()) };
        let said = match book.peer().take_bundle(&bytes, &now) {
            Ok(taken) => {
                self.told.refused += taken.refused.len();
                let why: Vec<_> = taken.refused.iter().map(|line| line.code.name()).collect();
                format!("    On {name}'s phone: {} taken, {} saved, {} refused {why:?}.", taken.taken, taken.saved, taken.refused.len())
            }
            Err(error) => format!("    On {name}'s phone: {error}."),
        };
        self.say(&said);
        self.watch_phone(to)?;
        self.after(to, dice)
    }
}
