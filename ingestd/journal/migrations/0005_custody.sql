-- The records of custody: a line each, chained by hashes that the lines carry, and thus without a guard.
-- Rows are only ever added; those of a load go when the load goes.

CREATE TABLE custody (
    load_id TEXT NOT NULL,
    number  INTEGER NOT NULL,
    sha256  TEXT NOT NULL,
    line    BLOB NOT NULL,
    PRIMARY KEY (load_id, number)
) STRICT, WITHOUT ROWID;
