-- What was measured on finished mixings: what a vessel's friction is learnt from.

-- +goose Up
CREATE TABLE mixes (
    kitchen  TEXT COLLATE "C" NOT NULL,
    batch    TEXT COLLATE "C" NOT NULL,
    vessel   TEXT COLLATE "C" NOT NULL,
    class    TEXT COLLATE "C" NOT NULL,
    second   BOOLEAN NOT NULL,
    mixed_at BIGINT NOT NULL,
    document TEXT COLLATE "C" NOT NULL CHECK (document::json IS NOT NULL),
    PRIMARY KEY (kitchen, batch),
    FOREIGN KEY (kitchen, batch) REFERENCES batches (kitchen, id)
);

CREATE INDEX mixes_alike ON mixes (kitchen, vessel, class, second, mixed_at, batch);
