//! The envelope exactly as [`super::sign`] writes it: told by its bytes and taken apart where they lie.
//!
//! There is one such envelope for a device, a payload and a signature. Every other COSE_Sign1 is left to the library.

use ed25519_dalek::{Signature, VerifyingKey};
use shared::ids::{DeviceId, ShopId};

use super::EnvelopeError;

/// Tag 18 and an array of four; the protected header as far as the device's id: alg -8, content type, key id.
const START: &[u8] = b"\xd2\x84\x58\x3e\xa3\x01\x27\x03\x78\x26application/vnd.tappetbook.record+cbor\x04\x50";
/// Where in it the protected header begins, with its length.
const PROTECTED: usize = 2;
/// An unprotected header with nothing in it.
const UNPROTECTED: &[u8] = b"\xa0";
/// A byte string as long as a signature.
const SIGNATURE: &[u8] = b"\x58\x40";
/// The beginning of a Sig_structure (RFC 9052 §4.4): an array of four, its context.
const CONTEXT: &[u8] = b"\x84\x6aSignature1";
/// A byte string as long as a shop's id, which is the external data.
const SHOP: &[u8] = b"\x50";
/// Where in the Sig_structure the shop's id stands: after the protected header with the device's id, and its own length.
const SHOP_AT: usize = CONTEXT.len() + (START.len() - PROTECTED + 16) + SHOP.len();

/// An envelope taken apart.
pub(super) struct Split<'a> {
    pub(super) device: DeviceId,
    pub(super) payload: &'a [u8],
    /// The protected header as a byte string.
    protected: &'a [u8],
    /// The payload as a byte string.
    payload_string: &'a [u8],
    signature: &'a [u8; 64],
}

/// What the signature is over, and the signature.
#[derive(Debug, Clone)]
pub(super) struct Signed {
    /// The Sig_structure with nothing yet where the shop's id stands.
    structure: Vec<u8>,
    signature: [u8; 64],
}

/// Takes an envelope apart; `None` where it is not just as [`super::sign`] writes it.
pub(super) fn split(bytes: &[u8]) -> Option<Split<'_>> {
    let (device, rest) = bytes.strip_prefix(START)?.split_first_chunk()?;
    let protected = bytes.get(PROTECTED..bytes.len() - rest.len())?;
    let payload_string = rest.strip_prefix(UNPROTECTED)?;
    let (length, rest) = string(payload_string)?;
    let (payload, rest) = rest.split_at_checked(length)?;
    let payload_string = payload_string.get(..payload_string.len() - rest.len())?;
    let signature = rest.strip_prefix(SIGNATURE)?.try_into().ok()?;
    Some(Split { device: DeviceId::from_bytes(*device), payload, protected, payload_string, signature })
}

/// The length of a byte string in its shortest form, and what follows; no record is as short or as long as the other forms.
fn string(bytes: &[u8]) -> Option<(usize, &[u8])> {
    match *bytes {
        [0x58, length @ 24..=255, ref rest @ ..] => Some((usize::from(length), rest)),
        [0x59, high @ 1..=255, low, ref rest @ ..] => Some((usize::from(u16::from_be_bytes([high, low])), rest)),
        _ => None,
    }
}

impl Split<'_> {
    /// What is kept of it until it is verified.
    pub(super) fn signed(&self) -> Signed {
        let structure = [CONTEXT, self.protected, SHOP, &[0; 16], self.payload_string].concat();
        Signed { structure, signature: *self.signature }
    }
}

impl Signed {
    /// Verifies strictly, over the very bytes received.
    pub(super) fn verify(&self, key: &VerifyingKey, shop: ShopId) -> Result<(), EnvelopeError> {
        let mut structure = self.structure.clone();
        if let Some(place) = structure.get_mut(SHOP_AT..SHOP_AT + 16) {
            place.copy_from_slice(shop.as_bytes());
        }
        key.verify_strict(&structure, &Signature::from_bytes(&self.signature)).map_err(|_| EnvelopeError::Signature)
    }
}
