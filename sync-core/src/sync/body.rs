//! Bodies of the exchange: CBOR, compressed with zstd where the peer accepts it, bounded both ways.

use std::io::Read;

use serde::Serialize;
use serde::de::DeserializeOwned;
use shared::wire::{ExchangeRequest, LARGEST_BODY, LARGEST_PLAIN};

/// Zstd's level: a day's records gain little from more, and a phone pays for it.
const LEVEL: i32 = 1;
/// Room for a message before it is written: growing there from nothing, a day's would be copied a dozen times.
const ROOM: usize = 128 * 1024;
/// Deepest nesting that is read.
const DEEPEST: usize = 32;
/// The most CBOR items of a message; a full page of changes has some tens of thousands.
const MOST_ITEMS: usize = 1_000_000;

/// A body that cannot be read or written.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BodyError {
    /// More bytes than agreed, compressed or not.
    #[error("the message is larger than agreed ({most} bytes, unpacked); nothing was taken from it")]
    TooLarge {
        /// How many are agreed.
        most: usize,
    },
    /// Not CBOR of the agreed shape, or cut short.
    #[error("the message cannot be read ({0}); nothing was taken from it")]
    Unreadable(String),
}

/// Writes a message.
///
/// # Errors
/// [`BodyError`] where it grows too large.
pub fn write_body<T: Serialize>(message: &T, compressed: bool) -> Result<Vec<u8>, BodyError> {
    let mut plain = Vec::with_capacity(ROOM);
    ciborium::into_writer(message, &mut plain).map_err(|e| BodyError::Unreadable(e.to_string()))?;
    if plain.len() > LARGEST_PLAIN {
        return Err(BodyError::TooLarge { most: LARGEST_PLAIN });
    }
    let bytes = if compressed { zstd::bulk::compress(&plain, LEVEL).map_err(|e| BodyError::Unreadable(e.to_string()))? } else { plain };
    if bytes.len() > LARGEST_PLAIN { Err(BodyError::TooLarge { most: LARGEST_PLAIN }) } else { Ok(bytes) }
}

/// Reads an answer or a bundle, never holding more than the agreed bound.
///
/// # Errors
/// [`BodyError`]; nothing is taken from a body that cannot be read whole.
pub fn read_body<T: DeserializeOwned>(bytes: &[u8], compressed: bool) -> Result<T, BodyError> {
    read_within(LARGEST_PLAIN, bytes, compressed)
}

/// Reads a request. Unpacked, it is no larger than it may be as it travels: an honest offer is a page.
///
/// # Errors
/// [`BodyError`]; nothing is taken from a body that cannot be read whole.
pub fn read_request(bytes: &[u8], compressed: bool) -> Result<ExchangeRequest, BodyError> {
    read_within(LARGEST_BODY, bytes, compressed)
}

fn read_within<T: DeserializeOwned>(most: usize, bytes: &[u8], compressed: bool) -> Result<T, BodyError> {
    if bytes.len() > most {
        return Err(BodyError::TooLarge { most });
    }
    let unreadable = |why: &dyn std::fmt::Display| BodyError::Unreadable(why.to_string());
    let mut inflated = Vec::new();
    let plain = if compressed {
        let decoder = zstd::Decoder::new(bytes).map_err(|e| unreadable(&e))?;
        decoder.take(most as u64 + 1).read_to_end(&mut inflated).map_err(|e| unreadable(&e))?;
        inflated.as_slice()
    } else {
        bytes
    };
    if plain.len() > most {
        return Err(BodyError::TooLarge { most });
    }
    count(plain)?;
    let mut rest = plain;
    let message = ciborium::de::from_reader_with_recursion_limit(&mut rest, DEEPEST).map_err(|e| unreadable(&e))?;
    if rest.is_empty() { Ok(message) } else { Err(unreadable(&"something follows the end")) }
}

/// Goes over the items of CBOR (RFC 8949 §3) without taking any: a few hundred bytes unpack into millions of tags or empty
/// items, each of which costs time and room once it is read. Our messages have no tags, and never so many items.
fn count(plain: &[u8]) -> Result<(), BodyError> {
    let unreadable = |why: &str| Err(BodyError::Unreadable(why.to_owned()));
    let (mut rest, mut items) = (plain, 0_usize);
    while let Some((head, after)) = rest.split_first() {
        items += 1;
        if items > MOST_ITEMS {
            return unreadable("it has more parts than any message of ours");
        }
        let wide = match head & 0x1f {
            24 => 1,
            25 => 2,
            26 => 4,
            27 => 8,
            _ => 0,
        };
        let Some((number, after)) = after.split_at_checked(wide) else { return unreadable("it is cut short") };
        rest = match head >> 5 {
            2 | 3 if head & 0x1f != 31 => {
                let length = if wide == 0 { u64::from(head & 0x1f) } else { number.iter().fold(0, |n, byte| (n << 8) | u64::from(*byte)) };
                let length = usize::try_from(length).unwrap_or(usize::MAX);
                let Some((_, after)) = after.split_at_checked(length) else { return unreadable("it is cut short") };
                after
            }
            6 => return unreadable("it has a tag, and our messages have none"),
            _ => after,
        };
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use shared::bytes::Blob;

    #[test]
    fn reads_what_it_wrote_and_refuses_bombs_and_stumps() {
        let message = vec![Blob(vec![7; 1000]), Blob(vec![8; 10])];
        for compressed in [false, true] {
            let bytes = write_body(&message, compressed).unwrap();
            assert_eq!(read_body::<Vec<Blob>>(&bytes, compressed).unwrap(), message);
            for cut in 0..bytes.len() {
                assert!(read_body::<Vec<Blob>>(&bytes[..cut], compressed).is_err(), "cut at {cut}");
            }
        }
        assert!(read_body::<Vec<Blob>>(&vec![0xc1; 100_000], false).is_err(), "tags");
        let many = [&[0x9a, 0x00, 0x1e, 0x84, 0x80][..], &vec![0x40; 2_000_000]].concat();
        assert_eq!(read_body::<Vec<Blob>>(&many, false), Err(BodyError::Unreadable("it has more parts than any message of ours".into())));
        let bomb = zstd::encode_all(std::io::repeat(0).take(LARGEST_PLAIN as u64 + 10), 19).unwrap();
        assert!(bomb.len() < 20_000);
        assert_eq!(read_body::<Vec<Blob>>(&bomb, true), Err(BodyError::TooLarge { most: LARGEST_PLAIN }));
        let bomb = zstd::encode_all(std::io::repeat(0).take(LARGEST_BODY as u64 + 1), 19).unwrap();
        assert_eq!(read_request(&bomb, true), Err(BodyError::TooLarge { most: LARGEST_BODY }));
        assert_eq!(read_request(&vec![0; LARGEST_BODY + 1], false), Err(BodyError::TooLarge { most: LARGEST_BODY }));
        assert!(matches!(read_request(&vec![0; LARGEST_BODY], false), Err(BodyError::Unreadable(_))));
        assert_eq!(read_body::<Vec<Blob>>(&vec![0; LARGEST_PLAIN + 1], false), Err(BodyError::TooLarge { most: LARGEST_PLAIN }));
    }
}
