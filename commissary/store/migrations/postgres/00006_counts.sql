-- +goose Up
CREATE TABLE counts (
    kitchen    TEXT COLLATE "C"    NOT NULL,
    night      TEXT COLLATE "C"    NOT NULL CHECK (night ~ '^2[01][0-9][0-9]-[01][0-9]-[0-3][0-9]$'),
    shop       TEXT COLLATE "C"    NOT NULL,
    counted_at BIGINT NOT NULL,
    counted_by TEXT COLLATE "C"    NOT NULL,
    PRIMARY KEY (kitchen, night, shop)
);

-- A label that was not read is an empty text.
CREATE TABLE count_lines (
    kitchen TEXT COLLATE "C"    NOT NULL,
    night   TEXT COLLATE "C"    NOT NULL,
    shop    TEXT COLLATE "C"    NOT NULL,
    item    TEXT COLLATE "C"    NOT NULL,
    made    TEXT COLLATE "C"    NOT NULL CHECK (made = '' OR made ~ '^2[01][0-9][0-9]-[01][0-9]-[0-3][0-9]$'),
    pieces  BIGINT NOT NULL CHECK (pieces >= 0),
    PRIMARY KEY (kitchen, night, shop, item, made),
    FOREIGN KEY (kitchen, night, shop) REFERENCES counts
);

CREATE TABLE sales (
    kitchen TEXT COLLATE "C"    NOT NULL,
    shop    TEXT COLLATE "C"    NOT NULL,
    item    TEXT COLLATE "C"    NOT NULL,
    day     TEXT COLLATE "C"    NOT NULL CHECK (day ~ '^2[01][0-9][0-9]-[01][0-9]-[0-3][0-9]$'),
    pieces  BIGINT NOT NULL CHECK (pieces >= 0),
    kind    TEXT COLLATE "C"    NOT NULL CHECK (kind IN ('ORDINARY', 'SOLD_OUT', 'CLOSED', 'EVENT')),
    PRIMARY KEY (kitchen, shop, item, day)
);
