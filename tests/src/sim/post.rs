//! What the network does: bodies that arrive, are lost, cut at any byte, doubled, held up and come out of order.

use sync_core::sys::clock::ClockReading;

use super::steps::Way;

/// A message held up on its way.
#[derive(Debug, Clone)]
pub(super) enum Letter {
    /// A device's request; where it came from.
    Up { phone: usize, body: Vec<u8> },
    /// The shop's answer; for whom, and when the request left.
    Down { phone: usize, body: Vec<u8>, sent_at: ClockReading },
}

/// What of a body arrives, and how often.
pub(super) fn arriving(way: Way, body: &[u8]) -> Vec<Vec<u8>> {
    match way {
        Way::Through => vec![body.to_vec()],
        Way::Twice => vec![body.to_vec(), body.to_vec()],
        Way::CutAt(thousandths) => vec![body[..body.len() * usize::from(thousandths) / 1000].to_vec()],
        Way::Lost | Way::Late => vec![],
    }
}
