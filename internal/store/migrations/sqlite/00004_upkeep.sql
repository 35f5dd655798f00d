-- +goose Up

-- What somebody has begun to write and not yet published. No part of the history:
-- a draft is replaced as it is written, and goes when it is published.
CREATE TABLE drafts (
    about    TEXT NOT NULL,               -- "entry/plum-pox", "pack"
    person   TEXT NOT NULL,               -- id of whoever writes it
    name     TEXT NOT NULL,               -- their name
    seen     INTEGER NOT NULL,            -- version that the draft was begun from
    saved_at TEXT NOT NULL,
    data     BLOB NOT NULL,
    PRIMARY KEY (about, person)
);

-- +goose Down
DROP TABLE drafts;
