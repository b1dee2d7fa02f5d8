-- Who may call. The hash is all that is known of a token or certificate.

-- +goose Up
CREATE TABLE credentials (
    id        TEXT COLLATE "C"    NOT NULL PRIMARY KEY CHECK (id <> ''),
    hash      BYTEA    NOT NULL UNIQUE CHECK (length(hash) = 32),
    kitchen   TEXT COLLATE "C"    NOT NULL CHECK (kitchen <> ''),
    name      TEXT COLLATE "C"    NOT NULL CHECK (name <> ''),
    role      TEXT COLLATE "C"    NOT NULL CHECK (role IN ('shop', 'baker', 'driver', 'planner', 'owner')),
    scope     TEXT COLLATE "C"    NOT NULL CHECK ((scope <> '') = (role IN ('shop', 'driver'))),
    issued_at BIGINT NOT NULL,
    ends_at   BIGINT NOT NULL
);

CREATE INDEX credentials_of_kitchen ON credentials (kitchen, issued_at, id);
