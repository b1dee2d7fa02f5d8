-- +goose Up
CREATE TABLE counts (
    kitchen    TEXT    NOT NULL,
    night      TEXT    NOT NULL CHECK (night GLOB '2[01][0-9][0-9]-[01][0-9]-[0-3][0-9]'),
    shop       TEXT    NOT NULL,
    counted_at INTEGER NOT NULL,
    counted_by TEXT    NOT NULL,
    PRIMARY KEY (kitchen, night, shop)
) STRICT, WITHOUT ROWID;

-- A label that was not read is an empty text.
CREATE TABLE count_lines (
    kitchen TEXT    NOT NULL,
    night   TEXT    NOT NULL,
    shop    TEXT    NOT NULL,
    item    TEXT    NOT NULL,
    made    TEXT    NOT NULL CHECK (made = '' OR made GLOB '2[01][0-9][0-9]-[01][0-9]-[0-3][0-9]'),
    pieces  INTEGER NOT NULL CHECK (pieces >= 0),
    PRIMARY KEY (kitchen, night, shop, item, made),
    FOREIGN KEY (kitchen, night, shop) REFERENCES counts
) STRICT, WITHOUT ROWID;

CREATE TABLE sales (
    kitchen TEXT    NOT NULL,
    shop    TEXT    NOT NULL,
    item    TEXT    NOT NULL,
    day     TEXT    NOT NULL CHECK (day GLOB '2[01][0-9][0-9]-[01][0-9]-[0-3][0-9]'),
    pieces  INTEGER NOT NULL CHECK (pieces >= 0),
    kind    TEXT    NOT NULL CHECK (kind IN ('ORDINARY', 'SOLD_OUT', 'CLOSED', 'EVENT')),
    PRIMARY KEY (kitchen, shop, item, day)
) STRICT, WITHOUT ROWID;
