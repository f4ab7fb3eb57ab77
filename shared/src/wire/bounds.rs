//! How large things may be, from a record to a body, in one place: record ≤ change ≤ part ≤ page ≤ body. Each is derived
//! from, or held against, the one before, so that whatever one step takes the next can pass on.

use crate::record::LARGEST_RECORD;

/// The most records that one change inserts.
pub const MOST_RECORDS: usize = 512;
/// No record is shorter than its signature alone, in bytes.
pub const SHORTEST_RECORD: usize = 64;
/// The most bytes of records that one change brings into a book: sixteen of the largest records, or 512 of two kilobytes. An
/// honest record has some 300 to 500 bytes. A larger change is made into several by whoever holds it.
pub const LARGEST_CHANGE: usize = 1024 * 1024;
/// A segment of the log ends with so many bytes of records, and so with at most this and one change.
pub const SEGMENT_BYTES: usize = 512 * 1024;
/// The most bytes of records in a segment of the log.
pub const LARGEST_SEGMENT: usize = SEGMENT_BYTES + LARGEST_CHANGE;
/// What a page of an exchange holds, uncompressed, in bytes. One change that alone is larger is a page by itself.
pub const PAGE_BYTES: usize = 6 * 1024 * 1024;
/// The largest body of a request, as it travels, in bytes.
pub const LARGEST_BODY: usize = 8 * 1024 * 1024;
/// The largest message, uncompressed, in bytes; an answer or a bundle may have as many as it travels, too. Above the largest
/// change that the wire's form can say ([`MOST_RECORDS`] of [`LARGEST_RECORD`]), so that a book that has one can hand it out.
pub const LARGEST_PLAIN: usize = 40 * 1024 * 1024;
/// The most changes that a device offers in one request.
pub const MOST_OFFERED: usize = 4_096;
/// The most documents named in one request.
pub const MOST_DOCS: usize = 16_384;

/// What an answer says beside the changes in it: heads, refusals, what was taken.
const BESIDE: usize = 4 * 1024 * 1024;
/// What a change says beside its records: with 64 hashes that it builds on, some 2,500 bytes.
const FACTS: usize = 4 * 1024;

const _: () = {
    assert!(LARGEST_RECORD <= LARGEST_CHANGE);
    assert!(LARGEST_CHANGE <= LARGEST_SEGMENT);
    assert!(LARGEST_SEGMENT + MOST_RECORDS * FACTS <= PAGE_BYTES, "a part of the most changes is within a page");
    // A device's offer is a page and travels within a body, even where nothing in it can be compressed.
    assert!(PAGE_BYTES + LARGEST_CHANGE + FACTS <= LARGEST_BODY);
    assert!(LARGEST_BODY <= LARGEST_PLAIN);
    // Receipts that lie beyond a page go beside it. At worst each record on it has one of its own, about as long as itself.
    assert!(2 * PAGE_BYTES + BESIDE <= LARGEST_PLAIN);
    assert!(MOST_RECORDS * LARGEST_RECORD + FACTS + BESIDE <= LARGEST_PLAIN, "any change at all can be handed out");
};
