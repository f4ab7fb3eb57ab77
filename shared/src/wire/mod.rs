//! What travels: the exchange (CBOR) and the small JSON bodies around it. Field names are promises to strangers.

mod bundle;
mod enrol;
mod exchange;
mod short;

pub use bundle::{BUNDLE, Bundle, BundledDoc};
pub use enrol::{
    ASSERTION_TYP, ASSERTION_TYPE, AccessClaims, AssertionClaims, CodeIssued, CodeRequest, EnrolAnswer, EnrolRequest, TokenAnswer,
    TokenRequest,
};
pub use exchange::{
    Cursor, DocAnswer, DocOffer, ExchangeAnswer, ExchangeRequest, Fill, MOST_RECORDS, PROTOCOL, Recipe, Refusal, SHORTEST_RECORD,
};
pub use short::{Facts, Reader, ShortRecipe, shorten};

/// Media type of both halves of the exchange.
pub const EXCHANGE_TYPE: &str = "application/cbor";
/// The largest compressed body of an exchange, or bundle, in bytes.
pub const LARGEST_BODY: usize = 8 * 1024 * 1024;
/// The largest uncompressed body of an exchange, or bundle, in bytes.
pub const LARGEST_PLAIN: usize = 32 * 1024 * 1024;
/// What a page of an exchange aims at, uncompressed, in bytes.
pub const PAGE_BYTES: usize = 6 * 1024 * 1024;
/// The most changes that a device offers in one request.
pub const MOST_OFFERED: usize = 4_096;
/// The most documents named in one request.
pub const MOST_DOCS: usize = 16_384;
