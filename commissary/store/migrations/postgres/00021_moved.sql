-- A database whose facts have moved to another takes no more changes, not even
-- from a service that was running meanwhile.

-- +goose Up
CREATE TABLE moved (
    destination TEXT COLLATE "C" NOT NULL CHECK (destination <> '')
);

-- +goose StatementBegin
CREATE FUNCTION changes_moved() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
    IF EXISTS (SELECT 1 FROM moved) THEN
        RAISE EXCEPTION 'the facts have moved to another database';
    END IF;
    RETURN NEW;
END $$;
-- +goose StatementEnd
CREATE TRIGGER changes_moved BEFORE INSERT ON changes FOR EACH ROW EXECUTE FUNCTION changes_moved();
