//! What was asked under a key of the asker's own, and its answer.

/// All texts by their names.
#[cfg(test)]
pub(super) const ALL: [(&str, &str); 5] = [
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

/// That it was done stays known, of whom it tells does not.
pub(in crate::club) const BLANK_ANSWERS: &str =
    "UPDATE kept_answer SET asked = '', answer = NULL, etag = NULL WHERE club = $1";
