-- +goose Up
CREATE TABLE outages (
    kitchen  TEXT    NOT NULL,
    number   INTEGER NOT NULL CHECK (number >= 1),
    ends_at  INTEGER,
    document TEXT    NOT NULL CHECK (json_valid(document)),
    PRIMARY KEY (kitchen, number)
) STRICT, WITHOUT ROWID;

CREATE INDEX outages_not_over ON outages (kitchen, ends_at);

-- +goose Down
DROP TABLE outages;
