-- +goose Up

-- Read tables: made from the events, dropped and made again at any time.
CREATE TABLE consignments (
    code          TEXT    PRIMARY KEY,
    number        TEXT    NOT NULL UNIQUE,
    invoice       TEXT    NOT NULL,
    customer      TEXT    NOT NULL,
    destination   TEXT    NOT NULL,
    crops         TEXT    NOT NULL,          -- for lists and searching
    dispatch_at   TEXT    NOT NULL,
    latest_start  TEXT    NOT NULL,
    packages      INTEGER NOT NULL,
    fingerprint   TEXT    NOT NULL,
    version       INTEGER NOT NULL,
    round         INTEGER NOT NULL,          -- newest round, 0 before the first seal
    stage         TEXT    NOT NULL,          -- open, inspecting, passed, rejected, held, stopped
    to_examine    INTEGER NOT NULL,
    fetched       INTEGER NOT NULL,
    examined      INTEGER NOT NULL,
    highest       TEXT    NOT NULL,          -- highest rung among the finds of the newest round, or ""
    valid_until   TEXT    NOT NULL,          -- end of the window, or ""
    ended_at      TEXT    NOT NULL           -- of the newest round, or ""
);
CREATE INDEX consignments_latest_start ON consignments (stage, latest_start);

CREATE TABLE finds (
    consignment TEXT    NOT NULL,
    round       INTEGER NOT NULL,
    find        INTEGER NOT NULL,
    package     INTEGER NOT NULL,
    unit        INTEGER NOT NULL,
    crop        TEXT    NOT NULL,
    batch       TEXT    NOT NULL,
    bay         TEXT    NOT NULL,
    part        TEXT    NOT NULL,
    what        TEXT    NOT NULL,
    entry       TEXT    NOT NULL,            -- reference entry, or ""
    units       INTEGER NOT NULL,
    rung        TEXT    NOT NULL,
    at          TEXT    NOT NULL,
    PRIMARY KEY (consignment, round, find)
);
CREATE INDEX finds_entry ON finds (entry, at);

CREATE TABLE people (
    id      TEXT    PRIMARY KEY,
    place   INTEGER NOT NULL,                -- order of joining
    name    TEXT    NOT NULL,
    roles   TEXT    NOT NULL,                -- JSON list
    retired INTEGER NOT NULL
);

-- +goose Down
DROP TABLE people;
DROP TABLE finds;
DROP TABLE consignments;
