//! The signed envelope: a record's payload under COSE_Sign1 (RFC 9052) with Ed25519.
//!
//! Written tagged, alg -8 (EdDSA); read also untagged and with alg -19 (Ed25519, RFC 9864). The shop id is the
//! external data, so that a record cannot be replayed into another shop. Verified strictly over the bytes received.
//!
//! What [`sign`] writes is told by its bytes and taken apart without the library (`own`); every other envelope goes through
//! the library, and what is accepted is the same.

mod own;

use coset::iana::{self, EnumI64};
use coset::{CborSerializable, CoseSign1, CoseSign1Builder, HeaderBuilder, RegisteredLabelWithPrivate, TaggedCborSerializable};
use ed25519_dalek::{Signature, Signer, SigningKey, VerifyingKey};
use sha2::{Digest, Sha256};
use shared::bytes::Bytes32;
use shared::ids::{DeviceId, ShopId};
use shared::record::{LARGEST_RECORD, Receipted, Record, RecordError};

/// Content type of the payload: a record of this book.
pub const RECORD_TYPE: &str = "application/vnd.tappetbook.record+cbor";

/// An envelope that cannot be opened or does not hold.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum EnvelopeError {
    /// Not a COSE_Sign1 as agreed.
    #[error("the bytes are not a signed record: {0}")]
    Malformed(String),
    /// Larger than agreed.
    #[error("a signed record has at most {LARGEST_RECORD} bytes")]
    TooLarge,
    /// The payload is not a record.
    #[error("the signed payload is not a record: {0}")]
    Payload(#[from] RecordError),
    /// The signature does not hold under the device's key for this shop.
    #[error("the signature does not hold for this device and this shop")]
    Signature,
    /// The public key is not one.
    #[error("the device's public key is not an Ed25519 key")]
    Key,
}

/// An envelope whose payload has been read and whose signature has not been verified yet.
#[derive(Debug, Clone)]
pub struct Opened {
    /// The device that claims to have signed it.
    pub device: DeviceId,
    /// What it says.
    pub record: Record,
    /// SHA-256 of the bytes that it was read from.
    pub sha256: Bytes32,
    held: Held,
}

/// What the signature is found to hold over.
#[derive(Debug, Clone)]
enum Held {
    Own(own::Signed),
    Other(Box<CoseSign1>),
}

/// Signs a record.
///
/// # Errors
/// [`EnvelopeError::Payload`] where the record cannot be.
pub fn sign(record: &Record, device: DeviceId, key: &SigningKey, shop: ShopId) -> Result<Vec<u8>, EnvelopeError> {
    let protected = HeaderBuilder::new()
        .algorithm(iana::Algorithm::EdDSA)
        .content_type(RECORD_TYPE.to_owned())
        .key_id(device.as_bytes().to_vec())
        .build();
    let signed = CoseSign1Builder::new()
        .protected(protected)
        .payload(record.encode()?)
        .create_signature(shop.as_bytes(), |bytes| key.sign(bytes).to_bytes().to_vec())
        .build();
    let bytes = signed.to_tagged_vec().map_err(|e| EnvelopeError::Malformed(e.to_string()))?;
    if bytes.len() > LARGEST_RECORD { Err(EnvelopeError::TooLarge) } else { Ok(bytes) }
}

/// Reads an envelope without verifying it.
///
/// # Errors
/// [`EnvelopeError`]; nothing is taken from refused bytes.
pub fn decode_unverified(bytes: &[u8]) -> Result<Opened, EnvelopeError> {
    if bytes.len() > LARGEST_RECORD {
        return Err(EnvelopeError::TooLarge);
    }
    match own::split(bytes) {
        Some(split) => {
            let record = Record::decode(split.payload)?;
            Ok(Opened { device: split.device, record, sha256: sha256(bytes), held: Held::Own(split.signed()) })
        }
        None => open_other(bytes),
    }
}

/// SHA-256 of a record's signed bytes: what a receipt of the shop names it by, beside its id.
#[must_use]
pub fn sha256(bytes: &[u8]) -> Bytes32 {
    Bytes32(Sha256::digest(bytes).into())
}

/// Reads the bytes of an envelope that [`decode_unverified`] has taken before, and that was verified then.
///
/// For the program's own store alone: the signature is not looked at, nor is the record's form judged again
/// ([`Record::read_back`]).
///
/// # Errors
/// [`EnvelopeError`], where the store has been damaged.
pub fn read_back(bytes: &[u8]) -> Result<(DeviceId, Record), EnvelopeError> {
    match own::split(bytes) {
        Some(split) => Ok((split.device, Record::read_back(split.payload)?)),
        None => decode_unverified(bytes).map(|opened| (opened.device, opened.record)),
    }
}

/// Reads any envelope, by way of the library.
fn open_other(bytes: &[u8]) -> Result<Opened, EnvelopeError> {
    let malformed = |why: &str| EnvelopeError::Malformed(why.to_owned());
    let sign1 = CoseSign1::from_tagged_slice(bytes)
        .or_else(|_| CoseSign1::from_slice(bytes))
        .map_err(|e| EnvelopeError::Malformed(e.to_string()))?;
    let header = &sign1.protected.header;
    let algorithm = match &header.alg {
        Some(RegisteredLabelWithPrivate::Assigned(alg)) => alg.to_i64(),
        Some(RegisteredLabelWithPrivate::PrivateUse(alg)) => *alg,
        _ => return Err(malformed("it names no algorithm")),
    };
    if algorithm != -8 && algorithm != -19 {
        return Err(malformed("its algorithm is not Ed25519"));
    }
    if !header.crit.is_empty() || !sign1.unprotected.is_empty() {
        return Err(malformed("it has headers that are not agreed"));
    }
    let device = <[u8; 16]>::try_from(header.key_id.as_slice()).map_err(|_| malformed("it names no device"))?;
    let payload = sign1.payload.as_deref().ok_or_else(|| malformed("it has no payload"))?;
    let record = Record::decode(payload)?;
    Ok(Opened { device: DeviceId::from_bytes(device), record, sha256: sha256(bytes), held: Held::Other(Box::new(sign1)) })
}

impl Opened {
    /// What a receipt for it names.
    #[must_use]
    pub const fn receipted(&self) -> Receipted {
        Receipted { record: self.record.id, sha256: self.sha256 }
    }

    /// Verifies the signature strictly, over the bytes received.
    ///
    /// # Errors
    /// [`EnvelopeError::Signature`] where it does not hold, [`EnvelopeError::Key`] where the key is none.
    pub fn verify(&self, key: &Bytes32, shop: ShopId) -> Result<(), EnvelopeError> {
        let key = VerifyingKey::from_bytes(&key.0).map_err(|_| EnvelopeError::Key)?;
        self.verify_with(&key, shop)
    }

    /// As [`Opened::verify`], for who keeps decoded keys: decoding one costs about as much as a tenth of verifying.
    ///
    /// # Errors
    /// [`EnvelopeError::Signature`] where it does not hold.
    pub fn verify_with(&self, key: &VerifyingKey, shop: ShopId) -> Result<(), EnvelopeError> {
        match &self.held {
            Held::Own(signed) => signed.verify(key, shop),
            Held::Other(sign1) => sign1.verify_signature(shop.as_bytes(), |signature, bytes| {
                let signature = Signature::from_slice(signature).map_err(|_| EnvelopeError::Signature)?;
                key.verify_strict(bytes, &signature).map_err(|_| EnvelopeError::Signature)
            }),
        }
    }
}

#[cfg(test)]
mod tests;
