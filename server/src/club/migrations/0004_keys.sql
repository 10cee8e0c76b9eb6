-- How devices come to their keys, and when each was last here.

-- A card admits one device of a person, once. Its secret is no key: it opens nothing but the way to one.
CREATE TABLE card (
    club TEXT NOT NULL REFERENCES club,
    card TEXT NOT NULL,
    person TEXT NOT NULL,
    hash TEXT NOT NULL,
    -- The identity of a coach, or another word for who made it, as deeds have it.
    made_by TEXT NOT NULL,
    from_unix_ms INTEGER NOT NULL,
    until_unix_ms INTEGER NOT NULL,
    ended_unix_ms INTEGER,
    -- The key that a device got for it; NULL: none has yet.
    key TEXT,
    PRIMARY KEY (club, card),
    FOREIGN KEY (club, person) REFERENCES person (club, person)
) STRICT, WITHOUT ROWID;
CREATE UNIQUE INDEX card_by_hash ON card (hash);
CREATE INDEX card_by_person ON card (club, person);
CREATE INDEX card_by_end ON card (club, until_unix_ms);

ALTER TABLE key ADD COLUMN made_by TEXT;
ALTER TABLE key ADD COLUMN last_unix_ms INTEGER;
