//! Verification: everything derived is derived again from the records, and must be the same.

use shared::wire::Recipe;

use super::bootstrap::record_holds;
use super::projection;
use crate::change::replica;
use crate::judge::roster::Roster;
use crate::store::{DocumentRow, Identity, Store, StoreError, changes_in, frontier_of};

/// What a verification found.
#[derive(Debug, Clone, PartialEq, Eq, Default, serde::Serialize)]
pub struct Verification {
    /// Documents looked at.
    pub documents: usize,
    /// Changes rebuilt from their records.
    pub changes: usize,
    /// Records whose signatures were checked.
    pub records: usize,
    /// What is wrong, one sentence each. Empty: nothing.
    pub faults: Vec<String>,
}

/// Carries a dry run's findings out of a transaction that is then undone.
enum DryRun {
    Done(Vec<String>),
    Failed(StoreError),
}

impl From<StoreError> for DryRun {
    fn from(error: StoreError) -> Self {
        Self::Failed(error)
    }
}

/// Verifies the book: SQLite's own check, every signature, every change's hash from its records, every document saved
/// and loaded again, and every derived row against a rebuild.
///
/// A device writes from its enrolment on, and the roster has its card only with the shop's first answer: until then its
/// `own` key holds.
///
/// # Errors
/// [`StoreError`] where the book cannot even be read.
pub(crate) fn verify(store: &Store, roster: &Roster, own: &Identity) -> Result<Verification, StoreError> {
    let mut found = Verification::default();
    if let Some(damage) = store.damage()? {
        found.faults.push(format!("SQLite finds the file damaged: {damage}."));
    }
    for document in store.documents().all()? {
        verify_document(store, &document, roster, own, &mut found)?;
    }
    let before = store.derived_dump()?;
    let after = rebuilt_dump(store, roster)?;
    if before != after {
        let differing = before.iter().zip(&after).filter(|(a, b)| a != b).count() + before.len().abs_diff(after.len());
        found.faults.push(format!("{differing} derived rows differ from a rebuild."));
    }
    Ok(found)
}

fn verify_document(
    store: &Store,
    document: &DocumentRow,
    roster: &Roster,
    own: &Identity,
    found: &mut Verification,
) -> Result<(), StoreError> {
    let signer = |device| roster.signer(device).or_else(|| (device == own.device).then_some((own.record_key, own.person)));
    found.documents += 1;
    let recipes = match recipes_again(store, document) {
        Ok(recipes) => recipes,
        Err(StoreError::Damaged(why)) => {
            found.faults.push(format!("A change of document {} is not what its records make ({why}).", document.doc));
            return Ok(());
        }
        Err(other) => return Err(other),
    };
    found.changes += recipes.len();
    found.records += recipes.iter().map(|recipe| recipe.records.len()).sum::<usize>();
    if !recipes.iter().flat_map(|recipe| &recipe.records).all(|bytes| record_holds(&bytes.0, roster.root.shop, signer)) {
        found.faults.push(format!("A record of document {} does not hold under its device's key.", document.doc));
    }
    let again = replica::save(document.doc, &recipes).and_then(|saved| replica::load(document.doc, &saved, &document.heads));
    match again {
        Ok(loaded) if loaded.len() == recipes.len() => {}
        Ok(_) => found.faults.push(format!("Document {} loses changes when saved and loaded.", document.doc)),
        Err(error) => found.faults.push(format!("Document {} does not save and load: {error}.", document.doc)),
    }
    let frontier = frontier_of(document.doc, recipes.iter());
    if frontier.heads() != document.heads {
        found.faults.push(format!("The heads of document {} are not those of its changes.", document.doc));
    }
    if frontier.size() != document.size {
        found.faults.push(format!("Document {} holds more or less than its row says.", document.doc));
    }
    let mut ends: Vec<_> = frontier.moved().copied().collect();
    let mut held = store.log().actor_ends(document.num)?;
    ends.sort_by_key(|end| end.actor);
    held.sort_by_key(|end| end.actor);
    if ends != held {
        found.faults.push(format!("The last changes of document {} are not those that its rows name.", document.doc));
    }
    Ok(())
}

/// The derived rows as a rebuild makes them. The rebuild itself is undone.
fn rebuilt_dump(store: &Store, roster: &Roster) -> Result<Vec<String>, StoreError> {
    let outcome: Result<(), DryRun> = store.atomically(|store| {
        derive_anew(store, roster)?;
        Err(DryRun::Done(store.derived_dump()?))
    });
    match outcome {
        Err(DryRun::Done(lines)) => Ok(lines),
        Err(DryRun::Failed(error)) => Err(error),
        Ok(()) => Ok(Vec::new()),
    }
}

/// Derives every row from the records again, and keeps the result.
///
/// # Errors
/// [`StoreError`].
pub fn rebuild(store: &Store, roster: &Roster) -> Result<(), StoreError> {
    store.atomically(|store| derive_anew(store, roster))
}

fn derive_anew(store: &Store, roster: &Roster) -> Result<(), StoreError> {
    store.index_again()?;
    projection::derive_everything(store, roster)
}

/// A document's changes with their hashes made again from the records.
fn recipes_again(store: &Store, document: &DocumentRow) -> Result<Vec<Recipe>, StoreError> {
    let mut recipes = Vec::new();
    for segment in store.log().segments_of(document.num)? {
        recipes.extend(changes_in(document.doc, &segment.encoded, true)?.into_iter().map(|(recipe, _)| recipe));
    }
    Ok(recipes)
}
