//! The shop's word for whole documents: one signature over every pack in an answer.
//!
//! It covers the shop's epoch, and of each document its id, its heads and its packs. With it a device keeps whole
//! documents at once and proves each of them afterwards; without it, or for a document of which it has something, nothing
//! is taken on trust.

use ed25519_dalek::{Signature, Signer, VerifyingKey};
use sha2::{Digest, Sha256};
use shared::bytes::{Blob, Bytes16};
use shared::wire::DocAnswer;

use crate::identity::Keys;
use crate::roster::ShopRoot;

/// What is signed: a name of its own, so that the signature is good for nothing else, and a digest.
fn words(shop: &ShopRoot, epoch: Bytes16, docs: &[DocAnswer]) -> Vec<u8> {
    let mut digest = Sha256::new();
    let mut count: u64 = 0;
    for doc in docs.iter().filter(|doc| !doc.packs.is_empty()) {
        count += 1;
        digest.update(doc.id.as_bytes());
        digest.update((doc.heads.len() as u64).to_be_bytes());
        doc.heads.iter().for_each(|head| digest.update(head.0));
        digest.update((doc.packs.len() as u64).to_be_bytes());
        for Blob(pack) in &doc.packs {
            digest.update((pack.len() as u64).to_be_bytes());
            digest.update(pack);
        }
    }
    let mut words = b"tappetbook whole documents".to_vec();
    words.extend(shop.shop.as_bytes());
    words.extend(epoch.0);
    words.extend(count.to_be_bytes());
    words.extend(digest.finalize());
    words
}

/// Signs for the packs in these answers; `None` where there are none.
pub(super) fn vouch(shop: &ShopRoot, keys: &Keys, epoch: Bytes16, docs: &[DocAnswer]) -> Option<Blob> {
    let any = docs.iter().any(|doc| !doc.packs.is_empty());
    any.then(|| Blob(keys.record().sign(&words(shop, epoch, docs)).to_bytes().to_vec()))
}

/// Whether the shop signed for the packs in these answers.
pub(super) fn holds(shop: &ShopRoot, epoch: Bytes16, docs: &[DocAnswer], vouch: Option<&Blob>) -> bool {
    let key = VerifyingKey::from_bytes(&shop.key.0);
    let signature = vouch.and_then(|Blob(bytes)| Signature::from_slice(bytes).ok());
    key.ok().zip(signature).is_some_and(|(key, signature)| key.verify_strict(&words(shop, epoch, docs), &signature).is_ok())
}
