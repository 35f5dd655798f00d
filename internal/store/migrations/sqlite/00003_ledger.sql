-- +goose Up

-- The hashes of the tree over all events, numbered as golang.org/x/mod/sumdb/tlog
-- numbers them: event 1 has hash 0, event 2 hash 1, both together hash 2, …
-- Opening the data file fills in those of events that were there before.
CREATE TABLE hashes (
    id   INTEGER PRIMARY KEY,
    hash BLOB    NOT NULL
);

-- Signed heads of the tree: the newest, and the last one of each day before.
CREATE TABLE heads (
    size INTEGER PRIMARY KEY,             -- events under it
    at   TEXT    NOT NULL,                -- time of the newest of them
    note TEXT    NOT NULL                 -- the signed head, as a checkpoint
);

-- +goose Down
DROP TABLE heads;
DROP TABLE hashes;
