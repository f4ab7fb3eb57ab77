//! Signed envelopes around any payload at all: COSE_Sign1 (RFC 9052) made by hand, so that what no honest program would
//! sign still arrives under a signature that holds.

use ciborium::Value;
use ed25519_dalek::{Signer as _, SigningKey};
use shared::ids::{DeviceId, ShopId};
use sync_core::book::Book;
use sync_core::crypto::envelope::RECORD_TYPE;

/// Somebody who signs.
#[derive(Debug, Clone)]
pub(crate) struct Signer {
    pub(crate) device: DeviceId,
    pub(crate) key: SigningKey,
    pub(crate) shop: ShopId,
}

impl Signer {
    /// The owner of a book.
    pub(crate) fn of(book: &Book) -> Self {
        let identity = book.identity().expect("the book is enrolled");
        Self { device: identity.device, key: identity.keys().expect("keys").record().clone(), shop: identity.root.shop }
    }
}

fn written(value: &Value) -> Vec<u8> {
    let mut bytes = Vec::new();
    ciborium::into_writer(value, &mut bytes).expect("a value has its CBOR");
    bytes
}

/// Signs a payload. In deterministic form where it has one, so that it is read.
pub(crate) fn signed(payload: &Value, signer: &Signer) -> Vec<u8> {
    let payload = shared::cbor::encode(payload).unwrap_or_else(|_| written(payload));
    let protected = written(&Value::Map(vec![
        (Value::from(1), Value::from(-8)),
        (Value::from(3), Value::Text(RECORD_TYPE.to_owned())),
        (Value::from(4), Value::Bytes(signer.device.as_bytes().to_vec())),
    ]));
    let to_sign = written(&Value::Array(vec![
        Value::Text("Signature1".to_owned()),
        Value::Bytes(protected.clone()),
        Value::Bytes(signer.shop.as_bytes().to_vec()),
        Value::Bytes(payload.clone()),
    ]));
    let signature = signer.key.sign(&to_sign).to_bytes().to_vec();
    let parts = vec![Value::Bytes(protected), Value::Map(Vec::new()), Value::Bytes(payload), Value::Bytes(signature)];
    written(&Value::Tag(18, Box::new(Value::Array(parts))))
}

/// The payload's bytes of an envelope, without a look at its signature.
pub(crate) fn payload_bytes(envelope: &[u8]) -> Option<Vec<u8>> {
    let parts = match ciborium::from_reader(envelope).ok()? {
        Value::Tag(18, inner) => inner.into_array().ok()?,
        Value::Array(parts) => parts,
        _ => return None,
    };
    parts.into_iter().nth(2)?.into_bytes().ok()
}

/// The payload of an envelope as a value.
pub(crate) fn payload(envelope: &[u8]) -> Option<Value> {
    ciborium::from_reader(payload_bytes(envelope)?.as_slice()).ok()
}
