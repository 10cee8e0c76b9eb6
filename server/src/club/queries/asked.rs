//! What was asked under a key of the asker's own, and its answer; who looked; what single calls need to know.

/// All texts by their names.
#[cfg(test)]
pub(super) const ALL: [(&str, &str); 18] = [
    ("answer begun", ANSWER_BEGUN),
    ("forget begun", FORGET_BEGUN),
    ("revisions of a session", REVISIONS),
    ("keep look", KEEP_LOOK),
    ("rowed piece", ROWED_PIECE),
    ("last deed", LAST_DEED),
    ("kept answer", KEPT_ANSWER),
    ("keep answer", KEEP_ANSWER),
    ("count of kept answers", KEPT_ANSWERS),
    ("forget old answers", FORGET_OLD_ANSWERS),
    ("blank answers", BLANK_ANSWERS),
    ("details of a person", DETAILS),
    ("entries merged into a person", MERGED),
    ("looks", LOOKS),
    ("set effort", SET_EFFORT),
    ("forget effort", FORGET_EFFORT),
    ("table of a person's results", TABLE_OF_OWN_RESULTS),
    ("table of a person's splits", TABLE_OF_OWN_SPLITS),
];

pub(in crate::club) const KEPT_ANSWER: &str = "SELECT asked, answer, etag FROM kept_answer
     WHERE club = $1 AND asker = $2 AND idempotency_key = $3";

pub(in crate::club) const KEEP_ANSWER: &str =
    "INSERT INTO kept_answer (club, asker, idempotency_key, asked, at_unix_ms, answer, etag)
     VALUES ($1, $2, $3, $4, $5, $6, $7)";

pub(in crate::club) const KEPT_ANSWERS: &str =
    "SELECT count(*) FROM kept_answer WHERE club = $1 AND asker = $2";

pub(in crate::club) const FORGET_OLD_ANSWERS: &str =
    "DELETE FROM kept_answer WHERE club = $1 AND at_unix_ms < $2";

pub(in crate::club) const KEEP_LOOK: &str = "INSERT INTO looked (club, looked, who, what, person, at_unix_ms) VALUES ($1, $2, $3, $4, $5, $6)";

/// What was rowed in a piece.
pub(in crate::club) const ROWED_PIECE: &str = "SELECT day, work FROM result
     WHERE club = $1 AND session = $2 AND piece = $3 AND source = 'piece' ORDER BY seat LIMIT 1";

/// What was done last to a row, and not undone.
pub(in crate::club) const LAST_DEED: &str = "
    SELECT max(c.deed) FROM changed_row AS c
    JOIN deed AS d ON d.club = c.club AND d.deed = c.deed AND d.undone_unix_ms IS NULL
    WHERE c.club = $1 AND c.of_table = $2 AND c.of_row = $3";

pub(in crate::club) const ANSWER_BEGUN: &str = "UPDATE kept_answer SET answer = $1, etag = $2
     WHERE club = $3 AND asker = $4 AND idempotency_key = $5 AND asked = $6";

pub(in crate::club) const FORGET_BEGUN: &str = "DELETE FROM kept_answer
     WHERE club = $1 AND asker = $2 AND idempotency_key = $3 AND asked = $4 AND answer IS NULL";

/// Grows with each record of a session that is taken.
pub(in crate::club) const REVISIONS: &str = "SELECT COALESCE(sum(revision), 0) FROM result WHERE club = $1 AND session = $2 AND source = 'piece'";

/// That it was done stays known, of whom it tells does not.
pub(in crate::club) const BLANK_ANSWERS: &str =
    "UPDATE kept_answer SET asked = '', answer = NULL, etag = NULL WHERE club = $1";

pub(in crate::club) const DETAILS: &str =
    "SELECT added_unix_ms, spoken, language, units FROM person WHERE club = $1 AND person = $2";

pub(in crate::club) const MERGED: &str = "
    SELECT person, called, born_year, merged_into, hall_name, added_unix_ms FROM person
    WHERE club = $1 AND merged_into = $2 ORDER BY added_unix_ms, person";

/// At somebody, or at everybody.
pub(in crate::club) const LOOKS: &str = "
    SELECT l.at_unix_ms, l.who, c.called, l.what, l.person FROM looked AS l
    LEFT JOIN coach AS c ON c.club = l.club AND c.coach = l.who
    WHERE l.club = $1 AND (l.person = $2 OR l.person IS NULL) ORDER BY l.at_unix_ms DESC, l.looked";

/// The columns of the whole table, of one person.
pub(in crate::club) const TABLE_OF_OWN_RESULTS: &str = "
    SELECT r.result, r.person, p.called, r.called, r.source, r.day, r.at_unix_ms, r.machine, r.title, r.repeats, r.outcome, r.place,
        r.team, r.time_ms, r.distance_dm, r.sure_ms, r.sure_dm, r.target, r.strokes, r.marks, r.all_out, r.rate_half_spm, r.ranked,
        r.corrected_from, r.reason, r.first_source, r.is_official, r.ruling
    FROM result AS r LEFT JOIN person AS p ON p.club = r.club AND p.person = r.person
    WHERE r.club = $1 AND r.person = $2 ORDER BY r.day, r.result";

pub(in crate::club) const TABLE_OF_OWN_SPLITS: &str = "
    SELECT s.result, s.distance_dm, s.time_ms FROM result AS r
    JOIN split AS s ON s.club = r.club AND s.result = r.result
    WHERE r.club = $1 AND r.person = $2 ORDER BY s.result, s.nth";

pub(in crate::club) const SET_EFFORT: &str = "INSERT INTO effort (club, result, felt, said_unix_ms) VALUES ($1, $2, $3, $4)
     ON CONFLICT (club, result) DO UPDATE SET felt = excluded.felt, said_unix_ms = excluded.said_unix_ms";

pub(in crate::club) const FORGET_EFFORT: &str =
    "DELETE FROM effort WHERE club = $1 AND result = $2";
