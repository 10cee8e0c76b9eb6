-- What coaches do outside a session, each with what it takes to undo it.

CREATE TABLE deed (
    club TEXT NOT NULL REFERENCES club,
    deed INTEGER NOT NULL CHECK (deed > 0),
    kind TEXT NOT NULL,
    who TEXT NOT NULL,
    at_unix_ms INTEGER NOT NULL,
    -- The result that was pointed at.
    result TEXT,
    reason TEXT,
    undone_unix_ms INTEGER,
    undone_by TEXT,
    -- What it takes to undo it is still there.
    is_kept INTEGER NOT NULL DEFAULT 1 CHECK (is_kept IN (0, 1)),
    PRIMARY KEY (club, deed)
) STRICT, WITHOUT ROWID;
CREATE INDEX deed_that_is_kept ON deed (club, at_unix_ms) WHERE is_kept = 1;

-- Each row that a deed has changed: its key, and of each column that is another now what it was before and after, as JSON. Without
-- `before` the row was not there, without `after` it was there no more.
CREATE TABLE changed_row (
    club TEXT NOT NULL,
    deed INTEGER NOT NULL,
    nth INTEGER NOT NULL,
    of_table TEXT NOT NULL,
    of_row TEXT NOT NULL,
    before TEXT,
    after TEXT,
    PRIMARY KEY (club, deed, nth),
    FOREIGN KEY (club, deed) REFERENCES deed (club, deed) ON DELETE CASCADE
) STRICT, WITHOUT ROWID;
CREATE INDEX changed_row_by_row ON changed_row (club, of_table, of_row, deed);

-- Whom a deed concerns, so that it goes with them. People whom a file has brought may be gone again: no reference to them.
CREATE TABLE deed_person (
    club TEXT NOT NULL,
    deed INTEGER NOT NULL,
    nth INTEGER NOT NULL,
    person TEXT NOT NULL,
    PRIMARY KEY (club, deed, nth),
    FOREIGN KEY (club, deed) REFERENCES deed (club, deed) ON DELETE CASCADE
) STRICT, WITHOUT ROWID;
CREATE INDEX deed_person_by_person ON deed_person (club, person, deed);

-- One piece of a session that was rowed in another's seat; all else in a seat is of the person who has it.
CREATE TABLE given_piece (
    club TEXT NOT NULL,
    session TEXT NOT NULL,
    seat INTEGER NOT NULL,
    piece INTEGER NOT NULL,
    -- NULL: a guest.
    person TEXT,
    PRIMARY KEY (club, session, seat, piece),
    FOREIGN KEY (club, session, seat) REFERENCES seat (club, session, seat),
    FOREIGN KEY (club, person) REFERENCES person (club, person)
) STRICT, WITHOUT ROWID;
CREATE INDEX given_piece_by_person ON given_piece (club, person) WHERE person IS NOT NULL;

ALTER TABLE result ADD COLUMN rate_half_spm INTEGER;
-- Of a result that was typed or imported: the coach has said that it is ranked.
ALTER TABLE result ADD COLUMN ranked INTEGER NOT NULL DEFAULT 0 CHECK (ranked IN (0, 1));
-- What an imported result was in the club that the file is from.
ALTER TABLE result ADD COLUMN first_source TEXT;
