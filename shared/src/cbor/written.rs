//! Writing deterministic CBOR: heads in the shortest form, and maps put in order in their encoded form.

use super::DEEPEST;
use super::walk::{ARRAY, BYTES, MAP, NEGATIVE, TEXT, UNSIGNED, head, take};

/// Appends a head: a major type and its argument in the shortest form.
pub(crate) fn put_head(out: &mut Vec<u8>, major: u8, argument: u64) {
    let top = major << 5;
    let bytes = argument.to_be_bytes();
    match argument {
        0..=23 => out.push(top | bytes[7]),
        24..=0xff => out.extend_from_slice(&[top | 24, bytes[7]]),
        0x100..=0xffff => out.extend_from_slice(&[top | 25, bytes[6], bytes[7]]),
        0x1_0000..=0xffff_ffff => {
            out.push(top | 26);
            out.extend_from_slice(&bytes[4..]);
        }
        _ => {
            out.push(top | 27);
            out.extend_from_slice(&bytes);
        }
    }
}

/// Appends an integer.
pub(crate) fn put_int(out: &mut Vec<u8>, value: i64) {
    // A negative integer n is written as -1 - n, which is all its bits turned over.
    if value < 0 { put_head(out, NEGATIVE, !value.cast_unsigned()) } else { put_head(out, UNSIGNED, value.cast_unsigned()) }
}

/// Appends a byte string.
pub(crate) fn put_bytes(out: &mut Vec<u8>, bytes: &[u8]) {
    put_head(out, BYTES, bytes.len() as u64);
    out.extend_from_slice(bytes);
}

/// Appends a text.
pub(crate) fn put_text(out: &mut Vec<u8>, text: &str) {
    put_head(out, TEXT, text.len() as u64);
    out.extend_from_slice(text.as_bytes());
}

/// Appends an encoded item with the entries of every map in the bytewise order of their keys.
///
/// `None`, with anything appended, where the item holds what is not simply put in order: an indefinite length, a float,
/// a tag, the same key twice, nesting deeper than is read. The slow way says what is to be done with it.
pub(super) fn put_sorted(out: &mut Vec<u8>, rest: &mut &[u8], depth: usize) -> Option<()> {
    let start = *rest;
    let (major, argument) = head(rest)?;
    match major {
        UNSIGNED | NEGATIVE => {}
        BYTES | TEXT => {
            take(rest, argument)?;
        }
        ARRAY => {
            out.extend_from_slice(start.get(..start.len() - rest.len())?);
            let depth = depth.checked_sub(1)?;
            return (0..argument).try_for_each(|_| put_sorted(out, rest, depth));
        }
        MAP => {
            out.extend_from_slice(start.get(..start.len() - rest.len())?);
            return put_entries(out, rest, argument, depth.checked_sub(1)?);
        }
        _ if !matches!(start.first()?, 0xf4..=0xf6) => return None,
        _ => {}
    }
    out.extend_from_slice(start.get(..start.len() - rest.len())?);
    Some(())
}

/// Appends the entries of a map, in order.
fn put_entries(out: &mut Vec<u8>, rest: &mut &[u8], count: u64, depth: usize) -> Option<()> {
    let first = out.len();
    // Where each entry begins, where its key ends, and where it ends; a claimed count is not believed.
    let mut entries: Vec<[usize; 3]> = Vec::with_capacity(usize::try_from(count).ok()?.min(32));
    let mut in_order = true;
    for _ in 0..count {
        let begin = out.len();
        put_sorted(out, rest, depth)?;
        let key_end = out.len();
        put_sorted(out, rest, depth)?;
        if let Some(&[last, last_key_end, _]) = entries.last() {
            in_order &= out[last..last_key_end] < out[begin..key_end];
        }
        entries.push([begin, key_end, out.len()]);
    }
    if in_order {
        return Some(());
    }
    entries.sort_unstable_by(|a, b| out[a[0]..a[1]].cmp(&out[b[0]..b[1]]));
    if entries.windows(2).any(|pair| out[pair[0][0]..pair[0][1]] == out[pair[1][0]..pair[1][1]]) {
        return None;
    }
    let as_given = out.split_off(first);
    for [begin, _, end] in entries {
        out.extend_from_slice(&as_given[begin - first..end - first]);
    }
    Some(())
}

/// Encoded bytes put in order; `None` as of [`put_sorted`].
pub(super) fn append_sorted(out: &mut Vec<u8>, encoded: &[u8]) -> Option<()> {
    let (before, mut rest) = (out.len(), encoded);
    let done = put_sorted(out, &mut rest, DEEPEST).filter(|()| rest.is_empty());
    if done.is_none() {
        out.truncate(before);
    }
    done
}
