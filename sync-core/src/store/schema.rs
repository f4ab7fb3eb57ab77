//! The schema, as a list of migrations. Until the first release it has one step, which may change; after that it only grows.

use rusqlite::Connection;
use rusqlite_migration::{M, Migrations};

use super::StoreError;

const FIRST: &str = "
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID, STRICT;

-- A document's founder is the author of the record that founded it; the shop's own documents have none.
CREATE TABLE documents (
    num INTEGER PRIMARY KEY,
    doc BLOB NOT NULL UNIQUE,
    place TEXT NOT NULL,
    heads BLOB NOT NULL,
    lacking INTEGER NOT NULL DEFAULT 0,
    founder INTEGER,
    bytes INTEGER NOT NULL DEFAULT 0,
    records INTEGER NOT NULL DEFAULT 0,
    held_until_ms INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE INDEX documents_lacking ON documents(num) WHERE lacking = 1;
CREATE INDEX documents_by_founder ON documents(founder) WHERE founder IS NOT NULL;

-- A document's log in segments: what came at once of one document, packed.
CREATE TABLE segments (
    pos INTEGER PRIMARY KEY AUTOINCREMENT,
    num INTEGER NOT NULL REFERENCES documents(num),
    at_shop INTEGER NOT NULL,
    verified INTEGER NOT NULL,
    hash BLOB NOT NULL,
    encoded BLOB NOT NULL
) STRICT;
CREATE INDEX segments_by_document ON segments(num, pos);
CREATE INDEX segments_unsent ON segments(pos) WHERE at_shop = 0;
CREATE INDEX segments_unverified ON segments(pos) WHERE verified = 0;

-- Openings tell a shop whose file was put back by hand that its log was once longer.
CREATE TABLE incarnations (first_pos INTEGER PRIMARY KEY, incarnation BLOB NOT NULL) STRICT;

-- The last change of each actor.
CREATE TABLE actors (
    num INTEGER NOT NULL REFERENCES documents(num),
    actor BLOB NOT NULL,
    seq INTEGER NOT NULL,
    top_op INTEGER NOT NULL,
    hash BLOB NOT NULL,
    PRIMARY KEY (num, actor)
) STRICT, WITHOUT ROWID;

CREATE TABLE words (word INTEGER PRIMARY KEY, bytes BLOB NOT NULL UNIQUE) STRICT;

-- The hash of a record's signed bytes is kept here until the shop's receipt for it has come.
CREATE TABLE records (
    id BLOB PRIMARY KEY,
    num INTEGER NOT NULL,
    written_ms INTEGER NOT NULL,
    received_ms INTEGER,
    due INTEGER NOT NULL,
    receipt INTEGER NOT NULL,
    sha256 BLOB
) STRICT, WITHOUT ROWID;
CREATE INDEX records_due ON records(num) WHERE due = 1;

-- Receipts beside the log: of a document that is not open to this device, and will not bring them; and of a record still to come.
CREATE TABLE receipts (record BLOB NOT NULL, sha256 BLOB NOT NULL, at_ms INTEGER NOT NULL, PRIMARY KEY (record, sha256)) STRICT, WITHOUT ROWID;

CREATE TABLE came (
    at_ms INTEGER NOT NULL,
    num INTEGER NOT NULL,
    author INTEGER NOT NULL,
    records INTEGER NOT NULL,
    readings INTEGER NOT NULL,
    notes INTEGER NOT NULL,
    PRIMARY KEY (at_ms, num, author)
) STRICT, WITHOUT ROWID;

CREATE TABLE authors (author INTEGER NOT NULL, num INTEGER NOT NULL, PRIMARY KEY (author, num)) STRICT, WITHOUT ROWID;

CREATE TABLE views (num INTEGER PRIMARY KEY REFERENCES documents(num), view BLOB NOT NULL) STRICT;
CREATE TABLE open_slots (
    num INTEGER NOT NULL REFERENCES documents(num),
    slot TEXT NOT NULL,
    proposal INTEGER NOT NULL,
    PRIMARY KEY (num, slot, proposal)
) STRICT, WITHOUT ROWID;

CREATE TABLE machines (
    num INTEGER PRIMARY KEY REFERENCES documents(num),
    tag TEXT NOT NULL,
    property BLOB,
    brief BLOB NOT NULL,
    first_visit_ms INTEGER,
    last_visit_ms INTEGER,
    attention INTEGER NOT NULL
) STRICT;
CREATE INDEX machines_by_property ON machines(property);
CREATE INDEX machines_by_visit ON machines(last_visit_ms);
CREATE INDEX machines_attention ON machines(num) WHERE attention = 1;

CREATE TABLE quarantine (
    id INTEGER PRIMARY KEY,
    record BLOB,
    doc BLOB NOT NULL,
    code TEXT NOT NULL,
    device BLOB,
    since_ms INTEGER NOT NULL,
    state TEXT NOT NULL,
    bytes BLOB NOT NULL UNIQUE,
    brought_by BLOB,
    refused_by_shop INTEGER NOT NULL
) STRICT;
CREATE INDEX quarantine_by_device ON quarantine(brought_by, state) WHERE brought_by IS NOT NULL;

-- What each device has brought in a day: a flood is stopped before it hurts anybody.
CREATE TABLE brought (
    device BLOB NOT NULL,
    day INTEGER NOT NULL,
    records INTEGER NOT NULL,
    bytes INTEGER NOT NULL,
    common_records INTEGER NOT NULL,
    common_bytes INTEGER NOT NULL,
    held_back INTEGER NOT NULL,
    turned_away INTEGER NOT NULL,
    PRIMARY KEY (device, day)
) STRICT, WITHOUT ROWID;
CREATE INDEX brought_too_much ON brought(day) WHERE held_back > 0 OR turned_away > 0;

CREATE TABLE grants (
    person BLOB NOT NULL,
    num INTEGER NOT NULL,
    pos INTEGER NOT NULL,
    PRIMARY KEY (person, num)
) STRICT, WITHOUT ROWID;
CREATE INDEX grants_by_position ON grants(person, pos);
CREATE TABLE grants_all (person BLOB PRIMARY KEY, pos INTEGER NOT NULL) STRICT, WITHOUT ROWID;

CREATE TABLE codes (
    code_hash BLOB PRIMARY KEY,
    person BLOB NOT NULL,
    issued_by BLOB NOT NULL,
    until_ms INTEGER NOT NULL,
    used TEXT
) STRICT, WITHOUT ROWID;
CREATE TABLE assertions (device BLOB NOT NULL, jti BLOB NOT NULL, until_s INTEGER NOT NULL, PRIMARY KEY (device, jti)) STRICT, WITHOUT ROWID;
CREATE TABLE contacts (
    device BLOB PRIMARY KEY,
    last_ms INTEGER NOT NULL,
    skew_ms INTEGER NOT NULL,
    doubt_ms INTEGER
) STRICT, WITHOUT ROWID;

-- Who is signed in at the office's pages: of what a browser shows the hash alone.
CREATE TABLE sessions (
    hash BLOB PRIMARY KEY,
    person BLOB NOT NULL,
    unit TEXT NOT NULL,
    began_ms INTEGER NOT NULL,
    used_ms INTEGER NOT NULL,
    epoch TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- The keys under which people of the office write at the shop itself, and what proves that it is they.
CREATE TABLE desks (person BLOB PRIMARY KEY, device BLOB NOT NULL, keys TEXT NOT NULL, passphrase TEXT NOT NULL) STRICT, WITHOUT ROWID;
";

/// Brings a database to this program's schema.
pub(super) fn migrate(connection: &mut Connection) -> Result<(), StoreError> {
    use rusqlite_migration::{Error, MigrationDefinitionError};
    Migrations::new(vec![M::up(FIRST)]).to_latest(connection).map_err(|error| match error {
        Error::RusqliteError { err, .. } => StoreError::from(err),
        Error::MigrationDefinition(MigrationDefinitionError::DatabaseTooFarAhead) => StoreError::TooNew,
        other => StoreError::NotABook(other.to_string()),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn migrating_twice_changes_nothing() {
        let mut connection = Connection::open_in_memory().unwrap();
        migrate(&mut connection).unwrap();
        migrate(&mut connection).unwrap();
        connection.pragma_update(None, "user_version", 99).unwrap();
        assert!(matches!(migrate(&mut connection), Err(StoreError::TooNew)));
    }
}
