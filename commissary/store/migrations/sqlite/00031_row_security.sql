-- Rows of one kitchen are kept from transactions of another in PostgreSQL only:
-- an SQLite file has no row security.

-- +goose Up
SELECT 1;
