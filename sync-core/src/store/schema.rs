//! The schema, as an append-only list of migrations. Never change one that has been released: add another.

use rusqlite::Connection;
use rusqlite_migration::{M, Migrations};

use super::StoreError;

const FIRST: &str = "
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID, STRICT;

CREATE TABLE documents (
    num INTEGER PRIMARY KEY,
    doc BLOB NOT NULL UNIQUE,
    place TEXT NOT NULL,
    heads BLOB NOT NULL,
    held BLOB NOT NULL,
    whole INTEGER NOT NULL DEFAULT 0,
    snapshot BLOB,
    snapshot_heads BLOB
) STRICT;

CREATE TABLE changes (
    pos INTEGER PRIMARY KEY AUTOINCREMENT,
    num INTEGER NOT NULL REFERENCES documents(num),
    hash BLOB NOT NULL UNIQUE,
    actor BLOB NOT NULL,
    seq INTEGER NOT NULL,
    start_op INTEGER NOT NULL,
    top_op INTEGER NOT NULL,
    deps BLOB NOT NULL,
    time INTEGER NOT NULL,
    at_shop INTEGER NOT NULL
) STRICT;
CREATE UNIQUE INDEX changes_by_actor ON changes(num, actor, seq);
CREATE INDEX changes_by_document ON changes(num, pos);
CREATE INDEX changes_unsent ON changes(pos) WHERE at_shop = 0;

CREATE TABLE records (
    id BLOB PRIMARY KEY,
    num INTEGER NOT NULL REFERENCES documents(num),
    slot TEXT,
    kind TEXT NOT NULL,
    author BLOB NOT NULL,
    device BLOB NOT NULL,
    written_ms INTEGER NOT NULL,
    received_ms INTEGER,
    bytes BLOB NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX records_by_document ON records(num);
CREATE INDEX records_by_author ON records(author, num);
CREATE INDEX records_unreceived ON records(num) WHERE received_ms IS NULL;
CREATE INDEX records_received ON records(received_ms) WHERE received_ms IS NOT NULL;

CREATE TABLE contents (
    pos INTEGER NOT NULL REFERENCES changes(pos),
    idx INTEGER NOT NULL,
    id BLOB NOT NULL REFERENCES records(id),
    PRIMARY KEY (pos, idx)
) STRICT, WITHOUT ROWID;
CREATE INDEX contents_by_record ON contents(id);

CREATE TABLE standings (
    num INTEGER NOT NULL REFERENCES documents(num),
    slot TEXT NOT NULL,
    wants_ruling INTEGER NOT NULL,
    standing TEXT NOT NULL,
    PRIMARY KEY (num, slot)
) STRICT, WITHOUT ROWID;
CREATE INDEX standings_open ON standings(num) WHERE wants_ruling = 1;

CREATE TABLE machines (
    num INTEGER PRIMARY KEY REFERENCES documents(num),
    tag TEXT NOT NULL,
    property BLOB,
    state TEXT NOT NULL
) STRICT;
CREATE INDEX machines_by_property ON machines(property);

CREATE TABLE quarantine (
    id INTEGER PRIMARY KEY,
    record BLOB,
    doc BLOB NOT NULL,
    code TEXT NOT NULL,
    detail TEXT NOT NULL,
    device BLOB,
    since_ms INTEGER NOT NULL,
    state TEXT NOT NULL,
    bytes BLOB NOT NULL UNIQUE
) STRICT;

CREATE TABLE grants (
    person BLOB NOT NULL,
    num INTEGER NOT NULL,
    pos INTEGER NOT NULL,
    PRIMARY KEY (person, num)
) STRICT, WITHOUT ROWID;
CREATE TABLE grants_all (person BLOB PRIMARY KEY, pos INTEGER NOT NULL) STRICT, WITHOUT ROWID;

CREATE TABLE codes (
    code_hash BLOB PRIMARY KEY,
    person BLOB NOT NULL,
    issued_by BLOB NOT NULL,
    until_ms INTEGER NOT NULL,
    used TEXT
) STRICT, WITHOUT ROWID;
CREATE TABLE assertions (device BLOB NOT NULL, jti BLOB NOT NULL, until_s INTEGER NOT NULL, PRIMARY KEY (device, jti)) STRICT, WITHOUT ROWID;
CREATE TABLE contacts (device BLOB PRIMARY KEY, last_ms INTEGER NOT NULL, skew_ms INTEGER NOT NULL) STRICT, WITHOUT ROWID;
";

/// Documents travel as their changes, so no saved form is kept of one; what the shop holds follows from each change.
/// Openings tell a shop whose file was put back by hand that its log was once longer.
const SECOND: &str = "
ALTER TABLE documents DROP COLUMN snapshot;
ALTER TABLE documents DROP COLUMN snapshot_heads;
ALTER TABLE documents DROP COLUMN held;
ALTER TABLE documents RENAME COLUMN whole TO lacking;
CREATE TABLE openings (first_pos INTEGER PRIMARY KEY, opening BLOB NOT NULL) STRICT;
";

/// Desks: the keys under which people of the office write at the shop itself, and what proves that it is they.
const THIRD: &str = "
CREATE TABLE desks (person BLOB PRIMARY KEY, device BLOB NOT NULL, keys TEXT NOT NULL, passphrase TEXT NOT NULL) STRICT, WITHOUT ROWID;
";

/// A document's log in parts: what came at once of one document, packed. Who is last of each actor, where each record
/// stands, and what screens read, in as few rows and indexes as a day's work needs.
const FOURTH: &str = "
DROP TABLE standings;
DROP TABLE machines;
DROP INDEX records_by_document;
DROP INDEX records_by_author;
DROP INDEX records_unreceived;
DROP INDEX records_received;
ALTER TABLE contents RENAME TO old_contents;
ALTER TABLE records RENAME TO old_records;
ALTER TABLE changes RENAME TO old_changes;
CREATE INDEX documents_lacking ON documents(num) WHERE lacking = 1;

CREATE TABLE parts (
    pos INTEGER PRIMARY KEY AUTOINCREMENT,
    num INTEGER NOT NULL REFERENCES documents(num),
    at_shop INTEGER NOT NULL,
    proved INTEGER NOT NULL,
    hash BLOB NOT NULL,
    pack BLOB NOT NULL
) STRICT;
CREATE INDEX parts_by_document ON parts(num, pos);
CREATE INDEX parts_unsent ON parts(pos) WHERE at_shop = 0;
CREATE INDEX parts_unproved ON parts(pos) WHERE proved = 0;

CREATE TABLE actors (
    num INTEGER NOT NULL REFERENCES documents(num),
    actor BLOB NOT NULL,
    seq INTEGER NOT NULL,
    top_op INTEGER NOT NULL,
    hash BLOB NOT NULL,
    PRIMARY KEY (num, actor)
) STRICT, WITHOUT ROWID;

CREATE TABLE words (word INTEGER PRIMARY KEY, bytes BLOB NOT NULL UNIQUE) STRICT;

CREATE TABLE records (
    id BLOB PRIMARY KEY,
    num INTEGER NOT NULL,
    written_ms INTEGER NOT NULL,
    received_ms INTEGER,
    due INTEGER NOT NULL,
    receipt INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX records_due ON records(num) WHERE due = 1;

CREATE TABLE came (
    at_ms INTEGER NOT NULL,
    num INTEGER NOT NULL,
    author INTEGER NOT NULL,
    records INTEGER NOT NULL,
    readings INTEGER NOT NULL,
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

CREATE INDEX grants_by_position ON grants(person, pos);
";

/// How large each document is, and what each device has brought in a day: a flood is stopped before it hurts anybody.
const FIFTH: &str = "
ALTER TABLE documents ADD COLUMN bytes INTEGER NOT NULL DEFAULT 0;
ALTER TABLE documents ADD COLUMN records INTEGER NOT NULL DEFAULT 0;
ALTER TABLE documents ADD COLUMN held_until_ms INTEGER NOT NULL DEFAULT 0;
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
ALTER TABLE quarantine ADD COLUMN brought_by BLOB;
CREATE INDEX quarantine_by_device ON quarantine(brought_by, state) WHERE brought_by IS NOT NULL;
";

/// The older form, for tests of what becomes of a book that has it.
#[cfg(test)]
pub(super) const OLDER: [&str; 3] = [FIRST, SECOND, THIRD];

/// Brings a database to this program's schema.
pub(super) fn migrate(connection: &mut Connection) -> Result<(), StoreError> {
    use rusqlite_migration::{Error, MigrationDefinitionError};
    Migrations::new(vec![M::up(FIRST), M::up(SECOND), M::up(THIRD), M::up(FOURTH), M::up(FIFTH)]).to_latest(connection).map_err(|error| {
        match error {
            Error::RusqliteError { err, .. } => StoreError::from(err),
            Error::MigrationDefinition(MigrationDefinitionError::DatabaseTooFarAhead) => StoreError::TooNew,
            other => StoreError::NotABook(other.to_string()),
        }
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
