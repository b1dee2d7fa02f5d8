-- What was learned from a shop's sales of an item, as a document of whole
-- numbers. It follows from the sales and can be learned again.

-- +goose Up
CREATE TABLE fits (
    kitchen  TEXT NOT NULL,
    shop     TEXT NOT NULL,
    item     TEXT NOT NULL,
    through  TEXT NOT NULL CHECK (through GLOB '2[01][0-9][0-9]-[01][0-9]-[0-3][0-9]'),
    document TEXT NOT NULL CHECK (json_valid(document)),
    PRIMARY KEY (kitchen, shop, item)
) STRICT, WITHOUT ROWID;
