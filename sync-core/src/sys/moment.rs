//! Time and chance, handed in: the core reads no clock and draws no random number by itself.

use shared::bytes::Bytes16;
use shared::ids::{DeviceId, DocId, PersonId, RecordId, ShopId};
use uuid::Uuid;

/// What a device's clocks show at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Moment {
    /// Wall clock, ms since 1970 UTC.
    pub wall_ms: i64,
    /// A clock that never steps within one boot, in ms.
    pub steady_ms: i64,
    /// Which boot the steady clock belongs to.
    pub boot: Bytes16,
}

impl Moment {
    /// A moment whose steady clock runs with the wall clock: for servers and tests, where nothing steps.
    #[must_use]
    pub const fn at(wall_ms: i64) -> Self {
        Self { wall_ms, steady_ms: wall_ms, boot: Bytes16([0; 16]) }
    }
}

/// A source of random bytes fit for keys.
pub trait Entropy {
    /// Fills the buffer.
    fn fill(&mut self, buffer: &mut [u8]);
}

impl<F: FnMut(&mut [u8])> Entropy for F {
    fn fill(&mut self, buffer: &mut [u8]) {
        self(buffer);
    }
}

/// Random bytes of a fixed length.
pub fn random<const N: usize>(entropy: &mut dyn Entropy) -> [u8; N] {
    let mut bytes = [0; N];
    entropy.fill(&mut bytes);
    bytes
}

/// A fresh UUIDv7.
pub fn fresh_uuid(now: &Moment, entropy: &mut dyn Entropy) -> Uuid {
    RecordId::from_time(now.wall_ms, random(entropy)).0
}

macro_rules! fresh {
    ($($name:ident -> $id:ident),+) => {$(
        /// A fresh id of this kind.
        pub fn $name(now: &Moment, entropy: &mut dyn Entropy) -> $id {
            $id(fresh_uuid(now, entropy))
        }
    )+};
}

fresh!(fresh_person -> PersonId, fresh_device -> DeviceId, fresh_shop -> ShopId);

/// A fresh id for a record that this device writes.
pub fn fresh_record(now: &Moment, device: DeviceId, entropy: &mut dyn Entropy) -> RecordId {
    RecordId(device.make(now.wall_ms, random(entropy)))
}

/// A fresh id for a document that this device founds.
pub fn fresh_doc(now: &Moment, device: DeviceId, entropy: &mut dyn Entropy) -> DocId {
    DocId(device.make(now.wall_ms, random(entropy)))
}
