//! Receipts made to serve for something else: a harmless record is handed in, the shop signs that it arrived, and a decision is
//! signed under the receipted id. What was made once is kept, and sent again when the shop may have forgotten the harmless one.

use std::collections::BTreeSet;

use shared::ids::{DocId, PropertyId, RecordId};
use shared::record::{Body, MachineCard, Note};
use shared::wire::Recipe;
use sync_core::crypto::envelope;
use sync_core::sys::rng::{fresh_doc, fresh_record, random};

use super::super::world::{Broken, World};
use super::Door;
use super::deeds::Deed;
use super::forge::{Draft, on_genesis};
use crate::crew::Dice;

/// A decision with receipts that the shop signed for something else.
#[derive(Debug, Clone)]
pub(in crate::sim) struct Pocketed {
    node: usize,
    doc: DocId,
    beside: bool,
    receipts: Vec<Vec<u8>>,
    decision: Vec<u8>,
}

/// The receipts in what the shop sent of a document, each once: one answer may bring a change by two ways.
fn receipts(recipes: &[shared::wire::ShortRecipe]) -> Vec<Vec<u8>> {
    let records = recipes.iter().flat_map(|recipe| &recipe.records);
    let is_receipt = |bytes: &[u8]| envelope::decode_unverified(bytes).is_ok_and(|opened| matches!(opened.record.body, Body::Arrival(_)));
    let found: BTreeSet<Vec<u8>> = records.filter(|record| is_receipt(&record.0)).map(|record| record.0.clone()).collect();
    found.into_iter().collect()
}

impl World {
    /// A harmless note in a document that is there: its id.
    fn note_in(&mut self, node: usize, doc: DocId, dice: &mut Dice) -> Result<Option<RecordId>, Broken> {
        let now = self.nodes[node].moment(self.now_ms);
        let note = fresh_record(&now, self.nodes[node].device, dice);
        let harmless = Draft { id: Some(note), ..Draft::new(doc, Note { text: "all well".to_owned(), visit: None }) };
        let Some(harmless) = self.forge(node, harmless, dice) else { return Ok(None) };
        let recipe = on_genesis(doc, vec![harmless], dice);
        self.ask(node, vec![(doc, vec![recipe])], &[], Some(0), dice)?;
        Ok(Some(note))
    }

    /// A machine of the insider's own, founded by hand, with a note in it: the document, and the note's id.
    fn own_ground(&mut self, node: usize, dice: &mut Dice) -> Result<Option<(DocId, RecordId)>, Broken> {
        let (now, device) = (self.nodes[node].moment(self.now_ms), self.nodes[node].device);
        let (doc, property) = (fresh_doc(&now, device, dice), PropertyId::from_bytes(random(dice)));
        let card = MachineCard {
            tag: format!("own-{}", &doc.to_string()[..8]),
            description: String::new(),
            property,
            engine_card: None,
            cylinders: None,
            duty: shared::engine_card::Duty::Commercial,
            hours_per_week: None,
            provisional: true,
        };
        let note = fresh_record(&now, device, dice);
        let Some(founding) = self.forge(node, Draft::new(doc, card), dice) else { return Ok(None) };
        let harmless = Draft { id: Some(note), ..Draft::new(doc, Note { text: "all well".to_owned(), visit: None }) };
        let Some(harmless) = self.forge(node, harmless, dice) else { return Ok(None) };
        let recipe = on_genesis(doc, vec![founding, harmless], dice);
        self.ask(node, vec![(doc, vec![recipe])], &[], Some(0), dice)?;
        Ok(Some((doc, note)))
    }

    pub(super) fn relabel(&mut self, node: usize, deed: Deed, door: Door, beside: bool, dice: &mut Dice) -> Result<(), Broken> {
        let Some((doc, body)) = self.deed(node, deed, dice) else { return Ok(()) };
        let ground = if beside { self.note_in(node, doc, dice)?.map(|note| (doc, note)) } else { self.own_ground(node, dice)? };
        let Some((own, note)) = ground else { return Ok(()) };
        let Some(answer) = self.ask(node, vec![], &[own], None, dice)? else { return Ok(()) };
        let of_own = answer.docs.into_iter().find(|answer| answer.id == own).map(|answer| answer.recipes).unwrap_or_default();
        let receipts = receipts(&of_own);
        if receipts.is_empty() {
            self.say("    No receipt came.");
            return Ok(());
        }
        let Some(decision) = self.forge(node, Draft { id: Some(note), ..Draft::new(doc, body) }, dice) else { return Ok(()) };
        self.pocket.push(Pocketed { node, doc, beside, receipts, decision });
        self.replay_last(node, door, dice)
    }

    /// Sends everything again that was relabelled.
    pub(super) fn replay(&mut self, node: usize, door: Door, dice: &mut Dice) -> Result<(), Broken> {
        let mine: Vec<Pocketed> = self.pocket.iter().filter(|pocketed| pocketed.node == node).cloned().collect();
        mine.iter().try_for_each(|pocketed| self.send_pocketed(pocketed, door, dice))
    }

    fn replay_last(&mut self, node: usize, door: Door, dice: &mut Dice) -> Result<(), Broken> {
        let Some(last) = self.pocket.iter().rfind(|pocketed| pocketed.node == node).cloned() else { return Ok(()) };
        self.send_pocketed(&last, door, dice)
    }

    fn send_pocketed(&mut self, pocketed: &Pocketed, door: Door, dice: &mut Dice) -> Result<(), Broken> {
        let doc = pocketed.doc;
        let (receipts, decision) = (pocketed.receipts.clone(), vec![pocketed.decision.clone()]);
        // Receipts of the same document are where they belong: they are refused with the decision, and not by themselves.
        let changes = if pocketed.beside { vec![[receipts, decision].concat()] } else { vec![receipts, decision] };
        let recipes: Vec<Recipe> = changes.into_iter().map(|records| on_genesis(doc, records, dice)).collect();
        self.send(pocketed.node, door, vec![(doc, recipes)], dice)
    }
}
