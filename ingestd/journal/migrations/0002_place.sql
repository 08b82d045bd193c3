-- Where a file lies on the medium: the order in which files are read. Without a guard, since a wrong
-- order only takes longer.

ALTER TABLE files ADD COLUMN place INTEGER NOT NULL DEFAULT 0;

CREATE INDEX files_by_place ON files (load, place, file_no);
