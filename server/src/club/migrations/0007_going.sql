-- People who are to be gone, and the places that they leave.

-- From when on it may run; who has asked for it and when; what it waits for, as a sentence. NULL: nobody has asked.
ALTER TABLE person ADD COLUMN going_unix_ms INTEGER;
ALTER TABLE person ADD COLUMN going_asked_unix_ms INTEGER;
ALTER TABLE person ADD COLUMN going_by TEXT;
ALTER TABLE person ADD COLUMN going_waits TEXT;
CREATE INDEX person_by_going ON person (club, going_unix_ms) WHERE going_unix_ms IS NOT NULL;

ALTER TABLE club ADD COLUMN delete_after_days INTEGER NOT NULL DEFAULT 7 CHECK (delete_after_days >= 0);
-- Somebody was deleted, and what free pages and the file that is written ahead have kept of them is not overwritten yet.
ALTER TABLE club ADD COLUMN has_traces INTEGER NOT NULL DEFAULT 0 CHECK (has_traces IN (0, 1));

-- Whoever had it is gone: what a journal still says of it is nobody's.
ALTER TABLE seat ADD COLUMN tombstone TEXT;
ALTER TABLE given_piece ADD COLUMN tombstone TEXT;
