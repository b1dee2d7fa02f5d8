-- Who may call. The hash is all that is known of a token or certificate.

-- +goose Up
CREATE TABLE credentials (
    id        TEXT    NOT NULL PRIMARY KEY CHECK (id <> ''),
    hash      BLOB    NOT NULL UNIQUE CHECK (length(hash) = 32),
    kitchen   TEXT    NOT NULL CHECK (kitchen <> ''),
    name      TEXT    NOT NULL CHECK (name <> ''),
    role      TEXT    NOT NULL CHECK (role IN ('shop', 'baker', 'driver', 'planner', 'owner')),
    scope     TEXT    NOT NULL CHECK ((scope <> '') = (role IN ('shop', 'driver'))),
    issued_at INTEGER NOT NULL,
    ends_at   INTEGER NOT NULL
) STRICT;

CREATE INDEX credentials_of_kitchen ON credentials (kitchen, issued_at, id);
