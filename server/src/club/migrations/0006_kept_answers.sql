-- Answers to what was asked under an `Idempotency-Key`, so that the same asked once more is done once and answered alike.
CREATE TABLE kept_answer (
    club TEXT NOT NULL REFERENCES club,
    -- The coach or person, or 'head coach' for whoever has that link: keys of theirs may come and go.
    asker TEXT NOT NULL,
    idempotency_key TEXT NOT NULL,
    -- A hash of all that was asked.
    asked TEXT NOT NULL,
    at_unix_ms INTEGER NOT NULL,
    -- NULL: it was done, and what was answered is not kept.
    answer TEXT,
    etag TEXT,
    PRIMARY KEY (club, asker, idempotency_key)
) STRICT, WITHOUT ROWID;
CREATE INDEX kept_answer_by_age ON kept_answer (club, at_unix_ms);
