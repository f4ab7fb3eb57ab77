//! Packs: changes of one document as bytes for a row, or for the journey of a whole document.
//!
//! An encoded segment is a byte that names the dictionary, and the CBOR of a list of short recipes under zstd with that dictionary.
//! Records are small and alike: with a sample of one to point at, each takes little more than its signature and its ids.

use std::borrow::Cow;
use std::cell::RefCell;
use std::sync::LazyLock;

use cbor4ii::core::types::Array;
use cbor4ii::core::utils::SliceReader;
use shared::wire::{LARGEST_PLAIN, ShortRecipe};
use zstd::bulk::{Compressor, Decompressor};
use zstd::dict::{DecoderDictionary, EncoderDictionary};

/// An encoded segment cannot be made or read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct SegmentError(String);

/// The first dictionary. Never changed once segments were written with it: another one gets another byte.
const FIRST: u8 = 1;
static SAMPLE: &[u8] = include_bytes!("dictionary-1.bin");
/// What names bytes that are not compressed.
const UNCOMPRESSED: u8 = 0;
/// Signatures and ids, which are most of it, no level makes smaller: this one costs two segments in a hundred of a shop's file, and
/// takes four off the time of a hand-over.
const LEVEL: i32 = -2;
/// The level for what is packed when nobody waits.
const THOROUGH: i32 = 19;
/// The most that one encoded segment unpacks to.
const LARGEST: usize = LARGEST_PLAIN;

static ENCODER: LazyLock<EncoderDictionary<'static>> = LazyLock::new(|| EncoderDictionary::copy(SAMPLE, LEVEL));
static THOROUGH_ENCODER: LazyLock<EncoderDictionary<'static>> = LazyLock::new(|| EncoderDictionary::copy(SAMPLE, THOROUGH));
static DECODER: LazyLock<DecoderDictionary<'static>> = LazyLock::new(|| DecoderDictionary::copy(SAMPLE));

thread_local! {
    // One of each per thread: making one costs more than an encoded segment does.
    static PACKER: RefCell<Option<Compressor<'static>>> = const { RefCell::new(None) };
    static UNPACKER: RefCell<Option<Decompressor<'static>>> = const { RefCell::new(None) };
}

fn damaged(why: &dyn std::fmt::Display) -> SegmentError {
    SegmentError(why.to_string())
}

/// Bytes under zstd with the dictionary.
pub(crate) fn compress(plain: &[u8]) -> Result<Vec<u8>, SegmentError> {
    let squeezed = PACKER.with_borrow_mut(|packer| {
        let packer = match packer {
            Some(packer) => packer,
            None => packer.insert(Compressor::with_prepared_dictionary(&ENCODER)?),
        };
        packer.compress(plain)
    });
    named(squeezed)
}

/// Bytes of a row that is soon written anew: to compress them takes longer than to write them.
pub(crate) fn leave_uncompressed(mut plain: Vec<u8>) -> Vec<u8> {
    plain.insert(0, UNCOMPRESSED);
    plain
}

/// The bytes of a row, whichever way they were written.
pub(crate) fn decompressed(row: &[u8]) -> Result<Cow<'_, [u8]>, SegmentError> {
    match row.split_first() {
        Some((&UNCOMPRESSED, plain)) => Ok(Cow::Borrowed(plain)),
        _ => decompress(row).map(Cow::Owned),
    }
}

/// Squeezed bytes behind the byte that names their dictionary.
fn named(squeezed: std::io::Result<Vec<u8>>) -> Result<Vec<u8>, SegmentError> {
    let mut bytes = vec![FIRST];
    bytes.extend(squeezed.map_err(|e| damaged(&e))?);
    Ok(bytes)
}

fn plain(recipes: &[ShortRecipe]) -> Result<Vec<u8>, SegmentError> {
    let mut plain = Vec::new();
    ciborium::into_writer(recipes, &mut plain).map_err(|e| damaged(&e))?;
    Ok(plain)
}

/// Packs a list of recipes as small as it gets, when nobody waits.
pub(crate) fn encode_small(recipes: &[ShortRecipe]) -> Result<Vec<u8>, SegmentError> {
    let plain = plain(recipes)?;
    named(Compressor::with_prepared_dictionary(&THOROUGH_ENCODER).and_then(|mut packer| packer.compress(&plain)))
}

/// How many bytes an encoded segment unpacks to: it says so itself, and is held to it.
///
/// # Errors
/// [`SegmentError`].
pub fn decoded_size(bytes: &[u8]) -> Result<usize, SegmentError> {
    frame(bytes).map(|(_, size)| size)
}

/// What is squeezed, and the size that it says it has.
fn frame(bytes: &[u8]) -> Result<(&[u8], usize), SegmentError> {
    let Some((&FIRST, squeezed)) = bytes.split_first() else { return Err(damaged(&"a segment of another dictionary")) };
    let size = zstd::zstd_safe::get_frame_content_size(squeezed).ok().flatten().and_then(|size| usize::try_from(size).ok());
    Ok((squeezed, size.ok_or_else(|| damaged(&"a segment that does not say its size"))?))
}

/// The bytes back, never more than the bound.
fn decompress(bytes: &[u8]) -> Result<Vec<u8>, SegmentError> {
    let (squeezed, size) = frame(bytes)?;
    if size > LARGEST {
        return Err(damaged(&"a segment that is too large"));
    }
    UNPACKER
        .with_borrow_mut(|unpacker| {
            let unpacker = match unpacker {
                Some(unpacker) => unpacker,
                None => unpacker.insert(Decompressor::with_prepared_dictionary(&DECODER)?),
            };
            unpacker.decompress(squeezed, size)
        })
        .map_err(|e| damaged(&e))
}

/// Packs a list of recipes.
pub(crate) fn encode(recipes: &[ShortRecipe]) -> Result<Vec<u8>, SegmentError> {
    compress(&plain(recipes)?)
}

/// The recipes of an encoded segment, whoever made it: bounded, and an error where it holds anything else.
///
/// # Errors
/// [`SegmentError`].
pub fn decode(bytes: &[u8]) -> Result<Vec<ShortRecipe>, SegmentError> {
    let plain = decompress(bytes)?;
    cbor4ii::serde::from_slice(&plain).map_err(|e| damaged(&e))
}

/// How many recipes an encoded segment of our own holds.
pub(crate) fn count(bytes: &[u8]) -> Result<usize, SegmentError> {
    let plain = decompress(bytes)?;
    let count = Array::len(&mut SliceReader::new(&plain)).map_err(|e| damaged(&e))?;
    count.ok_or_else(|| damaged(&"a segment whose list has no length"))
}

#[cfg(test)]
mod tests {
    use shared::bytes::Blob;

    use super::*;

    #[test]
    fn packs_unpack_and_other_bytes_are_refused() {
        let one = ShortRecipe {
            hash: None,
            actor: None,
            seq: Some(3),
            start_op: None,
            deps: None,
            time: None,
            records: vec![Blob(vec![7; 300])],
        };
        let bytes = encode(std::slice::from_ref(&one)).unwrap();
        assert_eq!(decode(&bytes).unwrap(), std::slice::from_ref(&one));
        for several in [0, 1, 23, 24, 300] {
            assert_eq!(count(&encode(&vec![one.clone(); several]).unwrap()).unwrap(), several);
        }
        assert!(bytes.len() < 60, "{} bytes", bytes.len());
        for cut in 0..bytes.len() {
            assert!(decode(&bytes[..cut]).is_err(), "cut at {cut}");
        }
        assert!(decode(&[&[2], &bytes[1..]].concat()).is_err(), "another dictionary");
        let bomb = compress(&vec![0; LARGEST + 1]).unwrap();
        assert!(bomb.len() < 10_000 && decode(&bomb).is_err());
        let loose = leave_uncompressed(vec![1, 2, 3]);
        assert_eq!(*decompressed(&loose).unwrap(), [1, 2, 3]);
        assert_eq!(*decompressed(&compress(&[1, 2, 3]).unwrap()).unwrap(), [1, 2, 3]);
        assert!(decode(&leave_uncompressed(plain(&[one]).unwrap())).is_err(), "a segment that is not compressed comes from nobody");
    }
}
