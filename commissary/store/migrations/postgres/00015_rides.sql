-- What really happens on the runs of released dispatches.

-- +goose Up
CREATE TABLE rides (
    kitchen  TEXT COLLATE "C" NOT NULL,
    night    TEXT COLLATE "C" NOT NULL CHECK (night ~ '^2[01][0-9][0-9]-[01][0-9]-[0-3][0-9]$'),
    run      TEXT COLLATE "C" NOT NULL CHECK (run <> ''),
    state    TEXT COLLATE "C" NOT NULL CHECK (state IN ('LOADING', 'DEPARTED', 'CLOSED')),
    document TEXT COLLATE "C" NOT NULL CHECK (document::json IS NOT NULL),
    PRIMARY KEY (kitchen, night, run)
);

CREATE INDEX rides_loading ON rides (kitchen, night, run) WHERE state = 'LOADING';

-- A run does not come back.
-- +goose StatementBegin
CREATE FUNCTION rides_forward() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
    RAISE EXCEPTION 'the states of a run move forward only';
END $$;
-- +goose StatementEnd
CREATE TRIGGER rides_forward BEFORE UPDATE ON rides FOR EACH ROW
WHEN (strpos('LOADING DEPARTED CLOSED', NEW.state) < strpos('LOADING DEPARTED CLOSED', OLD.state)) EXECUTE FUNCTION rides_forward();
