-- What is kept for a while, and what was let go when that was over.

-- What the clock has shown about once a day, and what was due by that. It is let go a week later at the earliest: a clock that is wrong
-- for a while takes nothing.
CREATE TABLE horizon (
    club TEXT NOT NULL REFERENCES club,
    noted_unix_ms INTEGER NOT NULL,
    strokes_before_unix_ms INTEGER NOT NULL,
    heart_rate_before_unix_ms INTEGER NOT NULL,
    PRIMARY KEY (club, noted_unix_ms)
) STRICT, WITHOUT ROWID;

-- What is gone of each session, and on which day the last of it went.
CREATE TABLE let_go (
    club TEXT NOT NULL REFERENCES club,
    session TEXT NOT NULL,
    what TEXT NOT NULL CHECK (what IN ('strokes', 'heart_rate')),
    records INTEGER NOT NULL,
    day TEXT NOT NULL,
    PRIMARY KEY (club, session, what)
) STRICT, WITHOUT ROWID;

-- When it was last looked what is due. NULL: never yet.
ALTER TABLE club ADD COLUMN retention_ran_unix_ms INTEGER;
