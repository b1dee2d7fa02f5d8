-- What was measured on finished mixings: what a vessel's friction is learnt from.

-- +goose Up
CREATE TABLE mixes (
    kitchen  TEXT    NOT NULL,
    batch    TEXT    NOT NULL,
    vessel   TEXT    NOT NULL,
    class    TEXT    NOT NULL,
    second   INTEGER NOT NULL CHECK (second IN (0, 1)),
    mixed_at INTEGER NOT NULL,
    document TEXT    NOT NULL CHECK (json_valid(document)),
    PRIMARY KEY (kitchen, batch),
    FOREIGN KEY (kitchen, batch) REFERENCES batches (kitchen, id)
) STRICT, WITHOUT ROWID;

CREATE INDEX mixes_alike ON mixes (kitchen, vessel, class, second, mixed_at, batch);
