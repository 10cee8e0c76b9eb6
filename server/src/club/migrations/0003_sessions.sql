-- Sessions in which something was rowed, as their results have it, so that they can be listed without looking at those.
CREATE TABLE session (
    club TEXT NOT NULL REFERENCES club,
    session TEXT NOT NULL,
    title TEXT NOT NULL DEFAULT '',
    -- Of the first piece.
    day TEXT NOT NULL,
    at_unix_ms INTEGER NOT NULL,
    PRIMARY KEY (club, session)
) STRICT, WITHOUT ROWID;
CREATE INDEX session_by_day ON session (club, day, at_unix_ms, session);

INSERT INTO session (club, session, day, at_unix_ms)
    SELECT club, session, min(day), min(at_unix_ms) FROM result
    WHERE source = 'piece' AND at_unix_ms IS NOT NULL GROUP BY club, session;

-- What a session is called stands in the journal alone: the next look reads every session again.
DELETE FROM taken;
