-- A survey that finds a load's files for the first time only appends to `files`. Its paths are found through
-- `paths`, which is filled up to a number of file when somebody first asks by path, and its reading order is
-- in `turns`, which the end of a survey fills, and leaves empty where all places are the same.

ALTER TABLE files RENAME TO files_before;
ALTER TABLE uploads RENAME TO uploads_before;
ALTER TABLE parts RENAME TO parts_before;
ALTER TABLE expected RENAME TO expected_before;
DROP INDEX files_by_place;

-- `indexed`: how many numbers, from 0 on, `paths` has been filled with. Part of the row's guard if not 0.

ALTER TABLE manifests ADD COLUMN indexed INTEGER NOT NULL DEFAULT 0;

-- What is summed and compared stands before the long columns, so that a scan need not read past them.
-- ANY: inode numbers and times that do not fit into 64 bits with a sign are kept as text.
-- `changed`: was stored once, then found different, and has not been stored again.
-- `sha256`, `key`: of what lies in the store or, of a file that is not stored, may have been left there.
-- `found`: that content was there before the load came, and is not the load's to remove.
-- 'gone': not on the drive any more; kept for what may have been left of it.
-- `place`: where it lies on the medium. Without a guard, since a wrong order only takes longer.
-- `state`: compared with the most frequent one first, which takes a third of the time off a row that is put in.
-- `guard`: of two forms, one from before this migration.
-- `listed`: the manifests of a bag that list it, a bit for each. Without a guard: made and used within one survey.

CREATE TABLE files (
    load         INTEGER NOT NULL REFERENCES manifests,
    file_no      INTEGER NOT NULL,
    state        TEXT NOT NULL CHECK (state = 'pending' OR state IN ('stored', 'skipped', 'failed', 'gone')),
    size_bytes   INTEGER NOT NULL,
    seen         INTEGER NOT NULL,
    changed      INTEGER NOT NULL DEFAULT 0 CHECK (changed IN (0, 1)),
    found        INTEGER NOT NULL DEFAULT 0 CHECK (found IN (0, 1)),
    mtime_ns     ANY NOT NULL,
    inode        ANY NOT NULL,
    guard        INTEGER NOT NULL,
    volume       TEXT NOT NULL,
    path         BLOB NOT NULL,
    reason       TEXT,
    sha256       BLOB,
    key          BLOB,
    stored_guard INTEGER,
    place        INTEGER NOT NULL DEFAULT 0,
    listed       INTEGER NOT NULL DEFAULT 0,
    PRIMARY KEY (load, file_no)
) STRICT, WITHOUT ROWID;

CREATE TABLE paths (
    load    INTEGER NOT NULL,
    volume  TEXT NOT NULL,
    path    BLOB NOT NULL,
    file_no INTEGER NOT NULL,
    PRIMARY KEY (load, volume, path)
) STRICT, WITHOUT ROWID;

CREATE TABLE turns (
    load    INTEGER NOT NULL,
    place   INTEGER NOT NULL,
    file_no INTEGER NOT NULL,
    PRIMARY KEY (load, place, file_no)
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

-- What is said of files' content, by whom: any number of checksum lists and bags on the drive, and the notice.
-- Two digests of one algorithm are enough to know that a file cannot have both, so no more are kept.
-- `met`: equal to `guard` once the file was stored with just this digest, so that no flipped bit says so.
-- `guard`: of rows from before migration 4, that of digest and source alone.

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

INSERT INTO files (load, file_no, state, size_bytes, seen, changed, found, mtime_ns, inode, guard, volume, path,
    reason, sha256, key, stored_guard, place, listed)
SELECT load, file_no, state, size_bytes, seen, changed, found, mtime_ns, inode, guard, volume, path,
    reason, sha256, key, stored_guard, place, listed
FROM files_before ORDER BY load, file_no;

INSERT INTO turns (load, place, file_no) SELECT load, place, file_no FROM files_before
WHERE load IN (SELECT load FROM files_before WHERE place > 0) ORDER BY load, place, file_no;

INSERT INTO uploads SELECT * FROM uploads_before;
INSERT INTO parts SELECT * FROM parts_before;
INSERT INTO expected SELECT * FROM expected_before;

DROP TABLE parts_before;
DROP TABLE uploads_before;
DROP TABLE expected_before;
DROP TABLE files_before;

CREATE TRIGGER files_leave AFTER DELETE ON files BEGIN
    DELETE FROM paths WHERE load = OLD.load AND volume = OLD.volume AND path = OLD.path AND file_no = OLD.file_no;
    DELETE FROM turns WHERE load = OLD.load AND place = OLD.place AND file_no = OLD.file_no;
END;
