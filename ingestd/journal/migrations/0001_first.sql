-- Facts that are decided on: one row each, as JSON, replaced whole.
-- `guard` is the CRC-32 of a row's key and body: SQLite itself does not notice a flipped bit in content.

CREATE TABLE jobs (
    job_id TEXT NOT NULL PRIMARY KEY,
    body   BLOB NOT NULL,
    guard  INTEGER NOT NULL
) STRICT;

CREATE TABLE loads (
    load_id  TEXT NOT NULL PRIMARY KEY,
    phase    TEXT NOT NULL,
    bay      TEXT,
    saved_at REAL NOT NULL,
    guard    INTEGER NOT NULL,
    body     BLOB NOT NULL
) STRICT;

CREATE TABLE settings (
    name  TEXT NOT NULL PRIMARY KEY,
    body  BLOB NOT NULL,
    guard INTEGER NOT NULL
) STRICT;

-- SHA-256 of the identity of each notice acted on: of one size, whatever senders make up.

CREATE TABLE identities (
    identity BLOB NOT NULL PRIMARY KEY,
    at       REAL NOT NULL
) STRICT, WITHOUT ROWID;

CREATE INDEX identities_by_age ON identities (at);

-- AUTOINCREMENT: a sequence number is never given out twice, not even after old rows are gone.

CREATE TABLE outbox (
    sequence INTEGER PRIMARY KEY AUTOINCREMENT,
    event_id TEXT NOT NULL UNIQUE,
    subject  TEXT NOT NULL,
    type     TEXT NOT NULL,
    at       REAL NOT NULL,
    sent     INTEGER NOT NULL DEFAULT 0 CHECK (sent IN (0, 1)),
    guard    INTEGER NOT NULL,
    body     BLOB NOT NULL
) STRICT;

-- A journal that is begun anew numbers its events above those of the one before it, which may still lie
-- in a spool under their numbers: it counts on from the milliseconds since 1970.

INSERT INTO sqlite_sequence (name, seq) VALUES ('outbox', CAST((julianday('now') - 2440587.5) * 86400000 AS INTEGER));

CREATE INDEX outbox_unsent ON outbox (sequence) WHERE sent = 0;
CREATE INDEX outbox_sent_by_age ON outbox (at) WHERE sent = 1;

-- One per load. `load_id` becomes NULL when a manifest is forgotten: at once and as a whole, however
-- long it takes to delete its rows. AUTOINCREMENT: rows never pass to another load.

CREATE TABLE manifests (
    load         INTEGER PRIMARY KEY AUTOINCREMENT,
    load_id      TEXT UNIQUE,
    survey       INTEGER NOT NULL DEFAULT 0,
    next_file_no INTEGER NOT NULL DEFAULT 0,
    attempt      INTEGER NOT NULL DEFAULT -1,
    guard        INTEGER NOT NULL DEFAULT 0
) STRICT;

-- What is summed and compared stands before the long columns, so that a scan need not read past them.
-- ANY: inode numbers and times that do not fit into 64 bits with a sign are kept as text.
-- `changed`: was stored once, then found different, and has not been stored again.
-- `sha256`, `key`: of what lies in the store or, of a file that is not stored, may have been left there.
-- `found`: that content was there before the load came, and is not the load's to remove.
-- 'gone': not on the drive any more; kept for what may have been left of it.

CREATE TABLE files (
    load            INTEGER NOT NULL REFERENCES manifests,
    file_no         INTEGER NOT NULL,
    state           TEXT NOT NULL CHECK (state IN ('pending', 'stored', 'skipped', 'failed', 'gone')),
    size_bytes      INTEGER NOT NULL,
    seen            INTEGER NOT NULL,
    changed         INTEGER NOT NULL DEFAULT 0 CHECK (changed IN (0, 1)),
    found           INTEGER NOT NULL DEFAULT 0 CHECK (found IN (0, 1)),
    mtime_ns        ANY NOT NULL,
    inode           ANY NOT NULL,
    guard           INTEGER NOT NULL,
    volume          TEXT NOT NULL,
    path            BLOB NOT NULL,
    reason          TEXT,
    expected_sha256 BLOB,
    expected_by     TEXT,
    expected_guard  INTEGER,
    sha256          BLOB,
    key             BLOB,
    stored_guard    INTEGER,
    PRIMARY KEY (load, file_no),
    UNIQUE (load, volume, path)
) STRICT, WITHOUT ROWID;

CREATE TABLE uploads (
    load       INTEGER NOT NULL,
    file_no    INTEGER NOT NULL,
    token      TEXT NOT NULL,
    part_bytes INTEGER NOT NULL,
    guard      INTEGER NOT NULL,
    PRIMARY KEY (load, file_no),
    FOREIGN KEY (load, file_no) REFERENCES files ON DELETE CASCADE
) STRICT, WITHOUT ROWID;

-- Without a guard: a prefix that is wrong only makes its part be sent again.

CREATE TABLE parts (
    load          INTEGER NOT NULL,
    file_no       INTEGER NOT NULL,
    number        INTEGER NOT NULL,
    prefix_sha256 BLOB NOT NULL,
    PRIMARY KEY (load, file_no, number),
    FOREIGN KEY (load, file_no) REFERENCES uploads ON DELETE CASCADE
) STRICT, WITHOUT ROWID;
