-- A change holds the rows that it wrote, as it left them, so that the record of
-- changes tells a row that was altered beside the program, and all facts can be
-- computed from it. The program fills it for what was there before, and keeps
-- the number of the schema for which it has.

-- +goose Up
ALTER TABLE changes ADD COLUMN facts BLOB NOT NULL DEFAULT x'';

CREATE TABLE recorded (
    schema INTEGER NOT NULL
) STRICT;

INSERT INTO recorded (schema) VALUES (0);
