-- What lasts beyond a session. Each table names its club, so that one store can hold several; instants are Unix milliseconds, days
-- are the club's own as 2026-11-30, identities are UUIDs as text, whatever has a shape of its own is JSON.

CREATE TABLE club (
    club TEXT NOT NULL PRIMARY KEY,
    name TEXT NOT NULL DEFAULT '',
    zone TEXT NOT NULL,
    language TEXT,
    keep_samples_days INTEGER NOT NULL DEFAULT 400 CHECK (keep_samples_days > 0),
    keep_heart_rate_days INTEGER NOT NULL DEFAULT 60 CHECK (keep_heart_rate_days > 0),
    stale_result_days INTEGER NOT NULL DEFAULT 120 CHECK (stale_result_days > 0),
    juniors TEXT,
    -- The life of the journal that `taken` counts in; positions of another one mean nothing.
    journal_epoch TEXT
) STRICT, WITHOUT ROWID;

CREATE TABLE coach (
    club TEXT NOT NULL REFERENCES club,
    coach TEXT NOT NULL,
    called TEXT NOT NULL,
    role TEXT NOT NULL CHECK (role IN ('head', 'coach', 'assistant')),
    from_day TEXT NOT NULL,
    until_day TEXT,
    PRIMARY KEY (club, coach)
) STRICT, WITHOUT ROWID;

CREATE TABLE person (
    club TEXT NOT NULL REFERENCES club,
    person TEXT NOT NULL,
    called TEXT NOT NULL,
    -- `called` as it is looked for.
    folded TEXT NOT NULL,
    spoken TEXT,
    born_year INTEGER CHECK (born_year BETWEEN 1900 AND 2200),
    machines TEXT NOT NULL DEFAULT '[]',
    adaptations TEXT,
    language TEXT,
    units TEXT,
    hall_name TEXT,
    heart_limit_bpm INTEGER,
    easy_until_day TEXT,
    merged_into TEXT,
    added_unix_ms INTEGER NOT NULL,
    PRIMARY KEY (club, person),
    FOREIGN KEY (club, merged_into) REFERENCES person (club, person)
) STRICT, WITHOUT ROWID;
CREATE INDEX person_by_name ON person (club, folded, person);
CREATE INDEX person_by_merging ON person (club, merged_into) WHERE merged_into IS NOT NULL;

CREATE TABLE key (
    club TEXT NOT NULL REFERENCES club,
    key TEXT NOT NULL,
    person TEXT,
    coach TEXT,
    hash TEXT NOT NULL,
    device TEXT NOT NULL DEFAULT '',
    from_unix_ms INTEGER NOT NULL,
    ended_unix_ms INTEGER,
    PRIMARY KEY (club, key),
    CHECK ((person IS NULL) <> (coach IS NULL)),
    FOREIGN KEY (club, person) REFERENCES person (club, person),
    FOREIGN KEY (club, coach) REFERENCES coach (club, coach)
) STRICT, WITHOUT ROWID;
CREATE UNIQUE INDEX key_by_hash ON key (hash);
CREATE INDEX key_by_person ON key (club, person) WHERE person IS NOT NULL;
CREATE INDEX key_by_coach ON key (club, coach) WHERE coach IS NOT NULL;

CREATE TABLE consent (
    club TEXT NOT NULL REFERENCES club,
    consent TEXT NOT NULL,
    person TEXT NOT NULL,
    what TEXT NOT NULL CHECK (what IN ('hall_name', 'heart_rate', 'past_results', 'results_seen_by')),
    choice TEXT NOT NULL,
    wording INTEGER NOT NULL,
    day TEXT NOT NULL,
    -- NULL: the person; else the guardian's name.
    guardian TEXT,
    withdrawn_day TEXT,
    PRIMARY KEY (club, consent),
    FOREIGN KEY (club, person) REFERENCES person (club, person)
) STRICT, WITHOUT ROWID;
CREATE INDEX consent_by_person ON consent (club, person);

CREATE TABLE "group" (
    club TEXT NOT NULL REFERENCES club,
    "group" TEXT NOT NULL,
    called TEXT NOT NULL,
    PRIMARY KEY (club, "group")
) STRICT, WITHOUT ROWID;

CREATE TABLE membership (
    club TEXT NOT NULL,
    "group" TEXT NOT NULL,
    person TEXT NOT NULL,
    from_day TEXT NOT NULL,
    until_day TEXT,
    PRIMARY KEY (club, "group", person, from_day),
    FOREIGN KEY (club, "group") REFERENCES "group" (club, "group"),
    FOREIGN KEY (club, person) REFERENCES person (club, person)
) STRICT, WITHOUT ROWID;
CREATE INDEX membership_by_person ON membership (club, person);

CREATE TABLE class (
    club TEXT NOT NULL REFERENCES club,
    class TEXT NOT NULL,
    called TEXT NOT NULL,
    revision INTEGER NOT NULL DEFAULT 1,
    content TEXT NOT NULL,
    ended_day TEXT,
    PRIMARY KEY (club, class)
) STRICT, WITHOUT ROWID;

-- Who had a seat of a session, and which person that was; a guest while nobody has said.
CREATE TABLE seat (
    club TEXT NOT NULL REFERENCES club,
    session TEXT NOT NULL,
    seat INTEGER NOT NULL,
    athlete TEXT,
    person TEXT,
    given_unix_ms INTEGER,
    PRIMARY KEY (club, session, seat),
    FOREIGN KEY (club, person) REFERENCES person (club, person)
) STRICT, WITHOUT ROWID;
CREATE INDEX seat_by_person ON seat (club, person) WHERE person IS NOT NULL;

CREATE TABLE result (
    club TEXT NOT NULL REFERENCES club,
    result TEXT NOT NULL,
    -- NULL: a guest's. Of a piece always that of its seat.
    person TEXT,
    -- The name that it was rowed under, and the same as it is looked for.
    called TEXT,
    folded TEXT NOT NULL DEFAULT '',
    source TEXT NOT NULL CHECK (source IN ('piece', 'typed', 'imported')),
    session TEXT,
    piece INTEGER,
    seat INTEGER,
    revision INTEGER,
    day TEXT NOT NULL,
    at_unix_ms INTEGER,
    machine TEXT,
    title TEXT NOT NULL DEFAULT '',
    -- As pieces are written, `6x350m/1:15`, and the same as JSON.
    work TEXT NOT NULL,
    repeats TEXT NOT NULL,
    outcome TEXT NOT NULL,
    place INTEGER,
    team TEXT,
    time_ms INTEGER NOT NULL,
    distance_dm INTEGER NOT NULL,
    sure_ms INTEGER,
    sure_dm INTEGER,
    shown TEXT,
    aim TEXT,
    plan TEXT NOT NULL,
    target TEXT,
    margin TEXT,
    strokes INTEGER,
    marks TEXT NOT NULL DEFAULT '[]',
    calls TEXT NOT NULL DEFAULT '[]',
    -- What people have said of it, which no journal has.
    all_out TEXT NOT NULL DEFAULT 'unknown' CHECK (all_out IN ('yes', 'no', 'unknown')),
    later INTEGER NOT NULL DEFAULT 0 CHECK (later IN (0, 1)),
    corrected_from TEXT,
    reason TEXT,
    PRIMARY KEY (club, result),
    CHECK (source <> 'piece' OR (session IS NOT NULL AND piece IS NOT NULL AND seat IS NOT NULL AND revision IS NOT NULL)),
    FOREIGN KEY (club, person) REFERENCES person (club, person),
    FOREIGN KEY (club, session, seat) REFERENCES seat (club, session, seat)
) STRICT, WITHOUT ROWID;
CREATE UNIQUE INDEX result_by_piece ON result (club, session, piece, seat);
CREATE INDEX result_by_seat ON result (club, session, seat);
CREATE INDEX result_by_day ON result (club, day, result);
CREATE INDEX result_by_work ON result (club, work, day, result);
CREATE INDEX result_by_person ON result (club, person, day, result);
CREATE INDEX result_of_guests ON result (club, folded, day, result) WHERE person IS NULL;

CREATE TABLE split (
    club TEXT NOT NULL,
    result TEXT NOT NULL,
    nth INTEGER NOT NULL,
    distance_dm INTEGER NOT NULL,
    time_ms INTEGER NOT NULL,
    PRIMARY KEY (club, result, nth),
    FOREIGN KEY (club, result) REFERENCES result (club, result) ON DELETE CASCADE
) STRICT, WITHOUT ROWID;

CREATE TABLE effort (
    club TEXT NOT NULL,
    result TEXT NOT NULL,
    felt INTEGER NOT NULL CHECK (felt BETWEEN 0 AND 10),
    said_unix_ms INTEGER NOT NULL,
    PRIMARY KEY (club, result),
    FOREIGN KEY (club, result) REFERENCES result (club, result) ON DELETE CASCADE
) STRICT, WITHOUT ROWID;

CREATE TABLE attendance (
    club TEXT NOT NULL,
    person TEXT NOT NULL,
    day TEXT NOT NULL,
    session TEXT NOT NULL DEFAULT '',
    state TEXT NOT NULL CHECK (state IN ('came', 'away', 'excused')),
    PRIMARY KEY (club, person, day, session),
    FOREIGN KEY (club, person) REFERENCES person (club, person)
) STRICT, WITHOUT ROWID;
CREATE INDEX attendance_by_day ON attendance (club, day);

CREATE TABLE note (
    club TEXT NOT NULL REFERENCES club,
    note TEXT NOT NULL,
    coach TEXT,
    person TEXT,
    class TEXT,
    session TEXT,
    words TEXT NOT NULL,
    readers TEXT NOT NULL CHECK (readers IN ('author', 'coaches', 'person')),
    said_unix_ms INTEGER NOT NULL,
    PRIMARY KEY (club, note),
    FOREIGN KEY (club, coach) REFERENCES coach (club, coach),
    FOREIGN KEY (club, person) REFERENCES person (club, person),
    FOREIGN KEY (club, class) REFERENCES class (club, class)
) STRICT, WITHOUT ROWID;
CREATE INDEX note_by_coach ON note (club, coach) WHERE coach IS NOT NULL;
CREATE INDEX note_by_person ON note (club, person) WHERE person IS NOT NULL;
CREATE INDEX note_by_class ON note (club, class) WHERE class IS NOT NULL;

-- What is gone: a random identity and a day, and never whose it was.
CREATE TABLE tombstone (
    club TEXT NOT NULL REFERENCES club,
    tombstone TEXT NOT NULL,
    what TEXT NOT NULL,
    day TEXT NOT NULL,
    PRIMARY KEY (club, tombstone)
) STRICT, WITHOUT ROWID;

-- Who has read what concerns health, and who took a copy of results along.
CREATE TABLE looked (
    club TEXT NOT NULL REFERENCES club,
    looked TEXT NOT NULL,
    who TEXT NOT NULL,
    what TEXT NOT NULL,
    person TEXT,
    at_unix_ms INTEGER NOT NULL,
    PRIMARY KEY (club, looked),
    FOREIGN KEY (club, person) REFERENCES person (club, person)
) STRICT, WITHOUT ROWID;
CREATE INDEX looked_by_person ON looked (club, person) WHERE person IS NOT NULL;

-- How far each session's records have been taken: all before this position.
CREATE TABLE taken (
    club TEXT NOT NULL REFERENCES club,
    session TEXT NOT NULL,
    position INTEGER NOT NULL,
    PRIMARY KEY (club, session)
) STRICT, WITHOUT ROWID;
