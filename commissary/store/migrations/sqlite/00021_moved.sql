-- A database whose facts have moved to another takes no more changes, not even
-- from a service that was running meanwhile.

-- +goose Up
CREATE TABLE moved (
    destination TEXT    NOT NULL CHECK (destination <> '')
) STRICT;

-- +goose StatementBegin
CREATE TRIGGER changes_moved BEFORE INSERT ON changes WHEN EXISTS (SELECT 1 FROM moved) BEGIN
    SELECT RAISE(ABORT, 'the facts have moved to another database');
END;
-- +goose StatementEnd
