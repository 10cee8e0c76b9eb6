//! What was asked under a key of the asker's own, and its answer; who looked; what single calls need to know.

/// All texts by their names.
#[cfg(test)]
pub(super) const ALL: [(&str, &str); 11] = [
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
