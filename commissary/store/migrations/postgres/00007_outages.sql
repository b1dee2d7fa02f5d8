-- +goose Up
CREATE TABLE outages (
    kitchen  TEXT COLLATE "C" NOT NULL,
    number   BIGINT NOT NULL CHECK (number >= 1),
    ends_at  BIGINT,
    document TEXT COLLATE "C" NOT NULL CHECK (document::json IS NOT NULL),
    PRIMARY KEY (kitchen, number)
);

CREATE INDEX outages_not_over ON outages (kitchen, ends_at);
