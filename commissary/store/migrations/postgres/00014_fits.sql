-- What was learned from a shop's sales of an item, as a document of whole
-- numbers. It follows from the sales and can be learned again.

-- +goose Up
CREATE TABLE fits (
    kitchen  TEXT COLLATE "C" NOT NULL,
    shop     TEXT COLLATE "C" NOT NULL,
    item     TEXT COLLATE "C" NOT NULL,
    through  TEXT COLLATE "C" NOT NULL CHECK (through ~ '^2[01][0-9][0-9]-[01][0-9]-[0-3][0-9]$'),
    document TEXT COLLATE "C" NOT NULL CHECK (document::json IS NOT NULL),
    PRIMARY KEY (kitchen, shop, item)
);
