//! The shop's word for what it sends: one signature over every change in an answer.
//!
//! It covers the shop's epoch, and of each document its id, its heads, its segments and its recipes. The shop has checked
//! every record's own signature when it came in; with the shop's one, a device keeps at once what the answer brings, and
//! proves each record afterwards, when nobody waits ([`crate::sync::Peer::verify_deferred`]). The roster, from which all trust comes,
//! and everything in an answer without that signature, is checked before it is kept.

use ed25519_dalek::{Signature, Signer, VerifyingKey};
use sha2::{Digest, Sha256};
use shared::bytes::{Blob, Bytes16};
use shared::wire::{DocAnswer, ShortRecipe};

use crate::crypto::keys::Keys;
use crate::engine::BookError;
use crate::engine::bootstrap::verify_deferred;
use crate::judge::roster::ShopRoot;
use crate::store::{CURSOR, DISTRUST};
use crate::sync::Peer;

/// What is signed: a name of its own, so that the signature is good for nothing else, and a digest.
fn words(shop: &ShopRoot, epoch: Bytes16, docs: &[DocAnswer]) -> Vec<u8> {
    let mut digest = Sha256::new();
    for doc in docs {
        digest.update(doc.id.as_bytes());
        counted(&mut digest, doc.heads.iter().map(|head| head.0.as_slice()));
        counted(&mut digest, doc.segments.iter().map(|Blob(encoded)| encoded.as_slice()));
        digest.update((doc.recipes.len() as u64).to_be_bytes());
        doc.recipes.iter().for_each(|recipe| facts(&mut digest, recipe));
    }
    let mut words = b"tappetbook answer".to_vec();
    words.extend(shop.shop.as_bytes());
    words.extend(epoch.0);
    words.extend((docs.len() as u64).to_be_bytes());
    words.extend(digest.finalize());
    words
}

/// Byte strings, each after its length, all after their count.
fn counted<'b>(digest: &mut Sha256, strings: impl ExactSizeIterator<Item = &'b [u8]>) {
    digest.update((strings.len() as u64).to_be_bytes());
    for bytes in strings {
        digest.update((bytes.len() as u64).to_be_bytes());
        digest.update(bytes);
    }
}

/// What a recipe names, and that it does not name the rest.
fn facts(digest: &mut Sha256, recipe: &ShortRecipe) {
    counted(digest, recipe.hash.iter().map(|hash| hash.0.as_slice()));
    counted(digest, recipe.actor.iter().map(|actor| actor.0.as_slice()));
    for number in [recipe.seq, recipe.start_op, recipe.time.map(i64::cast_unsigned)] {
        digest.update([u8::from(number.is_some())]);
        digest.update(number.unwrap_or_default().to_be_bytes());
    }
    digest.update([u8::from(recipe.deps.is_some())]);
    counted(digest, recipe.deps.iter().flatten().map(|dep| dep.0.as_slice()).collect::<Vec<_>>().into_iter());
    counted(digest, recipe.records.iter().map(|Blob(record)| record.as_slice()));
}

/// Signs for the changes in these answers; `None` where there are none.
pub(super) fn attest(shop: &ShopRoot, keys: &Keys, epoch: Bytes16, docs: &[DocAnswer]) -> Option<Blob> {
    let any = docs.iter().any(|doc| !doc.segments.is_empty() || !doc.recipes.is_empty());
    any.then(|| Blob(keys.record().sign(&words(shop, epoch, docs)).to_bytes().to_vec()))
}

/// Whether the shop signed for the changes in these answers.
pub(super) fn holds(shop: &ShopRoot, epoch: Bytes16, docs: &[DocAnswer], vouch: Option<&Blob>) -> bool {
    let key = VerifyingKey::from_bytes(&shop.key.0);
    let signature = vouch.and_then(|Blob(bytes)| Signature::from_slice(bytes).ok());
    key.ok().zip(signature).is_some_and(|(key, signature)| key.verify_strict(&words(shop, epoch, docs), &signature).is_ok())
}

impl Peer<'_> {
    /// Proves what was kept on the shop's word, up to a count of segments of the log: hashes and signatures are looked at as
    /// for anything else. A document with a part that does not hold goes, and is asked for again without the shop's word;
    /// one in which this device has something of its own that is not at the shop stays until it is. Gives how many segments
    /// are left to prove.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn verify_deferred(&mut self, most: usize) -> Result<usize, BookError> {
        let roster = self.book.roster_of_now()?;
        self.book.store.atomically(|store| {
            let waiting = store.documents().documents_waiting()?;
            for doc in verify_deferred(store, most, &roster)?.into_iter().filter(|doc| !waiting.contains(doc)) {
                store.documents().forget_document(doc)?;
                store.clear_meta(&CURSOR)?;
                store.set_meta(&DISTRUST, &true)?;
            }
            Ok::<_, BookError>(store.documents().unverified()?)
        })
    }
}
