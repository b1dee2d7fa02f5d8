-- Instants are microseconds since 1970 in UTC, NULL where there is none; civil
-- dates are text that sorts; masses are milligrams. Documents are nouns as
-- encoding/json writes them, beside the columns they are found by.

-- +goose Up
CREATE TABLE books (
    kitchen    TEXT    NOT NULL,
    revision   INTEGER NOT NULL CHECK (revision > 0),
    source     BLOB    NOT NULL,
    adopted_at INTEGER NOT NULL,
    adopted_by TEXT    NOT NULL,
    PRIMARY KEY (kitchen, revision)
) STRICT;

CREATE TABLE nights (
    kitchen   TEXT NOT NULL,
    night     TEXT NOT NULL CHECK (night GLOB '2[01][0-9][0-9]-[01][0-9]-[0-3][0-9]'),
    state     TEXT NOT NULL CHECK (state IN ('OPEN', 'CLOSED', 'PLANNED', 'DISPATCHED')),
    closed_at INTEGER,
    PRIMARY KEY (kitchen, night),
    CHECK (state <> 'OPEN' OR closed_at IS NULL)
) STRICT, WITHOUT ROWID;

CREATE TABLE orders (
    kitchen      TEXT    NOT NULL,
    night        TEXT    NOT NULL CHECK (night GLOB '2[01][0-9][0-9]-[01][0-9]-[0-3][0-9]'),
    shop         TEXT    NOT NULL,
    revision     INTEGER NOT NULL CHECK (revision > 0),
    state        TEXT    NOT NULL CHECK (state IN ('ACCEPTED', 'CANCELLED', 'LATE')),
    closed       INTEGER NOT NULL CHECK (closed IN (0, 1)),
    submitted_by TEXT    NOT NULL,
    submitted_at INTEGER NOT NULL,
    late_by      TEXT    NOT NULL,
    late_why     TEXT    NOT NULL,
    PRIMARY KEY (kitchen, night, shop, revision),
    CHECK (state <> 'LATE' OR (late_by <> '' AND late_why <> ''))
) STRICT, WITHOUT ROWID;

CREATE TABLE order_lines (
    kitchen   TEXT    NOT NULL,
    night     TEXT    NOT NULL,
    shop      TEXT    NOT NULL,
    revision  INTEGER NOT NULL,
    line      INTEGER NOT NULL CHECK (line > 0),
    item      TEXT    NOT NULL,
    pieces    INTEGER NOT NULL CHECK (pieces >= 0),
    bake_date TEXT    NOT NULL CHECK (bake_date GLOB '2[01][0-9][0-9]-[01][0-9]-[0-3][0-9]'),
    PRIMARY KEY (kitchen, night, shop, revision, line),
    UNIQUE (kitchen, night, shop, revision, item, bake_date),
    FOREIGN KEY (kitchen, night, shop, revision) REFERENCES orders
) STRICT, WITHOUT ROWID;

CREATE TABLE plans (
    kitchen  TEXT    NOT NULL,
    night    TEXT    NOT NULL CHECK (night GLOB '2[01][0-9][0-9]-[01][0-9]-[0-3][0-9]'),
    revision INTEGER NOT NULL CHECK (revision > 0),
    state    TEXT    NOT NULL CHECK (state IN ('RELEASED', 'SUPERSEDED')),
    book     INTEGER NOT NULL,
    document TEXT    NOT NULL CHECK (json_valid(document)),
    PRIMARY KEY (kitchen, night, revision),
    FOREIGN KEY (kitchen, book) REFERENCES books
) STRICT;

-- At most one plan of a night is in force.
CREATE UNIQUE INDEX plans_in_force ON plans (kitchen, night) WHERE state = 'RELEASED';

CREATE TABLE batches (
    kitchen  TEXT    NOT NULL,
    id       TEXT    NOT NULL CHECK (id <> ''),
    night    TEXT    NOT NULL,
    plan     INTEGER NOT NULL,
    state    TEXT    NOT NULL CHECK (state IN ('POSTED', 'MIXING', 'OUT', 'SCRAPPED')),
    revision INTEGER NOT NULL CHECK (revision > 0),
    document TEXT    NOT NULL CHECK (json_valid(document)),
    PRIMARY KEY (kitchen, id),
    FOREIGN KEY (kitchen, night, plan) REFERENCES plans
) STRICT;

CREATE INDEX batches_by_plan ON batches (kitchen, night, plan);
CREATE INDEX batches_open ON batches (kitchen, id) WHERE state IN ('POSTED', 'MIXING');

CREATE TABLE lots (
    kitchen TEXT    NOT NULL,
    code    TEXT    NOT NULL CHECK (code <> ''),
    item    TEXT    NOT NULL,
    formula TEXT    NOT NULL,
    pieces  INTEGER NOT NULL DEFAULT 0 CHECK (pieces >= 0),
    mass    INTEGER NOT NULL DEFAULT 0 CHECK (mass >= 0),
    made_at INTEGER NOT NULL,
    place   TEXT    NOT NULL,
    batch   TEXT,
    held    TEXT    NOT NULL,
    PRIMARY KEY (kitchen, code),
    FOREIGN KEY (kitchen, batch) REFERENCES batches
) STRICT, WITHOUT ROWID;

CREATE INDEX lots_by_batch ON lots (kitchen, batch);
CREATE INDEX lots_on_hand ON lots (kitchen, code) WHERE pieces > 0 OR mass > 0;

-- The bounds keep every sum exact.
CREATE TABLE movements (
    seq      INTEGER PRIMARY KEY,
    kitchen  TEXT    NOT NULL,
    lot      TEXT    NOT NULL,
    kind     TEXT    NOT NULL CHECK (kind <> ''),
    pieces   INTEGER NOT NULL CHECK (pieces BETWEEN -1000000000000000 AND 1000000000000000),
    mass     INTEGER NOT NULL CHECK (mass BETWEEN -1000000000000000 AND 1000000000000000),
    moved_at INTEGER NOT NULL,
    moved_by TEXT    NOT NULL,
    ref      TEXT    NOT NULL,
    FOREIGN KEY (kitchen, lot) REFERENCES lots
) STRICT;

CREATE INDEX movements_by_lot ON movements (kitchen, lot, seq);

-- A lot's quantity is the sum of its movements, and nothing else changes it.
-- +goose StatementBegin
CREATE TRIGGER movements_sum AFTER INSERT ON movements BEGIN
    UPDATE lots SET pieces = pieces + NEW.pieces, mass = mass + NEW.mass
    WHERE kitchen = NEW.kitchen AND code = NEW.lot;
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER movements_unchanged BEFORE UPDATE ON movements BEGIN
    SELECT RAISE(ABORT, 'movements are appended, never changed');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER movements_undeleted BEFORE DELETE ON movements BEGIN
    SELECT RAISE(ABORT, 'movements are appended, never deleted');
END;
-- +goose StatementEnd

CREATE TABLE dispatches (
    kitchen  TEXT    NOT NULL,
    night    TEXT    NOT NULL CHECK (night GLOB '2[01][0-9][0-9]-[01][0-9]-[0-3][0-9]'),
    revision INTEGER NOT NULL CHECK (revision > 0),
    state    TEXT    NOT NULL CHECK (state IN ('RELEASED', 'SUPERSEDED')),
    document TEXT    NOT NULL CHECK (json_valid(document)),
    PRIMARY KEY (kitchen, night, revision)
) STRICT;

-- At most one dispatch of a night is in force.
CREATE UNIQUE INDEX dispatches_in_force ON dispatches (kitchen, night) WHERE state = 'RELEASED';

CREATE TABLE replies (
    caller     TEXT    NOT NULL,
    request_id TEXT    NOT NULL CHECK (request_id <> ''),
    call       TEXT    NOT NULL,
    digest     BLOB    NOT NULL,
    answer     BLOB    NOT NULL,
    settled_at INTEGER NOT NULL,
    PRIMARY KEY (caller, request_id)
) STRICT;

CREATE TABLE changes (
    kitchen TEXT    NOT NULL,
    seq     INTEGER NOT NULL CHECK (seq > 0),
    at      INTEGER NOT NULL,
    who     TEXT    NOT NULL,
    call    TEXT    NOT NULL,
    subject TEXT    NOT NULL,
    detail  TEXT    NOT NULL,
    hash    BLOB    NOT NULL CHECK (length(hash) = 32),
    PRIMARY KEY (kitchen, seq)
) STRICT, WITHOUT ROWID;

-- The end of each kitchen's chain of changes, so that rows missing from the end show too.
CREATE TABLE chains (
    kitchen TEXT    NOT NULL PRIMARY KEY,
    seq     INTEGER NOT NULL CHECK (seq > 0),
    hash    BLOB    NOT NULL CHECK (length(hash) = 32)
) STRICT, WITHOUT ROWID;

-- +goose StatementBegin
CREATE TRIGGER changes_unchanged BEFORE UPDATE ON changes BEGIN
    SELECT RAISE(ABORT, 'changes are appended, never changed');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER changes_undeleted BEFORE DELETE ON changes BEGIN
    SELECT RAISE(ABORT, 'changes are appended, never deleted');
END;
-- +goose StatementEnd
