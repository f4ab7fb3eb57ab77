//! The frontier of one document: its heads and the last change of each actor. What is admitted or appended is judged
//! against these few rows; only a change that builds on something further back has the document's history read.

use std::cell::OnceCell;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use shared::bytes::{Bytes16, Bytes32};
use shared::ids::DocId;
use shared::wire::Recipe;

use crate::change::replica::genesis_hash;
use crate::judge::ledger::Ledger;
use crate::store::{Checked, DocumentRow, Size, Store, StoreError};

/// The last change of an actor in a document.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ActorEnd {
    /// Its actor.
    pub actor: Bytes16,
    /// Its number.
    pub seq: u64,
    /// Its hash.
    pub hash: Bytes32,
    /// Counter of its last operation.
    pub top_op: u64,
}

/// A change as a step on the way back.
#[derive(Debug, Clone)]
struct ActorStep {
    top_op: u64,
    deps: Vec<Bytes32>,
}

impl ActorStep {
    fn of(recipe: &Recipe) -> Self {
        Self { top_op: top_op(recipe), deps: recipe.deps.clone() }
    }
}

/// Counter of a change's last operation.
#[must_use]
pub fn top_op(recipe: &Recipe) -> u64 {
    recipe.start_op.saturating_add(recipe.records.len() as u64).saturating_sub(1)
}

/// The frontier of one document, moved along as changes are taken.
#[derive(Debug)]
pub struct Frontier {
    /// Which document.
    pub doc: DocId,
    /// Its row; `None` while it is not here.
    pub document: Option<DocumentRow>,
    heads: BTreeSet<Bytes32>,
    actors: BTreeMap<Bytes16, ActorEnd>,
    /// Actors whose last change has moved since the rows were read.
    moved: BTreeSet<Bytes16>,
    /// What was taken since the rows were read.
    taken: BTreeMap<Bytes32, ActorStep>,
    /// Every change that the rows stand for, read when it is first needed.
    history: OnceCell<BTreeMap<Bytes32, ActorStep>>,
    /// How much it holds.
    size: Size,
    /// What was appended to the log and has no rows yet.
    pub(crate) pending: PendingRows,
}

/// What was appended to a document's log and has no rows yet.
#[derive(Debug, Default)]
pub(crate) struct PendingRows {
    /// The position of its first part.
    pub(crate) from: Option<u64>,
    /// The records of it.
    pub(crate) records: Vec<Checked>,
    /// The document's ledger without them, where it was at hand.
    pub(crate) ledger: Option<Arc<Ledger>>,
}

impl Frontier {
    /// Reads a document's frontier.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn read(store: &Store, doc: DocId) -> Result<Self, StoreError> {
        let document = store.documents().document(doc)?;
        let actors = match &document {
            Some(row) => store.log().actor_ends(row.num)?,
            None => Vec::new(),
        };
        let size = document.as_ref().map(|row| row.size).unwrap_or_default();
        let heads = document.iter().flat_map(|row| row.heads.iter().copied()).collect();
        Ok(Self {
            doc,
            document,
            heads,
            actors: actors.into_iter().map(|end| (end.actor, end)).collect(),
            moved: BTreeSet::new(),
            taken: BTreeMap::new(),
            history: OnceCell::new(),
            size,
            pending: PendingRows::default(),
        })
    }

    /// The frontier of a document of which nothing is here.
    #[must_use]
    pub fn empty(doc: DocId) -> Self {
        Self {
            doc,
            document: None,
            heads: BTreeSet::new(),
            actors: BTreeMap::new(),
            moved: BTreeSet::new(),
            taken: BTreeMap::new(),
            history: OnceCell::from(BTreeMap::new()),
            size: Size::default(),
            pending: PendingRows::default(),
        }
    }

    /// The heads now, in order. A document without changes has its genesis.
    #[must_use]
    pub fn heads(&self) -> Vec<Bytes32> {
        if self.heads.is_empty() { vec![genesis_hash(self.doc)] } else { self.heads.iter().copied().collect() }
    }

    /// The last change of an actor.
    #[must_use]
    pub fn last_of(&self, actor: Bytes16) -> Option<ActorEnd> {
        self.actors.get(&actor).copied()
    }

    /// How many changes all actors have made: their numbers run from 1.
    #[must_use]
    pub fn count(&self) -> usize {
        self.actors.values().map(|end| usize::try_from(end.seq).unwrap_or(usize::MAX)).fold(0, usize::saturating_add)
    }

    /// The actors whose last change has moved, with it.
    pub(crate) fn moved(&self) -> impl Iterator<Item = &ActorEnd> {
        self.moved.iter().filter_map(|actor| self.actors.get(actor))
    }

    fn history(&self, store: &Store) -> Result<&BTreeMap<Bytes32, ActorStep>, StoreError> {
        if let Some(history) = self.history.get() {
            return Ok(history);
        }
        let changes = match &self.document {
            Some(row) => store.log().changes_of(row.num)?,
            None => Vec::new(),
        };
        let steps = changes.iter().map(|logged| (logged.recipe.hash, ActorStep::of(&logged.recipe))).collect();
        Ok(self.history.get_or_init(|| steps))
    }

    fn end_with(&self, hash: Bytes32) -> Option<&ActorEnd> {
        self.actors.values().find(|end| end.hash == hash)
    }

    fn step(&self, store: &Store, hash: Bytes32) -> Result<Option<ActorStep>, StoreError> {
        if let Some(step) = self.taken.get(&hash) {
            return Ok(Some(step.clone()));
        }
        Ok(self.history(store)?.get(&hash).cloned())
    }

    fn ends_segment(&self, store: &Store, hash: Bytes32) -> Result<bool, StoreError> {
        self.document.as_ref().map_or(Ok(false), |row| store.log().ends_segment(row.num, hash))
    }

    /// Whether a change is held.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn holds(&self, store: &Store, recipe: &Recipe) -> Result<bool, StoreError> {
        // An actor's changes are held from its first to its last: a number beyond that one is new.
        match self.last_of(recipe.actor) {
            None => Ok(false),
            Some(last) if recipe.seq > last.seq => Ok(false),
            Some(last) if last.hash == recipe.hash => Ok(true),
            // One's own changes come back as they were written, each a part: a look at the segments spares the history.
            Some(_) => Ok(self.ends_segment(store, recipe.hash)? || self.step(store, recipe.hash)?.is_some()),
        }
    }

    /// Which of these changes the document lacks.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn missing(&self, store: &Store, deps: &[Bytes32]) -> Result<Vec<Bytes32>, StoreError> {
        let mut missing = Vec::new();
        for hash in deps {
            let near = self.heads.contains(hash) || self.taken.contains_key(hash) || self.end_with(*hash).is_some();
            if !near && *hash != genesis_hash(self.doc) && self.step(store, *hash)?.is_none() {
                missing.push(*hash);
            }
        }
        Ok(missing)
    }

    /// The greatest operation counter among these changes; a genesis has 1.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn top_op(&self, store: &Store, deps: &[Bytes32]) -> Result<u64, StoreError> {
        let mut top = 1;
        for hash in deps {
            let own = match (self.taken.get(hash), self.end_with(*hash)) {
                (Some(step), _) => step.top_op,
                (None, Some(end)) => end.top_op,
                (None, None) if *hash == genesis_hash(self.doc) => 1,
                (None, None) => self.step(store, *hash)?.map_or(1, |step| step.top_op),
            };
            top = top.max(own);
        }
        Ok(top)
    }

    /// Whether some of these changes is, or builds on, an actor's last one. Counters fall along the way back, so the
    /// search is cut where they fall below the one sought.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn descends(&self, store: &Store, from: &[Bytes32], sought: &ActorEnd) -> Result<bool, StoreError> {
        if from.contains(&sought.hash) {
            return Ok(true);
        }
        let mut open = from.to_vec();
        let mut done = BTreeSet::new();
        while let Some(hash) = open.pop() {
            if hash == sought.hash {
                return Ok(true);
            }
            if !done.insert(hash) {
                continue;
            }
            if let Some(step) = self.step(store, hash)?
                && step.top_op > sought.top_op
            {
                open.extend(step.deps);
            }
        }
        Ok(false)
    }

    /// Moves along with a change that was taken.
    pub fn advance(&mut self, recipe: &Recipe) {
        let step = ActorStep::of(recipe);
        for dep in &recipe.deps {
            self.heads.remove(dep);
        }
        self.heads.insert(recipe.hash);
        let end = ActorEnd { actor: recipe.actor, seq: recipe.seq, hash: recipe.hash, top_op: step.top_op };
        self.actors.insert(recipe.actor, end);
        self.moved.insert(recipe.actor);
        self.taken.insert(recipe.hash, step);
        self.size = self.size.with(&recipe.records);
    }

    /// How much the document holds, with what was taken.
    #[must_use]
    pub const fn size(&self) -> Size {
        self.size
    }

    /// How many heads it has once a change on top of some of them is taken.
    #[must_use]
    pub fn heads_with(&self, recipe: &Recipe) -> usize {
        1 + self.heads.iter().filter(|head| !recipe.deps.contains(head)).count()
    }

    /// Forgets what was moved: it is in the rows now.
    pub(crate) fn settled(&mut self) {
        self.moved.clear();
        let heads = self.heads();
        if let Some(row) = &mut self.document {
            row.heads = heads;
            row.size = self.size;
        }
    }
}
