-- +goose Up

-- Read table: what somebody has to be told of.
CREATE TABLE notices (
    id          TEXT    PRIMARY KEY,
    cause       TEXT    NOT NULL,            -- stop, head
    code        TEXT    NOT NULL,            -- of the consignment, or ""
    number      TEXT    NOT NULL,
    raised_at   TEXT    NOT NULL,
    level       INTEGER NOT NULL,            -- told last; 0 if nobody outside
    telling     INTEGER NOT NULL,            -- the newest, from 0
    repeats     INTEGER NOT NULL,
    told_at     TEXT    NOT NULL,
    outside     INTEGER NOT NULL,            -- messages of the newest telling that leave the site
    refused     INTEGER NOT NULL,            -- of these, refused for good
    answered_at TEXT    NOT NULL,            -- or ""
    answered_by TEXT    NOT NULL             -- name
);
CREATE INDEX notices_unanswered ON notices (cause, answered_at, raised_at);

-- Messages on their way. The first part is made from the events, and made again at
-- any time. The second is how trying goes: it is no part of the history, and stays when
-- the first is made again.
CREATE TABLE outbox (
    id          TEXT    PRIMARY KEY,
    notice      TEXT    NOT NULL,
    contact     TEXT    NOT NULL,            -- name; "" for screen and print
    channel     TEXT    NOT NULL,
    telling     INTEGER NOT NULL,
    level       INTEGER NOT NULL,
    queued_at   TEXT    NOT NULL,
    standing    TEXT    NOT NULL,            -- waiting, delivered, refused
    ended_at    TEXT    NOT NULL,
    status      INTEGER NOT NULL,

    attempts    INTEGER NOT NULL DEFAULT 0,
    next_at     TEXT    NOT NULL DEFAULT '', -- not tried again before; "" is at once
    lease       TEXT    NOT NULL DEFAULT '', -- who has it in hand
    lease_until TEXT    NOT NULL DEFAULT '',
    trying      INTEGER NOT NULL DEFAULT 0,  -- in hand: what came of it is not known yet
    unsure      INTEGER NOT NULL DEFAULT 0,  -- an earlier try may have arrived
    said        TEXT    NOT NULL DEFAULT '', -- JSON: what came of the last try, in words

    UNIQUE (notice, contact, channel, telling)
);
CREATE INDEX outbox_waiting ON outbox (channel, contact, next_at, queued_at, id) WHERE standing = 'waiting';

-- +goose Down
DROP TABLE outbox;
DROP TABLE notices;
