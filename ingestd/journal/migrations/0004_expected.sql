-- What is said of files' content, by whom: any number of checksum lists and bags on the drive, and the notice.
-- Two digests of one algorithm are enough to know that a file cannot have both, so no more are kept.
-- `met`: equal to `guard` once the file was stored with just this digest, so that no flipped bit says so.
-- `guard`: from before this migration, that of digest and source alone.

CREATE TABLE expected (
    load      INTEGER NOT NULL,
    file_no   INTEGER NOT NULL,
    algorithm TEXT NOT NULL,
    digest    BLOB NOT NULL,
    source    TEXT NOT NULL,
    seen      INTEGER NOT NULL,
    guard     INTEGER NOT NULL,
    met       INTEGER,
    PRIMARY KEY (load, file_no, algorithm, digest),
    FOREIGN KEY (load, file_no) REFERENCES files ON DELETE CASCADE
) STRICT, WITHOUT ROWID;

INSERT INTO expected (load, file_no, algorithm, digest, source, seen, guard, met)
SELECT load, file_no, 'sha256', expected_sha256, coalesce(expected_by, ''), seen, expected_guard,
    CASE WHEN state = 'stored' THEN expected_guard END
FROM files WHERE expected_sha256 IS NOT NULL;

ALTER TABLE files DROP COLUMN expected_sha256;
ALTER TABLE files DROP COLUMN expected_by;
ALTER TABLE files DROP COLUMN expected_guard;

-- The manifests of a bag that list a file, a bit for each. Without a guard: it is made and used within one
-- survey.

ALTER TABLE files ADD COLUMN listed INTEGER NOT NULL DEFAULT 0;
