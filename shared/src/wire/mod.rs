//! What travels: the exchange (CBOR) and the small JSON bodies around it. Field names are promises to strangers.

mod bounds;
mod bundle;
mod enrol;
mod exchange;
mod short;

pub use bounds::{
    LARGEST_BODY, LARGEST_CHANGE, LARGEST_PLAIN, LARGEST_SEGMENT, MOST_DOCS, MOST_OFFERED, MOST_RECORDS, PAGE_BYTES, SEGMENT_BYTES,
    SHORTEST_RECORD,
};
pub use bundle::{BUNDLE, Bundle, BundledDoc};
pub use enrol::{
    ASSERTION_TYP, ASSERTION_TYPE, AccessClaims, AssertionClaims, CodeIssued, CodeRequest, EnrolAnswer, EnrolRequest, TokenAnswer,
    TokenRequest,
};
pub use exchange::{Bootstrap, Cursor, DocAnswer, DocOffer, ExchangeAnswer, ExchangeRequest, PROTOCOL, QuarantineMark, Recipe, Refusal};
pub use short::{Facts, Reader, ShortRecipe, delta_encode};

/// Media type of both halves of the exchange.
pub const EXCHANGE_TYPE: &str = "application/cbor";
