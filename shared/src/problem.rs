//! Problem codes: why something was refused, the same word on every side, and RFC 9457 problem details.

use serde::{Deserialize, Serialize};

macro_rules! codes {
    ($($(#[$doc:meta])* $variant:ident = $name:literal, $title:literal;)+) => {
        /// Why something was refused. The names are a promise to strangers.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
        pub enum Code {
            $($(#[$doc])* #[serde(rename = $name)] $variant,)+
        }

        impl Code {
            /// Every code.
            pub const ALL: &[Self] = &[$(Self::$variant),+];

            /// The code's name on the wire.
            #[must_use]
            pub const fn name(self) -> &'static str {
                match self { $(Self::$variant => $name,)+ }
            }

            /// What it means, as a short title.
            #[must_use]
            pub const fn title(self) -> &'static str {
                match self { $(Self::$variant => $title,)+ }
            }
        }
    };
}

codes! {
    /// A record or message is not of the agreed form.
    Unreadable = "unreadable", "Not of the agreed form";
    /// A record's content cannot be.
    BodyInvalid = "body-invalid", "The content cannot be";
    /// The signature does not fit the record, the device or the shop.
    SignatureInvalid = "signature-invalid", "The signature does not fit";
    /// The signing device is not on the roster.
    DeviceUnknown = "device-unknown", "The device is not on the roster";
    /// The signing device is revoked.
    DeviceRevoked = "device-revoked", "The device is revoked";
    /// The record names an author other than the device's own person.
    NotTheAuthor = "not-the-author", "Written in another person's name";
    /// The author's role may not write this.
    RoleMayNot = "role-may-not", "The author's role may not write this";
    /// The record names another document than the one it came in.
    WrongDocument = "wrong-document", "The record belongs to another document";
    /// This kind of record does not belong in this kind of document.
    WrongPlace = "wrong-place", "This kind does not belong in this document";
    /// Another record with this id is held already.
    IdTaken = "id-taken", "Another record has this id";
    /// The office decided to keep the record out.
    KeptOut = "kept-out", "The office keeps it out";
    /// The change's facts do not fit what is held: actor, sequence, counter or hash.
    ChangeInvalid = "change-invalid", "The change does not fit what is held";
    /// Something that the change builds on has not arrived.
    Later = "later", "Something it builds on has not arrived";
    /// The document is not known, or not open to this device.
    DocumentClosed = "document-closed", "The document is not open to this device";
    /// The document has no room for more of this author's.
    DocumentFull = "document-full", "The document has no room for more";
    /// The device has brought as much as one may in a day: it keeps the rest, and offers it again tomorrow.
    DayFull = "day-full", "Kept on the device, tried again tomorrow";
    /// Quarantine holds as much from this device as it may: the device keeps this itself.
    QuarantineFull = "quarantine-full", "Quarantine has no room for more from this device";
    /// The picture of a photo is not on its own device any more, and the shop has not got it.
    PhotoGone = "photo-gone", "The picture is no longer on this device, and the shop has not got it";
    /// The message is larger than agreed.
    TooLarge = "too-large", "Larger than agreed";
    /// Too many tries in too short a time.
    TooMany = "too-many", "Too many tries";
    /// The one-time code is unknown, used or expired.
    CodeInvalid = "code-invalid", "The enrolment code does not hold";
    /// The token is missing, expired or not ours.
    TokenInvalid = "token-invalid", "The token does not hold";
    /// The log-in's times do not fit the shop's clock.
    ClockWrong = "clock-wrong", "The device's clock is too far off to log in";
    /// The protocol version is not spoken here.
    VersionUnknown = "version-unknown", "The protocol version is not spoken here";
    /// The idempotency key was used for another request, or its first request is still under way.
    KeyReused = "key-reused", "The idempotency key was used already";
    /// What was entered cannot be, or contradicts what is held.
    EntryInvalid = "entry-invalid", "What was entered cannot be";
    /// The book says something else than it did when this was decided on.
    Moved = "moved", "Decided on something that has changed since";
    /// The arithmetic has no answer to what was asked.
    NoAnswer = "no-answer", "The arithmetic has no answer";
    /// This device belongs to no shop yet. Never sent.
    NotEnrolled = "not-enrolled", "The device is not enrolled";
    /// This device belongs to a shop already. Never sent.
    EnrolledAlready = "enrolled-already", "The device is enrolled already";
    /// An answer of the shop comes too late to be taken. Never sent.
    LateAnswer = "late-answer", "The answer is to an older request";
    /// Another program has the book open.
    BookInUse = "book-in-use", "Another program has the book open";
    /// The file is no book.
    NotABook = "not-a-book", "The file is no book";
    /// A newer program wrote the book.
    BookTooNew = "book-too-new", "A newer program wrote the book";
    /// The disk has no room.
    DiskFull = "disk-full", "The disk is full";
    /// The book's file cannot be written.
    BookUnwritable = "book-unwritable", "The book cannot be written";
    /// The book's file is damaged.
    BookDamaged = "book-damaged", "The book is damaged";
    /// The book's database failed in some other way.
    BookFailed = "book-failed", "The book's database failed";
    /// The program made something that does not hold together.
    Defect = "defect", "A defect of the program";
    /// The device's private keys are sealed, and its book was opened without their key. Never sent.
    BookSealed = "book-sealed", "The device's private keys are sealed";
    /// The key does not open the device's private keys. Never sent.
    KeyWrong = "key-wrong", "The key does not open the private keys";
    /// No such thing.
    NotFound = "not-found", "No such thing";
    /// Something broke at the shop; nothing was taken in.
    Internal = "internal", "Something broke at the shop";
}

impl Code {
    /// Whether what was refused is taken at another time as it is: its device keeps it, and offers it again then.
    #[must_use]
    pub const fn waits(self) -> bool {
        matches!(self, Self::DayFull)
    }
}

#[cfg(feature = "schema")]
impl utoipa::PartialSchema for Code {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
        let names = Self::ALL.iter().map(|code| code.name());
        utoipa::openapi::ObjectBuilder::new().schema_type(utoipa::openapi::schema::Type::String).enum_values(Some(names)).into()
    }
}

#[cfg(feature = "schema")]
impl utoipa::ToSchema for Code {}

impl std::fmt::Display for Code {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.name())
    }
}

/// Problem details (RFC 9457), the one error body of the HTTP interface.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Problem {
    /// A URI reference that names the kind of problem: `urn:tappetbook:problem:<code>`.
    #[serde(rename = "type")]
    pub kind: String,
    /// Short, the same for every occurrence.
    pub title: String,
    /// The HTTP status.
    pub status: u16,
    /// What was wrong this time, what was kept, what to do next.
    pub detail: String,
    /// The code.
    pub code: Code,
    /// This occurrence: the request's id as a URN, as in the shop's log.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub instance: Option<String>,
    /// The shop's time, ms since 1970 UTC, where the device's clock was the problem.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shop_time_ms: Option<i64>,
}

impl Problem {
    /// The problem with this code, status and sentence.
    #[must_use]
    pub fn new(code: Code, status: u16, detail: impl Into<String>) -> Self {
        Self {
            kind: format!("urn:tappetbook:problem:{code}"),
            title: code.title().to_owned(),
            status,
            detail: detail.into(),
            code,
            instance: None,
            shop_time_ms: None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn every_code_has_its_own_name_and_serialises_to_it() {
        let names: BTreeSet<_> = Code::ALL.iter().map(|c| c.name()).collect();
        assert_eq!(names.len(), Code::ALL.len());
        for code in Code::ALL {
            assert_eq!(serde_json::to_string(code).unwrap(), format!("\"{code}\""));
        }
    }
}
