-- What really happens on the runs of released dispatches.

-- +goose Up
CREATE TABLE rides (
    kitchen  TEXT NOT NULL,
    night    TEXT NOT NULL CHECK (night GLOB '2[01][0-9][0-9]-[01][0-9]-[0-3][0-9]'),
    run      TEXT NOT NULL CHECK (run <> ''),
    state    TEXT NOT NULL CHECK (state IN ('LOADING', 'DEPARTED', 'CLOSED')),
    document TEXT NOT NULL CHECK (json_valid(document)),
    PRIMARY KEY (kitchen, night, run)
) STRICT, WITHOUT ROWID;

CREATE INDEX rides_loading ON rides (kitchen, night, run) WHERE state = 'LOADING';

-- A run does not come back.
-- +goose StatementBegin
CREATE TRIGGER rides_forward BEFORE UPDATE ON rides
WHEN instr('LOADING DEPARTED CLOSED', NEW.state) < instr('LOADING DEPARTED CLOSED', OLD.state) BEGIN
    SELECT RAISE(ABORT, 'the states of a run move forward only');
END;
-- +goose StatementEnd
