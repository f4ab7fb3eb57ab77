//! The one place that reads a clock and draws random bytes. Everything else is handed them.

use std::time::Instant;

use shared::bytes::Bytes16;
use sync_core::server::OwnedRng;
use sync_core::sys::clock::ClockReading;

use crate::error::ServerError;

/// A source of time.
pub trait Clock: Send + Sync {
    /// What the clocks show now.
    fn now(&self) -> ClockReading;
}

/// This computer's clocks.
#[derive(Debug)]
pub struct SystemClock {
    since: Instant,
    boot: Bytes16,
}

impl SystemClock {
    /// The computer's clocks, with the steady one counted from here.
    ///
    /// # Errors
    /// [`ServerError::Chance`] where the system gives no random bytes.
    pub fn new() -> Result<Self, ServerError> {
        let mut boot = [0; 16];
        getrandom::fill(&mut boot).map_err(|e| ServerError::Chance(e.to_string()))?;
        Ok(Self { since: Instant::now(), boot: Bytes16(boot) })
    }
}

impl Clock for SystemClock {
    fn now(&self) -> ClockReading {
        ClockReading {
            wall_ms: jiff::Timestamp::now().as_millisecond(),
            steady_ms: i64::try_from(self.since.elapsed().as_millis()).unwrap_or(i64::MAX),
            boot: self.boot,
        }
    }
}

/// The system's random bytes, once it has shown that it gives any.
///
/// # Errors
/// [`ServerError::Chance`] where it gives none.
pub(crate) fn entropy() -> Result<OwnedRng, ServerError> {
    let mut probe = [0; 1];
    getrandom::fill(&mut probe).map_err(|e| ServerError::Chance(e.to_string()))?;
    Ok(Box::new(|buffer: &mut [u8]| {
        // A system that gave random bytes at the start goes on giving them; weak keys would be worse than a stopped step.
        assert!(getrandom::fill(buffer).is_ok(), "the system stopped giving random bytes");
    }))
}
