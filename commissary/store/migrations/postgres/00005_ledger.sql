-- Lots get a quantity at every place, receipts, holds, and the batches that
-- took from them. What a lot holds is kept by place and no longer in its row.

-- +goose Up
DROP TRIGGER movements_sum ON movements;

DROP INDEX lots_on_hand;

CREATE TABLE stocks (
    kitchen TEXT COLLATE "C"    NOT NULL,
    lot     TEXT COLLATE "C"    NOT NULL,
    place   TEXT COLLATE "C"    NOT NULL CHECK (place <> ''),
    pieces  BIGINT NOT NULL CHECK (pieces >= 0),
    mass    BIGINT NOT NULL CHECK (mass >= 0),
    PRIMARY KEY (kitchen, lot, place),
    FOREIGN KEY (kitchen, lot) REFERENCES lots
);

INSERT INTO stocks (kitchen, lot, place, pieces, mass)
SELECT kitchen, code, 'kitchen', pieces, mass FROM lots WHERE pieces > 0 OR mass > 0;

CREATE INDEX stocks_on_hand ON stocks (kitchen, lot, place) WHERE pieces > 0 OR mass > 0;

ALTER TABLE lots DROP COLUMN pieces;
ALTER TABLE lots DROP COLUMN mass;
ALTER TABLE lots ADD COLUMN ingredient TEXT COLLATE "C" NOT NULL DEFAULT '';
ALTER TABLE lots ADD COLUMN receipt TEXT COLLATE "C" NOT NULL DEFAULT '{}' CHECK (receipt::json IS NOT NULL);

ALTER TABLE movements ADD COLUMN place TEXT COLLATE "C" NOT NULL DEFAULT 'kitchen' CHECK (place <> '');
ALTER TABLE movements ADD COLUMN to_place TEXT COLLATE "C" NOT NULL DEFAULT '' CHECK (to_place <> place);
ALTER TABLE movements ADD COLUMN why TEXT COLLATE "C" NOT NULL DEFAULT '';

CREATE INDEX movements_received ON movements (kitchen, lot, seq) WHERE kind = 'RECEIVED';

-- A lot's quantity at a place is the sum of its movements, and nothing else changes it.
-- +goose StatementBegin
CREATE OR REPLACE FUNCTION movements_sum() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
    INSERT INTO stocks (kitchen, lot, place, pieces, mass) VALUES (NEW.kitchen, NEW.lot, NEW.place, 0, 0) ON CONFLICT DO NOTHING;
    UPDATE stocks SET pieces = pieces + NEW.pieces, mass = mass + NEW.mass
    WHERE kitchen = NEW.kitchen AND lot = NEW.lot AND place = NEW.place;
    IF NEW.to_place <> '' THEN
        INSERT INTO stocks (kitchen, lot, place, pieces, mass) VALUES (NEW.kitchen, NEW.lot, NEW.to_place, 0, 0) ON CONFLICT DO NOTHING;
        UPDATE stocks SET pieces = pieces - NEW.pieces, mass = mass - NEW.mass
        WHERE kitchen = NEW.kitchen AND lot = NEW.lot AND place = NEW.to_place;
    END IF;
    RETURN NULL;
END $$;
-- +goose StatementEnd
CREATE TRIGGER movements_sum AFTER INSERT ON movements FOR EACH ROW EXECUTE FUNCTION movements_sum();

CREATE TABLE holds (
    seq         BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    kitchen     TEXT COLLATE "C"    NOT NULL,
    lot         TEXT COLLATE "C"    NOT NULL,
    cause       TEXT COLLATE "C"    NOT NULL,
    why         TEXT COLLATE "C"    NOT NULL CHECK (why <> ''),
    held_at     BIGINT NOT NULL,
    held_by     TEXT COLLATE "C"    NOT NULL,
    released_at BIGINT,
    released_by TEXT COLLATE "C",
    released_why TEXT COLLATE "C",
    FOREIGN KEY (kitchen, lot) REFERENCES lots,
    FOREIGN KEY (kitchen, cause) REFERENCES lots (kitchen, code)
);

CREATE UNIQUE INDEX holds_in_force ON holds (kitchen, lot, cause) WHERE released_at IS NULL;
CREATE INDEX holds_by_cause ON holds (kitchen, cause) WHERE released_at IS NULL;

INSERT INTO holds (kitchen, lot, cause, why, held_at, held_by)
SELECT kitchen, code, code, held, made_at, '' FROM lots WHERE held <> '';

CREATE TABLE draws (
    kitchen  TEXT COLLATE "C"    NOT NULL,
    batch    TEXT COLLATE "C"    NOT NULL,
    lot      TEXT COLLATE "C"    NOT NULL,
    mass     BIGINT NOT NULL CHECK (mass >= 0),
    possible BOOLEAN NOT NULL,
    PRIMARY KEY (kitchen, batch, lot),
    FOREIGN KEY (kitchen, batch) REFERENCES batches (kitchen, id),
    FOREIGN KEY (kitchen, lot) REFERENCES lots (kitchen, code)
);

CREATE INDEX draws_by_lot ON draws (kitchen, lot, batch);

CREATE TABLE in_use (
    seq        BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    kitchen    TEXT COLLATE "C"    NOT NULL,
    ingredient TEXT COLLATE "C"    NOT NULL CHECK (ingredient <> ''),
    lot        TEXT COLLATE "C",
    kind       TEXT COLLATE "C"    NOT NULL CHECK (kind IN ('OPENED', 'TOPPED_UP', 'CLEANED_OUT', 'FOUND')),
    changed_at BIGINT NOT NULL,
    changed_by TEXT COLLATE "C"    NOT NULL,
    why        TEXT COLLATE "C"    NOT NULL,
    CHECK ((kind = 'CLEANED_OUT') = (lot IS NULL)),
    FOREIGN KEY (kitchen, lot) REFERENCES lots (kitchen, code)
);

CREATE INDEX in_use_by_ingredient ON in_use (kitchen, ingredient, changed_at, seq);

CREATE TRIGGER in_use_unchanged BEFORE UPDATE ON in_use FOR EACH ROW EXECUTE FUNCTION appended_only();
CREATE TRIGGER in_use_undeleted BEFORE DELETE ON in_use FOR EACH ROW EXECUTE FUNCTION appended_only();

-- What batches took before there were draws is in the movements.
INSERT INTO draws (kitchen, batch, lot, mass, possible)
SELECT m.kitchen, m.ref, m.lot, -sum(m.mass), false FROM movements m
JOIN batches b ON b.kitchen = m.kitchen AND b.id = m.ref
WHERE m.kind = 'USED' GROUP BY m.kitchen, m.ref, m.lot;
