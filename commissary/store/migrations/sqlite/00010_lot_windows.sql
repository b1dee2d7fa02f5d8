-- A lot's window follows from how warm its dough came out, and from the
-- earliest date of what went into it.

-- +goose Up
ALTER TABLE lots ADD COLUMN off INTEGER NOT NULL DEFAULT 0;
ALTER TABLE lots ADD COLUMN not_after INTEGER;
