-- Dough that was worked in again is counted.

-- +goose Up
ALTER TABLE draws ADD COLUMN pieces BIGINT NOT NULL DEFAULT 0 CHECK (pieces >= 0);
