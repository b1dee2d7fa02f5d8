-- As the same number for SQLite. Texts compare byte by byte.
--
-- Instants are microseconds since 1970 in UTC, NULL where there is none; civil
-- dates are text that sorts; masses are milligrams. Documents are nouns as
-- encoding/json writes them, beside the columns they are found by.

-- +goose Up
CREATE TABLE books (
    kitchen    TEXT COLLATE "C"    NOT NULL,
    revision   BIGINT NOT NULL CHECK (revision > 0),
    source     BYTEA    NOT NULL,
    adopted_at BIGINT NOT NULL,
    adopted_by TEXT COLLATE "C"    NOT NULL,
    PRIMARY KEY (kitchen, revision)
);

CREATE TABLE nights (
    kitchen   TEXT COLLATE "C" NOT NULL,
    night     TEXT COLLATE "C" NOT NULL CHECK (night ~ '^2[01][0-9][0-9]-[01][0-9]-[0-3][0-9]$'),
    state     TEXT COLLATE "C" NOT NULL CHECK (state IN ('OPEN', 'CLOSED', 'PLANNED', 'DISPATCHED')),
    closed_at BIGINT,
    PRIMARY KEY (kitchen, night),
    CHECK (state <> 'OPEN' OR closed_at IS NULL)
);

CREATE TABLE orders (
    kitchen      TEXT COLLATE "C"    NOT NULL,
    night        TEXT COLLATE "C"    NOT NULL CHECK (night ~ '^2[01][0-9][0-9]-[01][0-9]-[0-3][0-9]$'),
    shop         TEXT COLLATE "C"    NOT NULL,
    revision     BIGINT NOT NULL CHECK (revision > 0),
    state        TEXT COLLATE "C"    NOT NULL CHECK (state IN ('ACCEPTED', 'CANCELLED', 'LATE')),
    closed       BOOLEAN NOT NULL,
    submitted_by TEXT COLLATE "C"    NOT NULL,
    submitted_at BIGINT NOT NULL,
    late_by      TEXT COLLATE "C"    NOT NULL,
    late_why     TEXT COLLATE "C"    NOT NULL,
    PRIMARY KEY (kitchen, night, shop, revision),
    CHECK (state <> 'LATE' OR (late_by <> '' AND late_why <> ''))
);

CREATE TABLE order_lines (
    kitchen   TEXT COLLATE "C"    NOT NULL,
    night     TEXT COLLATE "C"    NOT NULL,
    shop      TEXT COLLATE "C"    NOT NULL,
    revision  BIGINT NOT NULL,
    line      BIGINT NOT NULL CHECK (line > 0),
    item      TEXT COLLATE "C"    NOT NULL,
    pieces    BIGINT NOT NULL CHECK (pieces >= 0),
    bake_date TEXT COLLATE "C"    NOT NULL CHECK (bake_date ~ '^2[01][0-9][0-9]-[01][0-9]-[0-3][0-9]$'),
    PRIMARY KEY (kitchen, night, shop, revision, line),
    UNIQUE (kitchen, night, shop, revision, item, bake_date),
    FOREIGN KEY (kitchen, night, shop, revision) REFERENCES orders
);

CREATE TABLE plans (
    kitchen  TEXT COLLATE "C"    NOT NULL,
    night    TEXT COLLATE "C"    NOT NULL CHECK (night ~ '^2[01][0-9][0-9]-[01][0-9]-[0-3][0-9]$'),
    revision BIGINT NOT NULL CHECK (revision > 0),
    state    TEXT COLLATE "C"    NOT NULL CHECK (state IN ('RELEASED', 'SUPERSEDED')),
    book     BIGINT NOT NULL,
    document TEXT COLLATE "C"    NOT NULL CHECK (document::json IS NOT NULL),
    PRIMARY KEY (kitchen, night, revision),
    FOREIGN KEY (kitchen, book) REFERENCES books
);

-- At most one plan of a night is in force.
CREATE UNIQUE INDEX plans_in_force ON plans (kitchen, night) WHERE state = 'RELEASED';

CREATE TABLE batches (
    kitchen  TEXT COLLATE "C"    NOT NULL,
    id       TEXT COLLATE "C"    NOT NULL CHECK (id <> ''),
    night    TEXT COLLATE "C"    NOT NULL,
    plan     BIGINT NOT NULL,
    state    TEXT COLLATE "C"    NOT NULL CHECK (state IN ('POSTED', 'MIXING', 'OUT', 'SCRAPPED')),
    revision BIGINT NOT NULL CHECK (revision > 0),
    document TEXT COLLATE "C"    NOT NULL CHECK (document::json IS NOT NULL),
    PRIMARY KEY (kitchen, id),
    FOREIGN KEY (kitchen, night, plan) REFERENCES plans
);

CREATE INDEX batches_by_plan ON batches (kitchen, night, plan);
CREATE INDEX batches_open ON batches (kitchen, id) WHERE state IN ('POSTED', 'MIXING');

CREATE TABLE lots (
    kitchen TEXT COLLATE "C"    NOT NULL,
    code    TEXT COLLATE "C"    NOT NULL CHECK (code <> ''),
    item    TEXT COLLATE "C"    NOT NULL,
    formula TEXT COLLATE "C"    NOT NULL,
    pieces  BIGINT NOT NULL DEFAULT 0 CHECK (pieces >= 0),
    mass    BIGINT NOT NULL DEFAULT 0 CHECK (mass >= 0),
    made_at BIGINT NOT NULL,
    place   TEXT COLLATE "C"    NOT NULL,
    batch   TEXT COLLATE "C",
    held    TEXT COLLATE "C"    NOT NULL,
    PRIMARY KEY (kitchen, code),
    FOREIGN KEY (kitchen, batch) REFERENCES batches
);

CREATE INDEX lots_by_batch ON lots (kitchen, batch);
CREATE INDEX lots_on_hand ON lots (kitchen, code) WHERE pieces > 0 OR mass > 0;

-- The bounds keep every sum exact.
CREATE TABLE movements (
    seq      BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    kitchen  TEXT COLLATE "C"    NOT NULL,
    lot      TEXT COLLATE "C"    NOT NULL,
    kind     TEXT COLLATE "C"    NOT NULL CHECK (kind <> ''),
    pieces   BIGINT NOT NULL CHECK (pieces BETWEEN -1000000000000000 AND 1000000000000000),
    mass     BIGINT NOT NULL CHECK (mass BETWEEN -1000000000000000 AND 1000000000000000),
    moved_at BIGINT NOT NULL,
    moved_by TEXT COLLATE "C"    NOT NULL,
    ref      TEXT COLLATE "C"    NOT NULL,
    FOREIGN KEY (kitchen, lot) REFERENCES lots
);

CREATE INDEX movements_by_lot ON movements (kitchen, lot, seq);

-- A lot's quantity is the sum of its movements, and nothing else changes it.
-- +goose StatementBegin
CREATE FUNCTION movements_sum() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
    UPDATE lots SET pieces = pieces + NEW.pieces, mass = mass + NEW.mass
    WHERE kitchen = NEW.kitchen AND code = NEW.lot;
    RETURN NULL;
END $$;
-- +goose StatementEnd
CREATE TRIGGER movements_sum AFTER INSERT ON movements FOR EACH ROW EXECUTE FUNCTION movements_sum();

-- +goose StatementBegin
CREATE FUNCTION appended_only() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
    RAISE EXCEPTION '% is appended to, never changed', TG_TABLE_NAME;
END $$;
-- +goose StatementEnd
CREATE TRIGGER movements_unchanged BEFORE UPDATE ON movements FOR EACH ROW EXECUTE FUNCTION appended_only();
CREATE TRIGGER movements_undeleted BEFORE DELETE ON movements FOR EACH ROW EXECUTE FUNCTION appended_only();

CREATE TABLE dispatches (
    kitchen  TEXT COLLATE "C"    NOT NULL,
    night    TEXT COLLATE "C"    NOT NULL CHECK (night ~ '^2[01][0-9][0-9]-[01][0-9]-[0-3][0-9]$'),
    revision BIGINT NOT NULL CHECK (revision > 0),
    state    TEXT COLLATE "C"    NOT NULL CHECK (state IN ('RELEASED', 'SUPERSEDED')),
    document TEXT COLLATE "C"    NOT NULL CHECK (document::json IS NOT NULL),
    PRIMARY KEY (kitchen, night, revision)
);

-- At most one dispatch of a night is in force.
CREATE UNIQUE INDEX dispatches_in_force ON dispatches (kitchen, night) WHERE state = 'RELEASED';

CREATE TABLE replies (
    caller     TEXT COLLATE "C"    NOT NULL,
    request_id TEXT COLLATE "C"    NOT NULL CHECK (request_id <> ''),
    call       TEXT COLLATE "C"    NOT NULL,
    digest     BYTEA    NOT NULL,
    answer     BYTEA    NOT NULL,
    settled_at BIGINT NOT NULL,
    PRIMARY KEY (caller, request_id)
);

CREATE TABLE changes (
    kitchen TEXT COLLATE "C"    NOT NULL,
    seq     BIGINT NOT NULL CHECK (seq > 0),
    at      BIGINT NOT NULL,
    who     TEXT COLLATE "C"    NOT NULL,
    call    TEXT COLLATE "C"    NOT NULL,
    subject TEXT COLLATE "C"    NOT NULL,
    detail  TEXT COLLATE "C"    NOT NULL,
    hash    BYTEA    NOT NULL CHECK (length(hash) = 32),
    PRIMARY KEY (kitchen, seq)
);

-- The end of each kitchen's chain of changes, so that rows missing from the end show too.
CREATE TABLE chains (
    kitchen TEXT COLLATE "C"    NOT NULL PRIMARY KEY,
    seq     BIGINT NOT NULL CHECK (seq > 0),
    hash    BYTEA    NOT NULL CHECK (length(hash) = 32)
);

CREATE TRIGGER changes_unchanged BEFORE UPDATE ON changes FOR EACH ROW EXECUTE FUNCTION appended_only();
CREATE TRIGGER changes_undeleted BEFORE DELETE ON changes FOR EACH ROW EXECUTE FUNCTION appended_only();
