-- Devices of the hall: each lies by a machine and is nobody's. Keys and cards are theirs as well from now on.

CREATE TABLE hall_device (
    club TEXT NOT NULL REFERENCES club,
    device TEXT NOT NULL,
    called TEXT NOT NULL,
    -- `called` as it is looked for.
    folded TEXT NOT NULL,
    made_by TEXT NOT NULL,
    from_unix_ms INTEGER NOT NULL,
    ended_unix_ms INTEGER,
    PRIMARY KEY (club, device)
) STRICT, WITHOUT ROWID;

CREATE TABLE key_again (
    club TEXT NOT NULL REFERENCES club,
    key TEXT NOT NULL,
    person TEXT,
    coach TEXT,
    hash TEXT NOT NULL,
    device TEXT NOT NULL DEFAULT '',
    from_unix_ms INTEGER NOT NULL,
    ended_unix_ms INTEGER,
    made_by TEXT,
    last_unix_ms INTEGER,
    hall TEXT,
    PRIMARY KEY (club, key),
    CHECK ((person IS NOT NULL) + (coach IS NOT NULL) + (hall IS NOT NULL) = 1),
    FOREIGN KEY (club, person) REFERENCES person (club, person),
    FOREIGN KEY (club, coach) REFERENCES coach (club, coach),
    FOREIGN KEY (club, hall) REFERENCES hall_device (club, device)
) STRICT, WITHOUT ROWID;
INSERT INTO key_again (club, key, person, coach, hash, device, from_unix_ms, ended_unix_ms, made_by, last_unix_ms)
    SELECT club, key, person, coach, hash, device, from_unix_ms, ended_unix_ms, made_by, last_unix_ms FROM key;
DROP TABLE key;
ALTER TABLE key_again RENAME TO key;
CREATE UNIQUE INDEX key_by_hash ON key (hash);
CREATE INDEX key_by_person ON key (club, person) WHERE person IS NOT NULL;
CREATE INDEX key_by_coach ON key (club, coach) WHERE coach IS NOT NULL;
CREATE INDEX key_by_hall ON key (club, hall) WHERE hall IS NOT NULL;

CREATE TABLE card_again (
    club TEXT NOT NULL REFERENCES club,
    card TEXT NOT NULL,
    person TEXT,
    hash TEXT NOT NULL,
    made_by TEXT NOT NULL,
    from_unix_ms INTEGER NOT NULL,
    until_unix_ms INTEGER NOT NULL,
    ended_unix_ms INTEGER,
    -- The key that a device got for it; NULL: none has yet.
    key TEXT,
    hall TEXT,
    PRIMARY KEY (club, card),
    CHECK ((person IS NULL) <> (hall IS NULL)),
    FOREIGN KEY (club, person) REFERENCES person (club, person),
    FOREIGN KEY (club, hall) REFERENCES hall_device (club, device)
) STRICT, WITHOUT ROWID;
INSERT INTO card_again (club, card, person, hash, made_by, from_unix_ms, until_unix_ms, ended_unix_ms, key)
    SELECT club, card, person, hash, made_by, from_unix_ms, until_unix_ms, ended_unix_ms, key FROM card;
DROP TABLE card;
ALTER TABLE card_again RENAME TO card;
CREATE UNIQUE INDEX card_by_hash ON card (hash);
CREATE INDEX card_by_person ON card (club, person) WHERE person IS NOT NULL;
CREATE INDEX card_by_end ON card (club, until_unix_ms);
CREATE INDEX card_by_hall ON card (club, hall) WHERE hall IS NOT NULL;
