-- +goose Up

-- Finished inspections and the packages opened in them, for what the site's own history
-- says: made from the events, dropped and made again at any time.
CREATE TABLE rounds (
    consignment TEXT    NOT NULL,
    round       INTEGER NOT NULL,
    opened_at   TEXT    NOT NULL,            -- first package, or ""
    ended_at    TEXT    NOT NULL,            -- first outcome: the work at the bench ended
    valid_until TEXT    NOT NULL,            -- end of the window, or ""
    next_at     TEXT    NOT NULL,            -- the next round was sealed, or ""
    outcome     TEXT    NOT NULL,            -- newest
    causes      TEXT    NOT NULL,            -- of not passing, space between
    PRIMARY KEY (consignment, round)
);
CREATE INDEX rounds_ended ON rounds (ended_at);

CREATE TABLE exams (
    consignment TEXT    NOT NULL,
    round       INTEGER NOT NULL,
    package     INTEGER NOT NULL,
    crop        TEXT    NOT NULL,
    batch       TEXT    NOT NULL,
    bay         TEXT    NOT NULL,
    units       INTEGER NOT NULL,            -- looked at
    opened_at   TEXT    NOT NULL,
    closed_at   TEXT    NOT NULL,            -- or ""
    PRIMARY KEY (consignment, round, package)
);

-- +goose Down
DROP TABLE exams;
DROP TABLE rounds;
