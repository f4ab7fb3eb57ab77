//! Randomness, handed in, and the ids that are drawn from it: the core draws no random number by itself.

use shared::ids::{DeviceId, DocId, PersonId, RecordId, ShopId};
use uuid::Uuid;

use super::clock::ClockReading;

/// A source of random bytes fit for keys.
pub trait CryptoRng {
    /// Fills the buffer.
    fn fill(&mut self, buffer: &mut [u8]);
}

impl<F: FnMut(&mut [u8])> CryptoRng for F {
    fn fill(&mut self, buffer: &mut [u8]) {
        self(buffer);
    }
}

/// Random bytes of a fixed length.
pub fn random<const N: usize>(entropy: &mut dyn CryptoRng) -> [u8; N] {
    let mut bytes = [0; N];
    entropy.fill(&mut bytes);
    bytes
}

/// A fresh UUIDv7.
pub fn fresh_uuid(now: &ClockReading, entropy: &mut dyn CryptoRng) -> Uuid {
    RecordId::from_time(now.wall_ms, random(entropy)).0
}

macro_rules! fresh {
    ($($name:ident -> $id:ident),+) => {$(
        /// A fresh id of this kind.
        pub fn $name(now: &ClockReading, entropy: &mut dyn CryptoRng) -> $id {
            $id(fresh_uuid(now, entropy))
        }
    )+};
}

fresh!(fresh_person -> PersonId, fresh_device -> DeviceId, fresh_shop -> ShopId);

/// A fresh id for a record that this device writes.
pub fn fresh_record(now: &ClockReading, device: DeviceId, entropy: &mut dyn CryptoRng) -> RecordId {
    RecordId(device.make(now.wall_ms, random(entropy)))
}

/// A fresh id for a document that this device founds.
pub fn fresh_doc(now: &ClockReading, device: DeviceId, entropy: &mut dyn CryptoRng) -> DocId {
    DocId(device.make(now.wall_ms, random(entropy)))
}
