-- What coaches have ruled about results of pieces, as the record of the piece has it. Of an imported result: whether it was official,
-- and whether it had no place, where it came from.
ALTER TABLE result ADD COLUMN is_official INTEGER NOT NULL DEFAULT 0 CHECK (is_official IN (0, 1));
-- The order that made it official.
ALTER TABLE result ADD COLUMN official TEXT;
-- What is not as it was measured; NULL where everything is.
ALTER TABLE result ADD COLUMN ruling TEXT;
ALTER TABLE result ADD COLUMN corrections TEXT NOT NULL DEFAULT '[]';

-- Journals have it all already: the next look reads every session again.
DELETE FROM taken;
