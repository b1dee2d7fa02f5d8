-- Lots get a quantity at every place, receipts, holds, and the batches that
-- took from them. What a lot holds is kept by place and no longer in its row.

-- +goose Up
DROP TRIGGER movements_sum;

DROP INDEX lots_on_hand;

CREATE TABLE stocks (
    kitchen TEXT    NOT NULL,
    lot     TEXT    NOT NULL,
    place   TEXT    NOT NULL CHECK (place <> ''),
    pieces  INTEGER NOT NULL CHECK (pieces >= 0),
    mass    INTEGER NOT NULL CHECK (mass >= 0),
    PRIMARY KEY (kitchen, lot, place),
    FOREIGN KEY (kitchen, lot) REFERENCES lots
) STRICT, WITHOUT ROWID;

INSERT INTO stocks (kitchen, lot, place, pieces, mass)
SELECT kitchen, code, 'kitchen', pieces, mass FROM lots WHERE pieces > 0 OR mass > 0;

CREATE INDEX stocks_on_hand ON stocks (kitchen, lot, place) WHERE pieces > 0 OR mass > 0;

ALTER TABLE lots DROP COLUMN pieces;
ALTER TABLE lots DROP COLUMN mass;
ALTER TABLE lots ADD COLUMN ingredient TEXT NOT NULL DEFAULT '';
ALTER TABLE lots ADD COLUMN receipt TEXT NOT NULL DEFAULT '{}' CHECK (json_valid(receipt));

ALTER TABLE movements ADD COLUMN place TEXT NOT NULL DEFAULT 'kitchen' CHECK (place <> '');
ALTER TABLE movements ADD COLUMN to_place TEXT NOT NULL DEFAULT '' CHECK (to_place <> place);
ALTER TABLE movements ADD COLUMN why TEXT NOT NULL DEFAULT '';

CREATE INDEX movements_received ON movements (kitchen, lot, seq) WHERE kind = 'RECEIVED';

-- A lot's quantity at a place is the sum of its movements, and nothing else changes it.
-- +goose StatementBegin
CREATE TRIGGER movements_sum AFTER INSERT ON movements BEGIN
    INSERT INTO stocks (kitchen, lot, place, pieces, mass)
    SELECT NEW.kitchen, NEW.lot, NEW.place, 0, 0
    WHERE NOT EXISTS (SELECT 1 FROM stocks WHERE kitchen = NEW.kitchen AND lot = NEW.lot AND place = NEW.place);
    UPDATE stocks SET pieces = pieces + NEW.pieces, mass = mass + NEW.mass
    WHERE kitchen = NEW.kitchen AND lot = NEW.lot AND place = NEW.place;
    INSERT INTO stocks (kitchen, lot, place, pieces, mass)
    SELECT NEW.kitchen, NEW.lot, NEW.to_place, 0, 0
    WHERE NEW.to_place <> '' AND NOT EXISTS (SELECT 1 FROM stocks WHERE kitchen = NEW.kitchen AND lot = NEW.lot AND place = NEW.to_place);
    UPDATE stocks SET pieces = pieces - NEW.pieces, mass = mass - NEW.mass
    WHERE kitchen = NEW.kitchen AND lot = NEW.lot AND place = NEW.to_place;
END;
-- +goose StatementEnd

CREATE TABLE holds (
    seq         INTEGER PRIMARY KEY,
    kitchen     TEXT    NOT NULL,
    lot         TEXT    NOT NULL,
    cause       TEXT    NOT NULL,
    why         TEXT    NOT NULL CHECK (why <> ''),
    held_at     INTEGER NOT NULL,
    held_by     TEXT    NOT NULL,
    released_at INTEGER,
    released_by TEXT,
    released_why TEXT,
    FOREIGN KEY (kitchen, lot) REFERENCES lots,
    FOREIGN KEY (kitchen, cause) REFERENCES lots (kitchen, code)
) STRICT;

CREATE UNIQUE INDEX holds_in_force ON holds (kitchen, lot, cause) WHERE released_at IS NULL;
CREATE INDEX holds_by_cause ON holds (kitchen, cause) WHERE released_at IS NULL;

INSERT INTO holds (kitchen, lot, cause, why, held_at, held_by)
SELECT kitchen, code, code, held, made_at, '' FROM lots WHERE held <> '';

CREATE TABLE draws (
    kitchen  TEXT    NOT NULL,
    batch    TEXT    NOT NULL,
    lot      TEXT    NOT NULL,
    mass     INTEGER NOT NULL CHECK (mass >= 0),
    possible INTEGER NOT NULL CHECK (possible IN (0, 1)),
    PRIMARY KEY (kitchen, batch, lot),
    FOREIGN KEY (kitchen, batch) REFERENCES batches (kitchen, id),
    FOREIGN KEY (kitchen, lot) REFERENCES lots (kitchen, code)
) STRICT, WITHOUT ROWID;

CREATE INDEX draws_by_lot ON draws (kitchen, lot, batch);

CREATE TABLE in_use (
    seq        INTEGER PRIMARY KEY,
    kitchen    TEXT    NOT NULL,
    ingredient TEXT    NOT NULL CHECK (ingredient <> ''),
    lot        TEXT,
    kind       TEXT    NOT NULL CHECK (kind IN ('OPENED', 'TOPPED_UP', 'CLEANED_OUT', 'FOUND')),
    changed_at INTEGER NOT NULL,
    changed_by TEXT    NOT NULL,
    why        TEXT    NOT NULL,
    CHECK ((kind = 'CLEANED_OUT') = (lot IS NULL)),
    FOREIGN KEY (kitchen, lot) REFERENCES lots (kitchen, code)
) STRICT;

CREATE INDEX in_use_by_ingredient ON in_use (kitchen, ingredient, changed_at, seq);

-- +goose StatementBegin
CREATE TRIGGER in_use_unchanged BEFORE UPDATE ON in_use BEGIN
    SELECT RAISE(ABORT, 'changes of use are appended, never changed');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER in_use_undeleted BEFORE DELETE ON in_use BEGIN
    SELECT RAISE(ABORT, 'changes of use are appended, never deleted');
END;
-- +goose StatementEnd

-- What batches took before there were draws is in the movements.
INSERT INTO draws (kitchen, batch, lot, mass, possible)
SELECT m.kitchen, m.ref, m.lot, -sum(m.mass), 0 FROM movements m
JOIN batches b ON b.kitchen = m.kitchen AND b.id = m.ref
WHERE m.kind = 'USED' GROUP BY m.kitchen, m.ref, m.lot;
