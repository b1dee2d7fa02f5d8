-- A change holds the rows that it wrote, as it left them, so that the record of
-- changes tells a row that was altered beside the program, and all facts can be
-- computed from it. The program fills it for what was there before, and keeps
-- the number of the schema for which it has. The end of a chain keeps the time of
-- its newest change, below which none is recorded.

-- +goose Up
ALTER TABLE changes ADD COLUMN facts BYTEA NOT NULL DEFAULT '';

-- An older service that still runs would write rows that no change holds.
ALTER TABLE changes ALTER COLUMN facts DROP DEFAULT;

ALTER TABLE chains ADD COLUMN at BIGINT NOT NULL DEFAULT 0;

UPDATE chains SET at = coalesce((SELECT max(c.at) FROM changes c WHERE c.kitchen = chains.kitchen), 0);

CREATE TABLE recorded (
    schema BIGINT NOT NULL
);

INSERT INTO recorded (schema) VALUES (0);
