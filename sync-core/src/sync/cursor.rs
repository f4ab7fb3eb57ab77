//! The cursor's marks, by which the shop finds out that its own book was put back from an older copy.
//!
//! - `incarnation` says in which opening of the shop's book the furthest position was written. A book put back is opened
//!   again, so a position beyond the copy's end is then not there, or stands under another incarnation.
//! - `quarantined` is the last record of which the device heard that it waits at the shop: quarantine is no part of the log, and a
//!   copy may lack just that.
//! - `mac` proves that the shop itself issued the cursor in its present epoch. Without it any device could claim a
//!   position that never was, and have every other device offer everything again.

use hmac::{Hmac, Mac};
use sha2::Sha256;
use shared::bytes::Bytes16;
use shared::wire::{Cursor, QuarantineMark};

use crate::crypto::keys::Keys;
use crate::engine::BookError;
use crate::store::{EPOCH, Store, StoreError};
use crate::sync::Outgoing;

/// What a cursor says of the shop's log.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum CursorState {
    /// It names a place in this log.
    Here,
    /// It names no place that this shop issued in this epoch: begin anew.
    Foreign,
    /// The shop issued it, and its book no longer has what it had then.
    PutBack,
}

/// Marks a cursor for a device to keep.
///
/// # Errors
/// [`StoreError`].
pub(super) fn mark(
    cursor: Cursor,
    quarantined: Option<QuarantineMark>,
    epoch: Bytes16,
    store: &Store,
    keys: &Keys,
) -> Result<Cursor, StoreError> {
    let incarnation = store.log().incarnation_at(cursor.furthest())?;
    let cursor = Cursor { incarnation, mac: None, quarantined, ..cursor };
    Ok(Cursor { mac: Some(mac(&cursor, epoch, keys)), ..cursor })
}

/// Looks at a cursor that a device sends back.
///
/// # Errors
/// [`StoreError`].
pub(super) fn look(cursor: &Cursor, of: Option<Bytes16>, epoch: Bytes16, store: &Store, keys: &Keys) -> Result<CursorState, StoreError> {
    if of != Some(epoch) || cursor.mac != Some(mac(cursor, epoch, keys)) {
        return Ok(CursorState::Foreign);
    }
    let written = store.log().incarnation_at(cursor.furthest())?;
    let waits = cursor.quarantined.map_or(Ok(true), |mark| store.quarantine().has(&mark))?;
    Ok(if written == cursor.incarnation && waits { CursorState::Here } else { CursorState::PutBack })
}

fn mac(cursor: &Cursor, epoch: Bytes16, keys: &Keys) -> Bytes16 {
    let begun = cursor.bootstrap.map(|begun| [begun.until, begun.after, begun.within]);
    let mut bytes = b"cursor".to_vec();
    bytes.extend(epoch.0);
    bytes.extend(cursor.position.to_be_bytes());
    bytes.extend(cursor.incarnation.map_or([0; 16], |incarnation| incarnation.0));
    bytes.push(u8::from(begun.is_some()));
    bytes.extend(begun.unwrap_or_default().iter().flat_map(|n| n.to_be_bytes()));
    bytes.extend(cursor.bootstrap.and_then(|begun| begun.part_way).iter().flat_map(|hash| hash.0));
    bytes.extend(cursor.quarantined.iter().flat_map(|mark| mark.row.to_be_bytes().into_iter().chain(mark.sha256.0)));
    let mut mac = Hmac::<Sha256>::new(&keys.for_cursors().into());
    mac.update(&bytes);
    let whole: [u8; 32] = mac.finalize().into_bytes().into();
    let (half, _) = whole.split_at(16);
    Bytes16::from_slice(half).unwrap_or(Bytes16([0; 16]))
}

/// Where the shop's log ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LogEnd {
    /// The last change's position.
    pub position: u64,
    /// The epoch in which that means anything.
    pub epoch: Option<Bytes16>,
}

impl Outgoing<'_> {
    /// The end of the shop's log.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn log_end(&self) -> Result<LogEnd, BookError> {
        Ok(LogEnd { position: self.book.store.log().log_end()?, epoch: self.book.store.meta(&EPOCH)? })
    }
}
