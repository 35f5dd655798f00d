-- +goose Up

-- What follows a decision, in read tables: made from the events, dropped and made
-- again at any time.
ALTER TABLE consignments ADD COLUMN held TEXT NOT NULL DEFAULT '';           -- reason of the first hold that stands, or ""
ALTER TABLE consignments ADD COLUMN place TEXT NOT NULL DEFAULT '';          -- where all packages stand, or ""
ALTER TABLE consignments ADD COLUMN waiting_since TEXT NOT NULL DEFAULT '';  -- for an answer to a sample, stop or hold, or ""
ALTER TABLE consignments ADD COLUMN re_entry TEXT NOT NULL DEFAULT '';       -- latest end of re-entry of its treatments, or ""
ALTER TABLE consignments ADD COLUMN aboard INTEGER NOT NULL DEFAULT 0;       -- packages on the vehicle
ALTER TABLE consignments ADD COLUMN vehicle TEXT NOT NULL DEFAULT '';
ALTER TABLE consignments ADD COLUMN left_at TEXT NOT NULL DEFAULT '';        -- when it was dispatched, or ""

CREATE TABLE samples (
    code        TEXT    PRIMARY KEY,
    consignment TEXT    NOT NULL,
    round       INTEGER NOT NULL,
    find        INTEGER NOT NULL,
    taken_at    TEXT    NOT NULL,
    step        TEXT    NOT NULL,            -- newest of its custody, or ""
    step_at     TEXT    NOT NULL,
    held_by     TEXT    NOT NULL,            -- place, carrier or laboratory of that step
    result      TEXT    NOT NULL,            -- or ""
    answered_at TEXT    NOT NULL
);
CREATE INDEX samples_consignment ON samples (consignment);

-- Benches that must be cleaned before they are used again.
CREATE TABLE unclean_benches (
    bench       TEXT    NOT NULL,
    consignment TEXT    NOT NULL,
    round       INTEGER NOT NULL,
    number      TEXT    NOT NULL,
    outcome     TEXT    NOT NULL,
    since       TEXT    NOT NULL,
    PRIMARY KEY (bench, consignment, round)
);

-- What tracing looks through: crop lines, and when packages were open on a bench.
CREATE TABLE crop_lines (
    consignment TEXT    NOT NULL,
    line        INTEGER NOT NULL,            -- from 0
    crop        TEXT    NOT NULL,
    batch       TEXT    NOT NULL,
    bay         TEXT    NOT NULL,
    packages    INTEGER NOT NULL,
    PRIMARY KEY (consignment, line)
);
CREATE INDEX crop_lines_batch ON crop_lines (batch);
CREATE INDEX crop_lines_bay ON crop_lines (bay);
CREATE INDEX crop_lines_crop ON crop_lines (crop);

CREATE TABLE bench_uses (
    consignment TEXT    NOT NULL,
    round       INTEGER NOT NULL,
    bench       TEXT    NOT NULL,
    first_at    TEXT    NOT NULL,            -- first package opened there
    last_at     TEXT    NOT NULL,            -- last package opened there
    PRIMARY KEY (consignment, round, bench)
);
CREATE INDEX bench_uses_bench ON bench_uses (bench, first_at);

-- +goose Down
DROP TABLE bench_uses;
DROP TABLE crop_lines;
DROP TABLE unclean_benches;
DROP TABLE samples;
ALTER TABLE consignments DROP COLUMN left_at;
ALTER TABLE consignments DROP COLUMN vehicle;
ALTER TABLE consignments DROP COLUMN aboard;
ALTER TABLE consignments DROP COLUMN re_entry;
ALTER TABLE consignments DROP COLUMN waiting_since;
ALTER TABLE consignments DROP COLUMN place;
ALTER TABLE consignments DROP COLUMN held;
