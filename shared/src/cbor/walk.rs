//! One walk over encoded CBOR: whether it is deterministic, item by item, as slices of the bytes. Nothing is allocated.
//!
//! What this says yes to, the slow way of [`super::decode_value`] takes; why bytes are refused is left to that way to say.

use super::DEEPEST;

/// Major types of RFC 8949 §3.1, as the top three bits of an item's first byte.
pub(crate) const UNSIGNED: u8 = 0;
pub(crate) const NEGATIVE: u8 = 1;
pub(crate) const BYTES: u8 = 2;
pub(crate) const TEXT: u8 = 3;
pub(crate) const ARRAY: u8 = 4;
pub(crate) const MAP: u8 = 5;
const SIMPLE: u8 = 7;

/// Whether the bytes are one item of deterministic CBOR, nested no deeper than is read, and nothing else.
pub(super) fn is_deterministic(bytes: &[u8]) -> bool {
    let mut rest = bytes;
    item(&mut rest, DEEPEST).is_some() && rest.is_empty()
}

/// Takes a head: the major type and its argument, where it is definite and in the shortest form.
///
/// A float is taken for a simple value of over 255, which is none.
pub(crate) fn head(rest: &mut &[u8]) -> Option<(u8, u64)> {
    let (&first, after) = rest.split_first()?;
    let (argument, after) = match first & 0x1f {
        small @ 0..=23 => (u64::from(small), after),
        24 => {
            let (byte, after) = after.split_first()?;
            (long(u64::from(*byte), 23)?, after)
        }
        25 => {
            let (bytes, after) = after.split_first_chunk()?;
            (long(u64::from(u16::from_be_bytes(*bytes)), 0xff)?, after)
        }
        26 => {
            let (bytes, after) = after.split_first_chunk()?;
            (long(u64::from(u32::from_be_bytes(*bytes)), 0xffff)?, after)
        }
        27 => {
            let (bytes, after) = after.split_first_chunk()?;
            (long(u64::from_be_bytes(*bytes), 0xffff_ffff)?, after)
        }
        _ => return None,
    };
    *rest = after;
    Some((first >> 5, argument))
}

/// An argument that the next shorter form could not hold.
fn long(argument: u64, most_shorter: u64) -> Option<u64> {
    (argument > most_shorter).then_some(argument)
}

/// Takes so many bytes.
pub(crate) fn take<'a>(rest: &mut &'a [u8], count: u64) -> Option<&'a [u8]> {
    let (taken, after) = rest.split_at_checked(usize::try_from(count).ok()?)?;
    *rest = after;
    Some(taken)
}

/// Takes one deterministic item with at most so many arrays and maps inside one another, and gives its bytes.
pub(crate) fn slice<'a>(rest: &mut &'a [u8], depth: usize) -> Option<&'a [u8]> {
    let start = *rest;
    item(rest, depth)?;
    start.get(..start.len() - rest.len())
}

fn item(rest: &mut &[u8], depth: usize) -> Option<()> {
    let (major, argument) = head(rest)?;
    match major {
        UNSIGNED | NEGATIVE => Some(()),
        BYTES => take(rest, argument).map(|_| ()),
        TEXT => std::str::from_utf8(take(rest, argument)?).ok().map(|_| ()),
        ARRAY => {
            let depth = depth.checked_sub(1)?;
            (0..argument).try_for_each(|_| item(rest, depth))
        }
        MAP => {
            let depth = depth.checked_sub(1)?;
            let mut last: &[u8] = &[];
            (0..argument).try_for_each(|_| {
                let key = slice(rest, depth)?;
                // No encoding is empty, so the first key comes after nothing.
                let ascends = last < key;
                last = key;
                ascends.then_some(())?;
                item(rest, depth)
            })
        }
        // False, true and null; what else there is (undefined, other simple values, floats) is not written here.
        SIMPLE => matches!(argument, 20..=22).then_some(()),
        _ => None,
    }
}
