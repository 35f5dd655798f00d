-- +goose Up

-- The truth: every step ever taken. Rows are appended and never changed.
CREATE TABLE events (
    seq     INTEGER PRIMARY KEY,             -- place in the site's whole history, 1, 2, 3 … without gaps
    stream  TEXT    NOT NULL,                -- whose history: "consignment/7F3K", "people"
    version INTEGER NOT NULL,                -- place in that history, 1, 2, 3 … without gaps
    kind    TEXT    NOT NULL,
    at      TEXT    NOT NULL,                -- RFC 3339 with nanoseconds, UTC
    actor   TEXT    NOT NULL,                -- JSON: who, as known at that moment
    bench   TEXT    NOT NULL,
    data    TEXT    NOT NULL,                -- JSON, exactly as encoded when the step was taken
    UNIQUE (stream, version)
);

-- The same tap or scan sent twice is one step: the key the client made for it.
CREATE TABLE commands (
    key           TEXT    PRIMARY KEY,
    stream        TEXT    NOT NULL,
    first_version INTEGER NOT NULL,
    last_version  INTEGER NOT NULL
);

-- Pictures and other attachments by the SHA-256 of their bytes.
CREATE TABLE blobs (
    hash  TEXT    PRIMARY KEY,
    mime  TEXT    NOT NULL,
    size  INTEGER NOT NULL,
    bytes BLOB    NOT NULL
);

-- +goose Down
DROP TABLE blobs;
DROP TABLE commands;
DROP TABLE events;
