-- Groups that a coach has and hands over, notes about them, and attendance as it is said.

-- The coach who has it. NULL, or a coach who was ended: it is the head coach's until it is handed over.
ALTER TABLE "group" ADD COLUMN coach TEXT;
ALTER TABLE "group" ADD COLUMN ended_day TEXT;

-- A note about a group; and one that is for whoever coaches that group.
CREATE TABLE note_as_before (
    club TEXT NOT NULL, note TEXT NOT NULL, coach TEXT, person TEXT, class TEXT, session TEXT, words TEXT NOT NULL,
    readers TEXT NOT NULL, said_unix_ms INTEGER NOT NULL
) STRICT;
INSERT INTO note_as_before SELECT club, note, coach, person, class, session, words, readers, said_unix_ms FROM note;
DROP TABLE note;
CREATE TABLE note (
    club TEXT NOT NULL REFERENCES club,
    note TEXT NOT NULL,
    -- Who wrote it. NULL: whoever has the head coach's link.
    coach TEXT,
    person TEXT,
    "group" TEXT,
    class TEXT,
    session TEXT,
    words TEXT NOT NULL,
    readers TEXT NOT NULL CHECK (readers IN ('author', 'group', 'coaches', 'person')),
    said_unix_ms INTEGER NOT NULL,
    PRIMARY KEY (club, note),
    CHECK (readers <> 'group' OR "group" IS NOT NULL),
    FOREIGN KEY (club, coach) REFERENCES coach (club, coach),
    FOREIGN KEY (club, person) REFERENCES person (club, person),
    FOREIGN KEY (club, "group") REFERENCES "group" (club, "group"),
    FOREIGN KEY (club, class) REFERENCES class (club, class)
) STRICT, WITHOUT ROWID;
CREATE INDEX note_by_coach ON note (club, coach) WHERE coach IS NOT NULL;
CREATE INDEX note_by_person ON note (club, person) WHERE person IS NOT NULL;
CREATE INDEX note_by_group ON note (club, "group") WHERE "group" IS NOT NULL;
CREATE INDEX note_by_class ON note (club, class) WHERE class IS NOT NULL;
CREATE INDEX note_by_session ON note (club, session) WHERE session IS NOT NULL;
INSERT INTO note (club, note, coach, person, class, session, words, readers, said_unix_ms)
    SELECT club, note, coach, person, class, session, words, readers, said_unix_ms FROM note_as_before;
DROP TABLE note_as_before;

-- What somebody has said of who came. What is known by itself is in no row.
CREATE TABLE attendance_as_before (
    club TEXT NOT NULL, person TEXT NOT NULL, day TEXT NOT NULL, session TEXT NOT NULL, state TEXT NOT NULL
) STRICT;
INSERT INTO attendance_as_before SELECT club, person, day, session, state FROM attendance;
DROP TABLE attendance;
CREATE TABLE attendance (
    club TEXT NOT NULL,
    person TEXT NOT NULL,
    day TEXT NOT NULL,
    session TEXT NOT NULL DEFAULT '',
    state TEXT NOT NULL CHECK (state IN ('came', 'home', 'late', 'excused', 'absent')),
    -- The identity of a coach or person, or another word for who said it, as deeds have it.
    said_by TEXT,
    said_unix_ms INTEGER,
    PRIMARY KEY (club, person, day, session),
    FOREIGN KEY (club, person) REFERENCES person (club, person)
) STRICT, WITHOUT ROWID;
CREATE INDEX attendance_by_day ON attendance (club, day);
CREATE INDEX attendance_by_session ON attendance (club, session, person);
INSERT INTO attendance (club, person, day, session, state)
    SELECT club, person, day, session, CASE state WHEN 'away' THEN 'absent' ELSE state END FROM attendance_as_before;
DROP TABLE attendance_as_before;

-- Of a deed about a group: which, and of a hand-over to whom.
ALTER TABLE deed ADD COLUMN "group" TEXT;
ALTER TABLE deed ADD COLUMN to_coach TEXT;
