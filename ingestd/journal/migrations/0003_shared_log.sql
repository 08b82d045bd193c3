-- How far each stream has been acted on: written with what its messages changed.

CREATE TABLE positions (
    stream TEXT NOT NULL PRIMARY KEY,
    "offset" INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- The last word of each station that shares our jobs, by its own clock.

CREATE TABLE stations (
    station TEXT NOT NULL PRIMARY KEY,
    seen_at REAL NOT NULL
) STRICT, WITHOUT ROWID;

-- Messages that go into the outbox at `due_at` unless another station is heard to say them before.

CREATE TABLE unsaid (
    event_id TEXT NOT NULL PRIMARY KEY,
    subject  TEXT NOT NULL,
    type     TEXT NOT NULL,
    at       REAL NOT NULL,
    due_at   REAL NOT NULL,
    guard    INTEGER NOT NULL,
    body     BLOB NOT NULL
) STRICT;
