//! What a device's clocks show, handed in: the core reads no clock by itself.

use shared::bytes::Bytes16;

/// What a device's clocks show at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ClockReading {
    /// Wall clock, ms since 1970 UTC.
    pub wall_ms: i64,
    /// A clock that never steps within one boot, in ms.
    pub steady_ms: i64,
    /// Which boot the steady clock belongs to.
    pub boot: Bytes16,
}

impl ClockReading {
    /// A moment whose steady clock runs with the wall clock: for servers and tests, where nothing steps.
    #[must_use]
    pub const fn at(wall_ms: i64) -> Self {
        Self { wall_ms, steady_ms: wall_ms, boot: Bytes16([0; 16]) }
    }
}
