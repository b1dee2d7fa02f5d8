-- Orders that a shop gave by telephone keep who called.

-- +goose Up
ALTER TABLE orders ADD COLUMN phoned_by TEXT COLLATE "C" NOT NULL DEFAULT '';
